"""Load steps and throttle movements, read from the fitted changes of speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings.series import Series, rows_within
from enginelog.findings.speed_limits import Recovery
from enginelog.findings.steps import Step, jump_statistic
from enginelog.limits import LimitSet
from enginelog.model import LoadRelease, LoadStep, ThrottleMove, Track


@dataclass(frozen=True)
class LoadStudy:
    """moves: every movement of the throttle found; told: those of them that go from one speed to another and whose
    speeds are sure enough to tell."""

    taken: tuple[LoadStep, ...]
    released: tuple[LoadRelease, ...]
    moves: tuple[ThrottleMove, ...]
    told: tuple[ThrottleMove, ...] = ()

    @property
    def loads_at_s(self) -> list[float]:
        """Moments of the loads taken, then of those released."""
        return [step.at_s for step in self.taken] + [release.at_s for release in self.released]


def droop_percent(no_load_rpm: float, full_load_rpm: float) -> float:
    """Droop on the full-load basis: 100 * (n_noload - n_full) / n_full (1854 to 1800 rpm: 3.0 %)."""
    return 100.0 * (no_load_rpm - full_load_rpm) / full_load_rpm


def study_loads(
    series: Series, steps: list[Step], lost_s: np.ndarray | None, track: Track, limits: LimitSet
) -> LoadStudy:
    """Sort the changes of one run into loads taken, loads released and throttle movements.

    lost_s: times of lost firings, None where they could not be counted; a dip that recovers and lies among them is the
    misfire's own and is left out, and so is one that does not stand out of the run's other changes.
    """
    taken: list[LoadStep] = []
    released: list[LoadRelease] = []
    moves: list[ThrottleMove] = []
    jump = np.abs(jump_statistic(series, limits))
    for step in steps:
        if abs(step.change_percent) >= limits.value("load_percent"):
            moves.append(throttle_move(series, step, limits))
        elif _blipped(series, step, limits):
            moves.append(ThrottleMove(step.at_s, step.end_s, step.before_rpm, step.after_rpm, None, 0.0, 0.0))
        elif not _more_than_restless(step, _standing(step, steps, series, jump), lost_s, limits):
            continue
        elif _goes_down(step):
            taken.append(load_taken(step, series, limits))
        else:
            released.append(load_released(step, limits))
    told = tuple(move for move in moves if _goes_far(move, limits) and _sure(move, track, limits))
    return LoadStudy(tuple(taken), tuple(released), tuple(moves), told)


def _blipped(series: Series, step: Step, limits: LimitSet) -> bool:
    """Whether the speed comes back from so far off that the throttle was moved, to and fro: no load let go lifts a
    speed so far, and one that pulls it down so far stalls the engine."""
    rpm = series.between(step.at_s - 0.2, step.at_s + limits.value("blip_within_s")).rpm
    rpm = rpm[np.isfinite(rpm)]
    if not len(rpm):
        return False
    low, high = 100 * (np.percentile(rpm, (5, 95)) / step.before_rpm - 1)
    return bool(high >= limits.value("load_percent") or -low >= limits.value("load_dip_most_percent"))


def recoveries(steps: list[Step], study: LoadStudy, limits: LimitSet) -> list[Recovery]:
    """Those after each load released, where the new level was heard for long enough to be held: it is no part of them.
    An engine that comes back to the speed it had before was not let go by a load: its throttle was opened for a while.
    """
    found = []
    for step in steps:
        std = step.levels_std_percent
        if step.at_s not in [release.at_s for release in study.released] or std is None:
            continue
        lasts_s = min(step.last_outside_s(limits.value("step_recovered_percent")), limits.value("recovery_latest_s"))
        if step.change_percent > 1.96 * std and step.at_s + lasts_s < step.end_s - limits.value("top_held_s"):
            found.append(Recovery(step.at_s, step.at_s + lasts_s, step.after_rpm))
    return found


def _goes_far(move: ThrottleMove, limits: LimitSet) -> bool:
    """Whether it led to another speed, which a blip does not; by the track as well, since beside a blip the levels
    fitted are of the blip."""
    return abs(move.to_rpm / move.from_rpm - 1) >= limits.value("load_percent") / 100


def _sure(move: ThrottleMove, track: Track, limits: LimitSet) -> bool:
    """Whether the frames before the movement and those after it are sure enough of the speed to say it moved so."""
    beside_s, least = limits.value("throttle_beside_s"), limits.value("throttle_sure")
    for from_s, to_s in ((move.at_s - beside_s, move.at_s), (move.end_s, move.end_s + beside_s)):
        rows = rows_within(track.t_s, from_s, to_s)
        near = track.confidence[rows][np.isfinite(track.rpm[rows])]
        if not len(near) or near.mean() < least:
            return False
    return True


def _goes_down(step: Step) -> bool:
    """True where the first large movement is downwards."""
    soon = step.curve_rpm[step.curve_t_s < step.at_s + 3.0] / step.before_rpm - 1
    return bool(-soon.min() > soon.max()) if len(soon) else step.change_percent < 0


def _standing(step: Step, steps: list[Step], series: Series, jump: np.ndarray) -> float:
    """How many times larger the change is than the largest of the run away from all fitted ones."""
    away = np.isfinite(jump)
    for other in steps:
        over_s = max(2.5, other.last_outside_s(1.0) + 0.5)
        away &= (series.t_s < other.at_s - 0.6) | (series.t_s > other.at_s + over_s)
    here = jump[np.isfinite(jump) & (np.abs(series.t_s - step.at_s) < 0.4)]
    if not len(here):
        return 0.0
    return float(here.max() / max(jump[away].max(), 1e-9)) if away.any() else np.inf


def _more_than_restless(step: Step, standing: float, lost_s: np.ndarray | None, limits: LimitSet) -> bool:
    """True where it cannot be one more stumble of a rough run: it stands out, and either far out, or the new speed
    is another one, or the firings were counted and hardly any was lost."""
    if standing < limits.value("load_standing") or _own_dip_of_misfires(step, lost_s, limits):
        return False
    if standing >= limits.value("load_standing_far"):
        return True
    std = step.levels_std_percent
    lasting = std is not None and abs(step.change_percent) > 1.96 * std
    clean = lost_s is not None and len(lost_s) < limits.value("load_few_lost")
    return clean or (lasting and _goes_down(step) == (step.change_percent < 0))


def _own_dip_of_misfires(step: Step, lost_s: np.ndarray | None, limits: LimitSet) -> bool:
    """True where no large lasting change remains and losses crowd round the change, or it is over as fast as
    their dips.
    """
    if lost_s is None:
        return False
    near = np.sum((lost_s > step.at_s - 0.8) & (lost_s < step.at_s + 1.2))
    if near < 3:
        return False
    span = max(step.end_s, lost_s[-1]) - lost_s[0]
    crowded = near > limits.value("load_crowding") * 2.0 * len(lost_s) / max(span, 2.0)
    if step.levels_std_percent is None:  # too short a look at the new level to set against the losses
        return bool(crowded)
    lasting = abs(step.change_percent)
    brief = step.last_outside_s(limits.value("recovery_band_percent")) < limits.value("load_brief_s")
    return bool(lasting < limits.value("load_lasting_percent") and (brief or crowded or lasting < 1.0))


def load_taken(step: Step, series: Series, limits: LimitSet) -> LoadStep:
    """Dip (per cent of the speed before), droop (full-load basis), recovery into the band round the new level."""
    lowest = max(float(step.curve_rpm.min()), _lowest_believable(step, series))
    dip = 100 * (step.before_rpm - lowest) / step.before_rpm
    recovery = _recovery(step, limits)
    within = None if step.levels_std_percent is None else 1.96 * step.levels_std_percent
    if within is None or not (within <= limits.value("droop_doubt_points") and _level_seen(step, series, limits)):
        return LoadStep(step.at_s, dip, None, None)
    droop = droop_percent(step.before_rpm, step.after_rpm)
    if _recovery_between_s(step, limits)[1] > limits.value("recovery_latest_s"):
        within = max(within, limits.value("droop_doubt_points"))  # the level was read while the speed still crept
    if droop <= limits.value("droop_held_percent"):
        return LoadStep(step.at_s, dip, droop, recovery, within)
    # No governor holds this speed: it goes on creeping, into no band, and where it ends is known roughly.
    return LoadStep(step.at_s, dip, droop, None, max(within, limits.value("droop_unheld_doubt") * droop))


def _lowest_believable(step: Step, series: Series) -> float:
    """The fit may undo the track's smoothing, but not more than double the dip seen."""
    soon = series.between(step.at_s - 0.2, step.at_s + 3.0)
    if not soon.known.any():
        return 0.0
    return step.before_rpm - 2.0 * (step.before_rpm - float(np.nanmin(soon.rpm)))


def _recovery(step: Step, limits: LimitSet) -> float | None:
    """None where the speed was not yet within the band when the stretch ended, or creeps into it so slowly that the
    doubt of the levels makes the moment uncertain; nor where it may still have been on its way when the new level is
    read (`step_latest_s`): that is too near to it then, and the time too short."""
    seconds = _within_band_s(step, limits)
    if seconds is None:
        return None
    earliest, latest = _recovery_between_s(step, limits)
    most = max(limits.value("recovery_doubt_s"), limits.value("recovery_doubt_share") * seconds)
    known = 0.5 * (latest - earliest) <= most and latest <= limits.value("recovery_latest_s")
    return seconds if known else None


def _within_band_s(step: Step, limits: LimitSet) -> float | None:
    """When the fitted speed is within the band; None where that is hardly before the stretch ends."""
    seconds = step.last_outside_s(limits.value("recovery_band_percent"))
    return seconds if step.at_s + seconds < step.end_s - 0.3 else None


def _recovery_between_s(step: Step, limits: LimitSet) -> tuple[float, float]:
    """When the band would be reached at the earliest and the latest were the change of level as wrong as it may be
    (95 %)."""
    band, off = limits.value("recovery_band_percent"), 1.96 * (step.levels_std_percent or 0.0)
    return step.last_outside_s(band + off), step.last_outside_s(max(band - off, 0.05))


def _level_seen(step: Step, series: Series, limits: LimitSet) -> bool:
    """True where at least a second of the new level was heard after recovery."""
    recovery = _within_band_s(step, limits)
    if recovery is None:
        return False
    after = series.between(step.at_s + recovery, step.end_s)
    return bool(after.known.sum() * series.step_s >= 1.0)


def load_released(step: Step, limits: LimitSet) -> LoadRelease:
    """Overshoot over the new level (per cent of it), rise over the old one, recovery into the band."""
    top = float(step.curve_rpm.max())
    return LoadRelease(
        step.at_s,
        100 * max(top / step.after_rpm - 1, 0.0),
        100 * max(top / step.before_rpm - 1, 0.0),
        _recovery(step, limits),
    )


def throttle_move(series: Series, step: Step, limits: LimitSet) -> ThrottleMove:
    """How the speed went from one level to the other, from the track itself: so large a change is not drawn by the
    shape fitted to loads."""
    near = series.between(step.at_s - 1.5, step.end_s)
    after_rpm = near.between(0.5 * (step.at_s + step.end_s), step.end_s).mean_rpm
    step = step if np.isnan(after_rpm) else replace(step, after_rpm=after_rpm)
    held_rpm = _held_before(near, step, limits)
    step = step if held_rpm is None else replace(step, before_rpm=held_rpm)
    known = near.known
    travel = (near.rpm[known] - step.before_rpm) / (step.after_rpm - step.before_rpm)
    t_s = near.t_s[known]
    late, early = t_s[travel >= 0.9], t_s[travel <= 0.1]
    early = early[early < late[0]] if len(late) else early
    if len(late) == 0 or len(early) == 0:
        return ThrottleMove(step.at_s, step.end_s, step.before_rpm, step.after_rpm, None, 0.0, 0.0)
    climb = (t_s >= early[-1]) & (t_s <= late[0])
    bog = -100 * float(travel[t_s <= late[0]].min()) * (step.after_rpm / step.before_rpm - 1)
    bog = bog if step.after_rpm > step.before_rpm and held_rpm is not None else 0.0
    pause = _longest_pause(t_s[climb], travel[climb], limits.value("pause_slow_share"))
    return ThrottleMove(
        step.at_s, float(late[0]), step.before_rpm, step.after_rpm, float(late[0] - early[-1]), pause, max(bog, 0.0)
    )


def _held_before(near: Series, step: Step, limits: LimitSet) -> float | None:
    """The speed that the engine was at just before the movement; None where it was at none.

    After a blip the level fitted is of the blip as well, from which an engine at its idle seems to fall when the
    throttle is opened."""
    before = near.between(step.at_s - limits.value("level_before_s"), step.at_s - 0.1).rpm
    before = before[np.isfinite(before)]
    if not len(before):
        return None
    low, middle, high = np.percentile(before, (10, 50, 90))
    return float(middle) if high / low - 1 <= limits.value("level_spread") else None


def _longest_pause(t_s: np.ndarray, travel: np.ndarray, slow: float) -> float:
    """Longest time within 10-90 % of the travel in which the speed gains less than `slow` of its mean rate."""
    if len(t_s) < 5:
        return 0.0
    mean_rate = (travel[-1] - travel[0]) / (t_s[-1] - t_s[0])
    rate = np.gradient(travel, t_s)
    inner = (travel > 0.1) & (travel < 0.85)
    longest, began = 0.0, None
    for at, still in zip(t_s, (rate < slow * mean_rate) & inner, strict=True):
        began = at if still and began is None else (began if still else None)
        longest = max(longest, at - began) if began is not None else longest
    return float(longest)
