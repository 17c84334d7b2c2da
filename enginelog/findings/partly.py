"""Hunting in a part of the run only: begun midway, ended, or faded.

A swing that goes on for less than half of the run stands out of the rest as a row of sudden changes, between which
nothing is left to search; one that begins midway is found, but at the half of its size that it has over the whole. So
parts of the run that overlap by half are searched as well, between changes of load or throttle, which have another
level before than after. Those in which the same swing is found are taken together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np

from enginelog.dsp.spread import SINE_SWING
from enginelog.findings.hunting import FOUND, HuntingStudy, Swing, study_hunting
from enginelog.findings.series import Series
from enginelog.limits import LimitSet

HARDLY_LONGER = 1.2  # times the length of a part
MOSTLY = 0.9  # of the run
SAME_RATE = 0.15  # share of a rate by which those of parts side by side may differ
Fine = Callable[[list[Series]], list[Series]]


def with_parts(whole: HuntingStudy, levels: list[Series], fine: Fine, limits: LimitSet) -> HuntingStudy:
    """The answer over the run, or that over a part of it which hunts, and by more than the whole does.

    levels: the stretches between changes of load or throttle; fine: the same of stretches, from the firings' moments
    (empty where these are not clear).
    """
    if whole.hunts is not None and _throughout(whole.hunts, sum(level.seconds for level in levels)):
        return whole
    long_s = max(limits.value("hunting_part_s"), sum(level.seconds for level in levels) / limits.value("hunting_parts"))
    parts = [_parts(level, long_s) for level in levels]
    tries = sum(len(some) for some in parts)
    swings = [
        swing for level, some in zip(levels, parts, strict=True) for swing in _swings(level, some, tries, fine, limits)
    ]
    most = max(swings, key=lambda swing: swing.swing_percent, default=None)
    if most is None:
        return whole
    if whole.hunts is not None and most.swing_percent < limits.value("hunting_part_larger") * whole.hunts.swing_percent:
        return whole
    return HuntingStudy(True, most, FOUND)


def _throughout(swing: Swing, seconds: float) -> bool:
    """Whether a swing goes on for all of the run's seconds, growing or fading as it may."""
    return swing.time_share > MOSTLY and swing.end_s - swing.start_s > MOSTLY * seconds


def _parts(level: Series, long_s: float) -> list[Series]:
    """Parts of a stretch, each half of its length after the one before; none where it is hardly longer than one."""
    if level.seconds < HARDLY_LONGER * long_s:
        return []
    first_s, last_s = float(level.t_s[0]), float(level.t_s[-1])
    starts_s = np.append(np.arange(first_s, last_s - long_s, long_s / 2), last_s - long_s)
    return [level.between(start_s, start_s + long_s + level.step_s) for start_s in starts_s]


def _swings(level: Series, parts: list[Series], tries: int, fine: Fine, limits: LimitSet) -> Iterator[Swing]:
    """The swings found in the parts of a stretch; where the same one is found in parts side by side, that over all of
    these but such as it fills to a share only, which have less of it."""
    found = []
    for part in parts:
        if _restless(part, limits):
            swing = study_hunting([part], fine([part]), limits, tries).hunts
            if swing is not None and _sure(swing, limits):
                found.append(swing)
    for group in _side_by_side(found):
        strongest = max(group, key=lambda one: one.swing_percent)
        whole = [
            one for one in group if one.swing_percent * limits.value("hunting_part_larger") > strongest.swing_percent
        ]
        together = level.between(whole[0].start_s, whole[-1].end_s + level.step_s)
        swing = study_hunting([together], fine([together]), limits, tries).hunts if len(whole) > 1 else None
        yield swing or strongest


def _sure(swing: Swing, limits: LimitSet) -> bool:
    """Whether a swing of a part is told: a governor's wobble near the dead band is regular for a while by chance."""
    return swing.share >= limits.value("hunting_share") and swing.swing_percent >= _least_percent(limits)


def _least_percent(limits: LimitSet) -> float:
    return limits.value("hunting_part_larger") * limits.value("hunting_dead_band_percent")


def _side_by_side(swings: list[Swing]) -> list[list[Swing]]:
    """The swings, in order of time, in groups of neighbours that overlap and have one rate."""
    groups = [[swing] for swing in swings[:1]]
    for before, swing in pairwise(swings):
        same = abs(np.log(swing.rate_hz / before.rate_hz)) < SAME_RATE and swing.start_s < before.end_s
        if same:
            groups[-1].append(swing)
        else:
            groups.append([swing])
    return groups


def _restless(part: Series, limits: LimitSet) -> bool:
    """Whether a part moves enough to hold a swing that counts, of which the track may have taken some."""
    known = part.known
    if known.sum() < 20:
        return False
    line = np.polyfit(part.t_s[known], part.rpm[known], 1)
    rest = part.rpm[known] - np.polyval(line, part.t_s[known])
    swing_percent = SINE_SWING * 100 * float(np.std(rest)) / part.mean_rpm
    return swing_percent > _least_percent(limits) * limits.value("hunting_track_gain")
