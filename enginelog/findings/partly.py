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
from enginelog.findings.hunting import FOUND, HuntingStudy, study_hunting, study_slow
from enginelog.findings.series import Series
from enginelog.findings.swings import MOSTLY, Swing
from enginelog.limits import LimitSet

HARDLY_LONGER = 1.2  # times the length of a part
FOR_A_WHILE = "for a while the speed went up and down far more than otherwise, too briefly to tell a swing from chance"
PARTS_S = ("hunting_part_s", "hunting_slow_part_s", "hunting_slowest_part_s")
SAME_RATE = 0.15  # share of a rate by which those of parts side by side may differ
Fine = Callable[[list[Series]], list[Series]]


def with_parts(whole: HuntingStudy, levels: list[Series], fine: Fine, limits: LimitSet) -> HuntingStudy:
    """The answer over the run, or that over a part of it which hunts, and by more than the whole does. "None" is said
    only where no part moves far more than the rest.

    levels: the stretches between changes of load or throttle; fine: the same of stretches, from the firings' moments
    (empty where these are not clear).
    """
    if whole.hunts is not None and _throughout(whole.hunts, sum(level.seconds for level in levels)):
        return whole
    uneven = [_moves_for_a_while(level, limits) for level in levels]
    swings = list(_found(levels, uneven, fine, limits))
    most = max((swing.swing_percent for swing in swings), default=0.0)
    if not swings or (whole.hunts and most < _least_larger(whole.hunts, limits) * whole.hunts.swing_percent):
        return HuntingStudy(None, whole.swing, FOR_A_WHILE) if whole.found is False and any(uneven) else whole
    as_large = [swing for swing in swings if swing.swing_percent * limits.value("hunting_part_larger") > most]
    return HuntingStudy(True, max(_filled(as_large), key=lambda swing: swing.end_s - swing.start_s), FOUND)


def _filled(swings: list[Swing]) -> list[Swing]:
    """Of several swings those that go on for all of their part, if there are any."""
    return [swing for swing in swings if swing.time_share > MOSTLY] or swings


def _least_larger(whole: Swing, limits: LimitSet) -> float:
    """By how many times a part must swing more to be told in place of the whole. Where that swings for some of its time
    only, a part tells when, and its size better."""
    larger = limits.value("hunting_part_larger")
    return 1 / larger if whole.time_share < MOSTLY else larger


def _throughout(swing: Swing, seconds: float) -> bool:
    """Whether a swing goes on for all of the run's seconds, growing or fading as it may."""
    return swing.time_share > MOSTLY and swing.end_s - swing.start_s > MOSTLY * seconds


def _found(levels: list[Series], uneven: list[bool], fine: Fine, limits: LimitSet) -> Iterator[Swing]:
    """The swings found in parts of the stretches: quick ones in short parts, slow ones in longer ones, where the part
    that moves most stands out of the rest (uneven)."""
    shortest_s = limits.value("hunting_part_s")
    scale = max(1.0, sum(level.seconds for level in levels) / limits.value("hunting_parts") / shortest_s)
    longs_s = [scale * limits.value(name) for name in PARTS_S]
    parts = {
        (k, long_s): _parts(level, long_s, 0.5 if long_s == longs_s[0] else 0.25)
        for k, level in enumerate(levels)
        for long_s in (longs_s if uneven[k] else longs_s[:1])
    }
    tries = sum(len(some) for some in parts.values())
    for (k, long_s), some in parts.items():
        shorter_s = max((one for one in longs_s if one < long_s), default=None)

        def study(part: Series, shorter_s: float | None = shorter_s) -> HuntingStudy:
            if shorter_s is None:
                return study_hunting([part], fine([part]), limits, tries)
            return study_slow(part, limits.value("hunting_cycles_cut") / shorter_s, limits, tries)

        yield from _swings(levels[k], some, study, limits)


def _parts(level: Series, long_s: float, apart: float) -> list[Series]:
    """Parts of a stretch, each by a share of its length after the one before; none where it is hardly longer than
    one."""
    if level.seconds < HARDLY_LONGER * long_s:
        return []
    first_s, last_s = float(level.t_s[0]), float(level.t_s[-1])
    starts_s = np.append(np.arange(first_s, last_s - long_s, long_s * apart), last_s - long_s)
    return [level.between(start_s, start_s + long_s + level.step_s) for start_s in starts_s]


def _swings(
    level: Series, parts: list[Series], study: Callable[[Series], HuntingStudy], limits: LimitSet
) -> Iterator[Swing]:
    """The swings found in the parts of a stretch; where the same one is found in parts side by side, that over all of
    these but such as it fills to a share only, which have less of it."""
    found = []
    for part in parts:
        if _restless(part, limits):
            swing = study(part).hunts
            if swing is not None and _sure(swing, limits):
                found.append(swing)
    for group in _side_by_side(found):
        filled = _filled(group)
        strongest = max(filled, key=lambda one: one.swing_percent)
        whole = [
            one for one in filled if one.swing_percent * limits.value("hunting_part_larger") > strongest.swing_percent
        ]
        together = level.between(whole[0].start_s, whole[-1].end_s + level.step_s)
        swing = study(together).hunts if len(whole) > 1 else None
        yield swing or strongest


def _sure(swing: Swing, limits: LimitSet) -> bool:
    """Whether a swing of a part is told: a governor's wobble near the dead band is regular for a while by chance."""
    return swing.share >= limits.value("hunting_share") and swing.overall_percent >= _least_percent(limits)


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
    return _movement(part)[0] > _least_percent(limits) * limits.value("hunting_track_gain")


def _movement(part: Series) -> tuple[float, float]:
    """How far a sine goes, per cent of speed, that moves as much as a part does about a straight line, and how far up
    over how far down it goes from its middle; both 0 where too little is known."""
    known = part.known
    if known.sum() < 20:
        return 0.0, 0.0
    line = np.polyfit(part.t_s[known], part.rpm[known], 1)
    rest = part.rpm[known] - np.polyval(line, part.t_s[known])
    low, middle, high = np.percentile(rest, (5, 50, 95))
    upward = float((high - middle) / max(middle - low, 1e-9))
    return SINE_SWING * 100 * float(np.std(rest)) / part.mean_rpm, upward


def _moves_for_a_while(level: Series, limits: LimitSet) -> bool:
    """Whether a stretch moves for a while far more than at other times, and up as well as down.

    Such may be one or two slow swings that nobody can tell from chance. What wanders at random moves about as much at
    one time as at another; what loses firings for a while only falls.
    """
    long_s = limits.value("hunting_part_s")
    if level.seconds > limits.value("hunting_parts") * long_s:
        long_s = level.seconds / limits.value("hunting_parts")
    most, upward = max((_movement(part) for part in _parts(level, long_s, 0.5)), default=(0.0, 0.0))
    if most < _least_percent(limits) or upward < limits.value("hunting_upward"):
        return False
    calm = [_movement(part)[0] for part in _parts(level, long_s / 2, 0.5)]
    least = min((one for one in calm if one > 0), default=most)
    return most > limits.value("hunting_uneven") * least
