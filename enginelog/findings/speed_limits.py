"""The highest speeds of a run, held or only reached, and those held for a while: what the verdicts on speed judge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from enginelog.findings.series import AT_ONCE, Series, nanmedian_rows, rows_within
from enginelog.limits import LimitSet

HALF_KNOWN = 0.5  # share of a time that must be known for its middle speed to be read
MOSTLY_KNOWN = 0.8  # and for a speed to be held all through it: what could not be read may have been slower

Rows = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class TopSpeed:
    """The highest speeds of a run, each None where there is none. held_rpm: really held, that is nearly all of one
    second, or half of a longer time (an engine that hunts goes below it at every swing). reached_rpm: for half of one
    second, which may be a short overshoot as well as a top speed that was held no longer; no lower than what is held.
    Both away from recoveries after a load was released; released_rpm: the peak of these, where there are any.
    recovering_s: from the first of these to the end of the last.
    """

    held_rpm: float | None = None
    reached_rpm: float | None = None
    released_rpm: float | None = None
    recovering_s: tuple[float, float] | None = None


@dataclass(frozen=True)
class Recovery:
    """From when to when the speed came back to a new level after a load was released."""

    start_s: float
    end_s: float
    level_rpm: float


def top_speed(parts: list[Series], recoveries: list[Recovery], limits: LimitSet) -> TopSpeed:
    """Highest speeds of runs (`parts`, run-up left out). What the speed did in `recoveries` is told apart, but for one
    in which it stood still: that is no overshoot but a throttle held open for a while."""
    second_s, longer_s = limits.value("top_held_s"), limits.value("top_half_of_s")
    through = partial(_share_below, share=limits.value("top_held_share"))
    recoveries = [each for each in recoveries if not any(_stood_still(part, each, through, limits) for part in parts)]
    bare = [_without(part, recoveries) for part in parts]
    held = [_highest(part, second_s, through, MOSTLY_KNOWN) for part in bare]
    held += [_highest(part, longer_s, nanmedian_rows, HALF_KNOWN) for part in bare]
    reached = _greatest([_highest(part, second_s, nanmedian_rows, HALF_KNOWN) for part in bare])
    if not recoveries:
        return TopSpeed(_greatest(held), reached)
    within = [part.between(each.start_s, each.end_s) for part in parts for each in recoveries]
    released = _greatest([_highest(each, limits.value("top_peak_s"), nanmedian_rows, HALF_KNOWN) for each in within])
    recovering_s = (min(each.start_s for each in recoveries), max(each.end_s for each in recoveries))
    return TopSpeed(_greatest(held), reached, released, recovering_s)


def _stood_still(series: Series, recovery: Recovery, through: Rows, limits: LimitSet) -> bool:
    """Whether the speed stayed for a second nearly as far above the new level as it came."""
    second_s, level_rpm = limits.value("top_held_s"), recovery.level_rpm
    part = series.between(recovery.start_s, recovery.end_s + second_s)
    held, reached = (
        _highest(part, second_s, of_rows, least)
        for of_rows, least in ((through, MOSTLY_KNOWN), (nanmedian_rows, HALF_KNOWN))
    )
    if held is None or reached is None or held <= level_rpm:
        return False
    return held - level_rpm > limits.value("top_still_share") * (reached - level_rpm)


def _without(series: Series, recoveries: list[Recovery]) -> Series:
    """The series with what lies in `recoveries` unknown."""
    rpm = series.rpm.copy()
    for each in recoveries:
        rpm[rows_within(series.t_s, each.start_s, each.end_s)] = np.nan
    return replace(series, rpm=rpm)


def _highest(series: Series, seconds: float, of_rows: Rows, least: float) -> float | None:
    """The largest value of `of_rows` of the windows of so many seconds of which at least this share is known; None
    where there is none."""
    width = max(int(round(seconds / series.step_s)), 3)
    if len(series.rpm) < width:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(series.rpm, width)
    tops: list[float] = []
    for first in range(0, len(frames), AT_ONCE):
        rows = frames[first : first + AT_ONCE]
        enough = rows[np.isfinite(rows).mean(axis=1) >= least]
        if len(enough):
            tops.append(float(np.max(of_rows(enough))))
    return _greatest(tops)


def _share_below(frames: np.ndarray, share: float) -> np.ndarray:
    """Of each row of `frames` (rows, n) the known value that at most `share` of the known ones lie below, and together
    with the unknown ones no more than may be unknown: (rows,)."""
    ordered = np.sort(frames, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    below = np.minimum(share * count, count - MOSTLY_KNOWN * frames.shape[1])
    return ordered[np.arange(len(ordered)), np.maximum(below, 0).astype(int)]


def held_for(series: Series, seconds: float, limits: LimitSet) -> tuple[float, ...]:
    """The lowest and the highest speed that nearly all of so many seconds lie beyond; empty where none is so long."""
    through = partial(_share_below, share=limits.value("top_held_share"))
    high = _highest(series, seconds, through, MOSTLY_KNOWN)
    low = _highest(replace(series, rpm=-series.rpm), seconds, through, MOSTLY_KNOWN)
    return () if high is None or low is None else (-low, high)


def _greatest(speeds: Sequence[float | None]) -> float | None:
    return max((speed for speed in speeds if speed is not None), default=None)
