"""Slow, large changes of speed: an engine that sinks or rises over many seconds, as no throttle and no load step does.

A governor's droop is over within seconds and the warming up of an engine is a few per cent; what goes farther in small
steps that nobody hears is another speed in the end, and its middle value one at which the engine hardly ran.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings.series import Series, half_window, running_median
from enginelog.findings.steps import Step, calm_stretches, fit_steps
from enginelog.findings.words import SOUND_ALONE, UNTOUCHED
from enginelog.limits import Limit, LimitSet
from enginelog.model import DRIFT, Engine, Finding, Speed, ThrottleMove
from enginelog.model.wording import BY_HAND_PERHAPS, ROSE_SLOWLY, SANK_SLOWLY, lasted

# Common practice, no source, as is what to check then.
UNMOVED = "Warming up makes a few per cent only. If nobody moved throttle or load,"
SINKS = "think first of fuel running short, a blocked tank vent, a load that grows, or an engine that gets too hot."
RISES = (
    "think first of a throttle or governor that creeps or sticks, a load that fell away, air drawn in beside the"
    " carburettor, or fuel running short, which can make it race before it dies."
)
SINKING = (
    "fuel in the tank, and whether the vent of its cap is free",
    "fuel supply: filter, hose, carburettor passages, old fuel",
    "what it drives: does it turn freely? An engine that smells hot or binds stays off until it is cool",
)
RISING = (
    "with the engine off and cool: throttle and governor linkage for play, creeping and binding",
    "fuel in the tank, and whether the vent of its cap is free",
    "air leaks at the intake gaskets",
)


@dataclass(frozen=True)
class Drift:
    """A slow change from one speed to another, in one run and away from sudden changes. from_s, to_s: between which the
    speed was neither."""

    from_rpm: float
    to_rpm: float
    from_s: float
    to_s: float

    @property
    def percent(self) -> float:
        """How far, per cent of the speed before."""
        return 100 * abs(self.to_rpm / self.from_rpm - 1)

    @property
    def sinks(self) -> bool:
        """Whether the speed fell."""
        return self.to_rpm < self.from_rpm


@dataclass(frozen=True)
class Slope:
    """Places in a course: of the two extremes, and of the last of the one level and the first of the other."""

    first: int
    leaves: int
    comes: int
    last: int

    def later(self, by: int) -> Slope:
        """The same in a course of which this one's is a part that begins at `by`."""
        return Slope(self.first + by, self.leaves + by, self.comes + by, self.last + by)


def slopes(slow: np.ndarray, least_percent: float, within_percent: float) -> list[Slope]:
    """Where slow (n,), finite, goes from its highest to its lowest or the other way, by `least_percent` of where it
    comes from; then the same of what is before and after. A level is what lies within `within_percent` of such an end.
    """
    found, left = [], [(0, len(slow))]  # in turn and not one in the other: hours of swings have thousands
    while left:
        begin, end = left.pop()
        slope = _widest(slow[begin:end], least_percent, within_percent) if end - begin > 1 else None
        if slope is not None:
            found.append(slope.later(begin))
            left += [(begin, begin + slope.leaves + 1), (begin + slope.comes, end)]
    return sorted(found, key=lambda one: one.first)


def _widest(slow: np.ndarray, least_percent: float, within_percent: float) -> Slope | None:
    """The change between the extremes of a course of two values or more; None where it is too small."""
    first, last = sorted((int(np.argmin(slow)), int(np.argmax(slow))))
    if abs(slow[last] / slow[first] - 1) < least_percent / 100:
        return None

    def near(part: np.ndarray, level: float) -> np.ndarray:
        return np.flatnonzero(np.abs(part / level - 1) <= within_percent / 100)

    leaves = first + int(near(slow[first : last + 1], slow[first])[-1])
    comes = leaves + int(near(slow[leaves : last + 1], slow[last])[0])
    return Slope(first, leaves, comes, last)


def drifts(runs: list[Series], engine: Engine, limits: LimitSet) -> list[Drift]:
    """The slow changes of all runs (clean speed, run-up left out), in order of time: those of a whole run that are no
    sudden changes for the most part, and those between its sudden changes."""
    least = limits.value(_limit_of(engine))
    found: list[Drift] = []
    for series in runs:
        if not _slopes_of(series, least, [], limits):
            continue
        steps = fit_steps(series, limits)
        own = _slopes_of(series, least, steps, limits)
        for calm in calm_stretches(series, steps, limits):
            between = _slopes_of(calm, least, [], limits)
            own += [one for one in between if all(one.to_s <= on.from_s or one.from_s >= on.to_s for on in own)]
        found += sorted(own, key=lambda one: one.from_s)
    return found


def _slopes_of(series: Series, least_percent: float, steps: list[Step], limits: LimitSet) -> list[Drift]:
    """Those of one series that are slow; steps: sudden changes that do not count."""
    seen_s, quick_s = limits.value("drift_seen_s"), limits.value("drift_quick_s")
    slow = running_median(series.rpm, half_window(seen_s, series.step_s, 1))
    at = np.flatnonzero(series.known & np.isfinite(slow))
    t_s, slow = series.t_s[at], slow[at]
    found = []
    for slope in slopes(slow, least_percent, limits.value("drift_level_percent")):
        over_s = float(t_s[slope.comes] - t_s[slope.leaves])
        read = (slope.comes - slope.leaves) * series.step_s >= 0.5 * over_s
        if read and over_s >= limits.value("drift_least_s") and not _quick(t_s, slow, slope, steps, quick_s):
            ends = float(slow[slope.first]), float(slow[slope.last])
            found.append(Drift(*ends, float(t_s[slope.leaves]), float(t_s[slope.comes])))
    return found


def _quick(t_s: np.ndarray, slow: np.ndarray, slope: Slope, steps: list[Step], quick_s: float) -> bool:
    """Whether half of a change or more lies within a short time, or in sudden changes."""
    inside = slice(slope.first, slope.last + 1)
    t_s, slow = t_s[inside], slow[inside]
    later = np.minimum(np.searchsorted(t_s, t_s + quick_s), len(slow) - 1)
    sudden = [
        abs(float(np.interp(step.at_s + 0.75 * quick_s, t_s, slow) - np.interp(step.at_s - 0.25 * quick_s, t_s, slow)))
        for step in steps
    ]
    return bool(max(np.max(np.abs(slow[later] - slow)), sum(sudden)) > 0.5 * abs(slow[-1] - slow[0]))


def told(
    findings: list[Finding],
    found: list[Drift],
    moves: tuple[ThrottleMove, ...],
    engine: Engine,
    speed: Speed,
    limits: LimitSet,
) -> list[Finding]:
    """The findings, that on steadiness saying the largest of these changes where there is one. moves: of the throttle;
    where it was moved at other times somebody had a hand on it, and the change is told without a verdict.

    A band that is wide besides stays as bad as it is; any other would be that of a stretch of the change."""
    sure = speed.rpm is not None and speed.or_rpm is None and speed.sure(limits.value("said_speed_confidence"))
    if not (found and sure):
        return findings
    most = max(found, key=lambda one: one.percent)
    said = _steadiness(most, bool(moves), limits[_limit_of(engine)])
    return [_with(said, one) if one.code == "steadiness" else one for one in findings]


def _limit_of(engine: Engine) -> str:
    return "drift_percent" if engine.governed else "drift_ungoverned_percent"


def _with(said: Finding, band: Finding) -> Finding:
    if band.verdict not in ("watch", "fault"):
        return said
    return replace(band, text=f"{said.text} {band.text}", next=(*said.next, *band.next))


def _steadiness(drift: Drift, moved: bool, limit: Limit) -> Finding:
    first, last = (f"{round(rpm, -1):z.0f}" for rpm in (drift.from_rpm, drift.to_rpm))
    text = (
        f"{SANK_SLOWLY if drift.sinks else ROSE_SLOWLY} from about {first} to about {last} rpm"
        f" ({drift.percent:z.0f} %), over about {lasted(drift.to_s - drift.from_s)} s."
    )
    at = drift.from_s, drift.to_s
    if moved:
        text += f" {BY_HAND_PERHAPS}"
        return Finding("steadiness", "unknown", text, None, "%", limit.value, limit.cited, *at, UNTOUCHED, DRIFT)
    why, advice = (SINKS, SINKING) if drift.sinks else (RISES, RISING)
    text = f"{text} {UNMOVED} {why} {SOUND_ALONE}"
    return Finding("steadiness", "watch", text, drift.percent, "%", limit.value, limit.cited, *at, advice, DRIFT)
