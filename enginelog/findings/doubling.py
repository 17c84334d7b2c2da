"""Changes to just twice or half the speed that nobody heard happen: there one of the two is perhaps misread.

An engine whose every second firing is weak, or of which more cylinders or fewer strokes were told than it has, sounds
nearly alike at half its speed, and may be read so for a part of the run. A throttle is moved to just twice the speed by
chance alone, and its change takes a time in which the speeds between are read, on closing it most of all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from enginelog.findings.gather import Evidence
from enginelog.findings.series import rows_within
from enginelog.limits import LimitSet
from enginelog.model import HeldSpeed, Speed, ThrottleMove, Track

BESIDE_S = 0.6  # before and after the change, where its course is looked for, too
OFF = 0.1  # between two speeds is what is off both by this share of them
ALIKE = 0.03  # two speeds no farther apart are one, as they are held at two times


@dataclass(frozen=True)
class Change:
    """From one speed to another, within this time."""

    from_s: float
    to_s: float
    from_rpm: float
    to_rpm: float

    @property
    def levels(self) -> tuple[float, float]:
        """The lower speed and the higher."""
        return min(self.from_rpm, self.to_rpm), max(self.from_rpm, self.to_rpm)

    @property
    def why(self) -> str:
        """What makes it doubtful."""
        first, second = (f"{round(rpm, -1):z.0f} rpm" for rpm in (self.from_rpm, self.to_rpm))
        just = "twice" if self.to_rpm > self.from_rpm else "half of"
        return (
            f"{second} is just {just} the {first} before it, and the change itself was hardly heard: one of the two is"
            " perhaps not read rightly"
        )


def doubted(
    held: tuple[HeldSpeed, ...], moves: tuple[ThrottleMove, ...], track: Track, limits: LimitSet
) -> tuple[Change, ...]:
    """The changes to just twice or half the speed whose course was not read; none between speeds that another change
    was heard to go between. held, moves: speeds held by a run in order of time, and the movements of its throttle."""
    changes = [Change(one.end_s, other.start_s, one.rpm, other.rpm) for one, other in pairwise(held)]
    changes += [Change(move.at_s, move.end_s, move.from_rpm, move.to_rpm) for move in moves]
    changes = [one for one in changes if _just_twice(one, limits)]
    seen = [one for one in changes if _course_s(one, track) >= limits.value("twice_course_s")]
    return tuple(one for one in changes if not any(_same(one, other) for other in seen))


def doubted_speed(speed: Speed, changes: tuple[Change, ...], limits: LimitSet) -> Speed:
    """`speed`, of a run at no one speed, no surer than `twice_confidence` where one of these changes makes it doubtful,
    and each speed held that one goes from or to."""
    if not changes or not speed.changed:
        return speed
    ends = [rpm for change in changes for rpm in change.levels]
    return speed.no_surer(limits.value("twice_confidence"), lambda one: any(_alike(one.rpm, rpm) for rpm in ends))


def without_moves(evidence: Evidence, changes: tuple[Change, ...]) -> Evidence:
    """The evidence without the movements of the throttle that are such a change."""
    told = tuple(move for move in evidence.loads.told if not any(_between(move, change) for change in changes))
    return replace(evidence, loads=replace(evidence.loads, told=told))


def _between(move: ThrottleMove, change: Change) -> bool:
    """Whether a movement goes between the two speeds of a change."""
    return _same(Change(move.at_s, move.end_s, move.from_rpm, move.to_rpm), change)


def _just_twice(change: Change, limits: LimitSet) -> bool:
    low, high = change.levels
    return abs(high / low / 2 - 1) <= limits.value("twice_within_percent") / 100


def _course_s(change: Change, track: Track) -> float:
    """For how long speeds between the two were read about the time of the change."""
    low, high = change.levels
    rpm = track.rpm[rows_within(track.t_s, change.from_s - BESIDE_S, change.to_s + BESIDE_S)]
    step_s = float(np.median(np.diff(track.t_s))) if len(track.t_s) > 1 else 0.0
    return step_s * int(np.sum((rpm > low * (1 + OFF)) & (rpm < high * (1 - OFF))))


def _same(one: Change, other: Change) -> bool:
    return all(_alike(*pair) for pair in zip(one.levels, other.levels, strict=True))


def _alike(one_rpm: float, other_rpm: float) -> bool:
    return abs(one_rpm / other_rpm - 1) <= ALIKE
