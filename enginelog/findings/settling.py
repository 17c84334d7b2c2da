"""Settling: a run that is rough at first and then clean, found by a fitted change (`changing`); one that gets rougher,
is rough for a while in between, or from first to last.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.spread import SINE_SWING
from enginelog.findings.changing import Change, fit_change, fit_while
from enginelog.findings.patterns import burst_effect, comes_in_bursts
from enginelog.findings.roughness import Roughness, noise_changes, roughness
from enginelog.findings.series import Series
from enginelog.limits import LimitSet
from enginelog.model import Firings

LEAST_UNEVEN = 0.02  # no engine fires more evenly: then its firings were not heard one by one


@dataclass(frozen=True)
class SettlingStudy:
    """course: settles, lessens (less rough, but not smooth), worsens, passing (rough for a while, between_s), steady,
    rough (rough throughout), unknown. Times count from `started_s`. rough_: of the rough part, last_: of the rest.

    reason: why unknown, where there is more to say than that the run is too short or was not heard.
    """

    course: str
    settle_s: float | None
    change: Change | None
    rough_misfire_percent: float | None
    last_misfire_percent: float | None
    rough_swing_rpm: float | None
    last_swing_rpm: float | None
    between_s: tuple[float, float] | None = None
    rough_uneven_percent: float | None = None
    last_uneven_percent: float | None = None
    reason: str | None = None

    @property
    def told(self) -> bool:
        """Whether there is any figure of how rough it was."""
        return (self.rough_misfire_percent, self.rough_swing_rpm, self.rough_uneven_percent) != (None, None, None)


AT_ODDS = "the speed and the firings change in opposite ways, so that neither tells of a rough start"
BY_TIMES = "more firings are lost at some times than at others, and when that begins or ends does not stand out"
HINTED = "how smoothly it runs changes a little in its course, too little to tell a rough start"
UNHEARD = "lost firings stand out too little to tell a rough start"
UNKNOWN = SettlingStudy("unknown", None, None, None, None, None, None)


def study_settling(
    series: Series,
    firings: Firings,
    probability: np.ndarray | None,
    started_s: float,
    limits: LimitSet,
    one_load: bool = True,
) -> SettlingStudy:
    """Settling over one run. `series`: run-up left out; `firings`: of that run alone; `probability`: of a miss, None
    where misses cannot be counted; one_load: whether load and throttle stayed as they were.

    How unevenly the firings sound is asked only where they cannot be counted, and never across a change of load: an
    engine at work stands farther out of the noise than one without.
    """
    if series.seconds < limits.value("settling_least_s"):
        return UNKNOWN
    counted = np.full(len(firings.t_s), np.nan) if probability is None else probability
    uneven = probability is None and one_load and not noise_changes(firings, series, limits)
    rough = roughness(series, firings, counted, limits, uneven)
    told = (firings.t_s >= series.t_s[0]) & np.isfinite(counted)
    lost = counted[told] > 0.5
    bursts = burst_effect(lost) if comes_in_bursts(lost, limits) else 1.0
    change = fit_change(rough, bursts)
    if change is None:
        return UNKNOWN
    passing = fit_while(rough, bursts, limits.value("settling_while_s"))
    if passing is not None and _comes_and_goes(passing, change, series.mean_rpm, limits):
        return _told(passing, "passing", float(series.t_s[0]) - started_s)
    course = _course(change, series.mean_rpm, limits)
    if course == "rough" and not _throughout(rough, limits):
        return replace(UNKNOWN, reason=BY_TIMES)
    none_lost = probability is not None and not lost.any() and _followed(firings, told, limits)
    heard = none_lost or _misses_clear(firings, counted, limits) or _even_throughout(change, limits)
    course, reason = _with_reason(course, heard, change, limits)
    return replace(_told(change, course, float(series.t_s[0]) - started_s), reason=reason)


def _with_reason(course: str, heard: bool, change: Change, limits: LimitSet) -> tuple[str, str | None]:
    """The course as it is told, and where none is, why. heard: whether lost firings would have been heard."""
    if course == "unknown":
        return course, AT_ODDS
    if course != "steady" or (heard and _no_hint(change, limits)):
        return course, None
    return "unknown", HINTED if heard else UNHEARD


def _told(change: Change, course: str, first_s: float) -> SettlingStudy:
    """The fitted change as it is handed on; first_s: of its first window, after the start of the run."""
    low, settle, high = (
        max(first_s + end, 0.0) for end in (change.settle_low_s, change.settle_s, change.settle_high_s)
    )
    rough_swing, last_swing = _told_swing(change)
    return SettlingStudy(
        course,
        settle if course in ("settles", "lessens") else None,
        change,
        _percent(change.first_share),
        _percent(change.last_share),
        _peak_to_peak(rough_swing),
        _peak_to_peak(last_swing),
        _between(change, course, first_s, (low, high)),
        _percent(change.first_uneven),
        _percent(change.last_uneven),
    )


def _between(change: Change, course: str, first_s: float, settled: tuple[float, float]) -> tuple[float, float] | None:
    """Between which moments it settled, or was rough; None for a course without such."""
    if change.begin_s is not None:
        return first_s + change.begin_s, first_s + change.settle_s
    return settled if course in ("settles", "lessens") else None


def _told_swing(change: Change) -> tuple[float | None, float | None]:
    """First and last swing as told; as fitted where there is nothing else to say of how rough it was."""
    if (change.told_first_swing, change.first_share, change.first_uneven) == (None, None, None):
        return change.first_swing, change.last_swing
    return change.told_first_swing, change.told_last_swing


def _followed(firings: Firings, told: np.ndarray, limits: LimitSet) -> bool:
    """True where nearly all firings were counted, and stand out of the noise at least a little."""
    enough = told.sum() >= limits.value("settling_told") * len(told)
    return bool(enough and np.nanmedian(firings.snr_db[told]) >= limits.value("settling_told_snr_db"))


def _misses_clear(firings: Firings, counted: np.ndarray, limits: LimitSet) -> bool:
    """True where lost firings of a rough start would have been heard."""
    told = np.isfinite(counted)
    return bool(told.any() and np.nanmedian(firings.snr_db[told]) >= limits.value("settling_least_snr_db"))


def _even_throughout(change: Change, limits: LimitSet) -> bool:
    """True where the firings, uncounted as they are, sound evenly strong from first to last."""
    if change.first_uneven is None or change.last_uneven is None:
        return False
    most = max(change.first_uneven, change.last_uneven)
    return LEAST_UNEVEN < most < limits.value("settling_even")


def _no_hint(change: Change, limits: LimitSet) -> bool:
    """True where nothing looks like a rough start either, too little as it may be to say so."""
    if change.gain > 0 and _size(change.first_share, change.last_share, limits.value("settling_least_percent") / 100):
        return False
    pairs = ((change.first_swing, change.last_swing), (change.first_uneven, change.last_uneven))
    falls = any(_size(first, last, 0.0, limits.value("settling_hint_ratio")) for first, last in pairs)
    return not (falls and change.gain > limits.value("settling_hint_gain"))


def _percent(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


def _peak_to_peak(deviation: float | None) -> float | None:
    """A swing's peak to peak from its standard deviation: 2 sqrt(2) times, as for a sine."""
    return None if deviation is None else float(SINE_SWING * deviation)


def _comes_and_goes(passing: Change, change: Change, mean_rpm: float, limits: LimitSet) -> bool:
    """Whether it was rough for a while in between, which the best fall or rise from the beginning fits less well."""
    if _course(passing, mean_rpm, limits) not in ("settles", "lessens"):
        return False
    return passing.gain > change.gain + limits.value("settling_while_gain")


def _throughout(rough: Roughness, limits: LimitSet) -> bool:
    """Whether the first third and the last lose as many firings as make a fault."""
    third, least = len(rough.t_s) // 3, limits.value("misfire_fault_percent") / 100
    parts = (slice(0, third), slice(len(rough.t_s) - third, None))
    return all(rough.lost[part].sum() > least * rough.events[part].sum() for part in parts)


def _course(change: Change, mean_rpm: float, limits: LimitSet) -> str:
    by_misses = _size(change.first_share, change.last_share, limits.value("settling_least_percent") / 100)
    least_rpm = limits.value("settling_least_swing_percent") / 100 * mean_rpm / SINE_SWING
    by_swing = _size(change.first_swing, change.last_swing, least_rpm, limits.value("settling_swing_ratio"))
    least_uneven, ratio = limits.value("settling_least_uneven"), limits.value("settling_uneven_ratio")
    by_uneven = _size(change.first_uneven, change.last_uneven, least_uneven, ratio)
    smoother, rougher = sorted((change.first_uneven or 0.0, change.last_uneven or 0.0))
    if smoother > limits.value("settling_most_uneven") or rougher < limits.value("settling_rough_uneven"):
        by_uneven = 0
    if _size(change.first_swing, change.last_swing, 0.0, limits.value("settling_hint_ratio")) != by_uneven:
        by_uneven = 0  # lost firings move the speed too; what changes the strength alone is noise
    counted = by_misses or by_swing
    if counted and change.gain > limits.value("settling_gain"):
        if not by_misses and _firings_say(change, limits) == -by_swing:
            return "unknown"  # the firings grow even while the speed grows restless, or the other way round
        return _settles(change, limits) if counted > 0 else "worsens"
    if by_uneven and change.gain > limits.value("settling_uneven_gain"):
        return "settles" if by_uneven > 0 else "worsens"
    return "rough" if _still_rough(change, limits) else "steady"


def _settles(change: Change, limits: LimitSet) -> str:
    """It settles, or lessens where as many firings are lost afterwards as make a fault."""
    return "lessens" if _still_rough(change, limits) else "settles"


def _still_rough(change: Change, limits: LimitSet) -> bool:
    return change.last_share is not None and 100 * change.last_share > limits.value("misfire_fault_percent")


def _firings_say(change: Change, limits: LimitSet) -> int:
    """+1 where the firings hint at a rougher beginning, -1 at a rougher end, 0 neither: by losses, else unevenness."""
    ratio = limits.value("settling_hint_ratio")
    return _size(change.first_share, change.last_share, 0.0, ratio) or _size(
        change.first_uneven, change.last_uneven, 0.0, ratio
    )


def _size(first: float | None, last: float | None, least: float, ratio: float = 2.0) -> int:
    """+1 where the first level is `ratio` times the last and `least` above it, -1 the other way round, else 0."""
    if first is None or last is None:
        return 0
    if first - last > least and first > ratio * last:
        return 1
    return -1 if last - first > least and last > ratio * first else 0
