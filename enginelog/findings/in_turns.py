"""A part of a two-stroke's run in which strong and empty turns alternate, and the rest in which each one fires.

So sounds one that fires on every second turn while it runs light, and so does one that was read at double its speed
there: where the throttle was moved, half of what was read may be as near to its other speed as the true one is. Neither
the speed of that part nor which firings were lost in it is known then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.limits import LimitSet
from enginelog.model import Engine, Firings, Speed, Track

FIRES_EVERY_SECOND = 2  # in `Track.settled`: known by slips of the order, which one read at double never shows


@dataclass(frozen=True)
class Parts:
    """From when to when turns alternate, seconds: several of them."""

    spans_s: tuple[tuple[float, float], ...]

    @property
    def why(self) -> str:
        """What makes the speed doubtful."""
        seconds = sum(last - first for first, last in self.spans_s)
        return f"for {seconds:z.0f} s every second firing is weak or missing, and there it perhaps turned half as fast"

    def meets(self, start_s: float, end_s: float) -> bool:
        """Whether one of them lies at least partly within these moments."""
        return any(first < end_s and last > start_s for first, last in self.spans_s)


def parts_in_turns(engine: Engine, firings: Firings, track: Track, limits: LimitSet) -> Parts | None:
    """The parts of a run in which the firings of a single two-stroke take turns; None where they do nowhere or all
    along, which the tracking of the speed has weighed by itself, or where it is known to fire on every second one."""
    many = round(limits.value("in_turns_firings"))
    count = len(firings.t_s) // many
    if engine.strokes != 2 or engine.cylinders != 1 or count < 3:
        return None
    if track.settled is not None and np.mean(track.settled == FIRES_EVERY_SECOND) > 0.5:
        return None
    windows = firings.strength[: count * many].reshape(count, many)
    off = windows - np.median(windows, axis=1, keepdims=True)
    power = np.mean(off**2, axis=1) + 1e-12
    next_one, next_but_one = (np.mean(off[:, lag:] * off[:, :-lag], axis=1) / power for lag in (1, 2))
    least = limits.value("in_turns_correlation")
    turns = (next_one < -least) & (next_but_one > least)
    each = next_one > -0.5 * least
    if min(turns.sum(), each.sum()) < limits.value("in_turns_least"):
        return None
    starts = firings.t_s[: count * many : many]
    ends = np.append(starts[1:], firings.t_s[count * many - 1])
    first, past = rows_of_true(turns)
    return Parts(tuple((float(starts[a]), float(ends[b - 1])) for a, b in zip(first, past, strict=True)))


def doubted_in_turns(speed: Speed, parts: Parts | None, limits: LimitSet) -> Speed:
    """`speed` no surer than "perhaps" where a part of the run may be read at double, and each speed held then."""
    if parts is None or speed.rpm is None or speed.or_rpm is not None:
        return speed
    return speed.no_surer(limits.value("twice_confidence"), lambda one: parts.meets(one.start_s, one.end_s))
