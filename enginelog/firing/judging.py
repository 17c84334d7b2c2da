"""One chunk of events judged: strengths slot by slot, sharpened where misses are plain, whole slots compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.firing import misses, strength
from enginelog.limits import LimitSet


@dataclass(frozen=True)
class Verdicts:
    """strength: over the norm of firings; miss_probability: NaN where it cannot be told; level: (events,) of the slot's
    mean over the mean of all slots; noise: spread of the strength of firings. All of shape (events,)."""

    strength: np.ndarray
    miss_probability: np.ndarray
    level: np.ndarray
    noise: np.ndarray


def judge_chunk(
    cut: np.ndarray, slot: np.ndarray, slots: int, centres_hz: np.ndarray, limits: LimitSet, notes: list | None = None
) -> Verdicts:
    """Judge windows `cut` (bands, events, points) of events that belong to `slot` (events,)."""
    first, level, x = strength.measure(cut, slot, slots, centres_hz, limits)
    low = np.repeat(centres_hz < limits.value("combustion_top_hz"), strength.BINS)
    out, probability, noise = first.copy(), np.full(len(first), np.nan), np.full(len(first), np.nan)
    for j in range(slots):
        mine = np.flatnonzero(slot == j)
        if len(mine) < limits.value("fewest_to_judge"):
            continue
        one = _judge_slot(first[mine], x[mine], low, limits)
        if notes is not None:
            m = one.judged.mixture
            notes.append(
                f"{'A' if one.parted else '-'} s{m.separation:.1f} r{one.left:.2f} m{m.miss_mean:.2f} f{m.fire_std:.2f} p{m.share:.2f} L{level[j]:.2f}"
            )
        out[mine], probability[mine], noise[mine] = one.strength, _told(one, limits), one.judged.mixture.fire_std
        if not one.parted and level[j] < limits.value("doubtful_slot"):
            dead = level[j] < limits.value("weakest_slot")
            out[mine], probability[mine] = level[j] * np.clip(first[mine], 0, 2), 0.95 if dead else np.nan
    return Verdicts(out, probability, (level / level.mean())[slot], noise)


@dataclass(frozen=True)
class _Slot:
    """judged: the mixture taken; parted: firings and misses are two plain groups; left: what is left of the pulse in
    the lower group, over the upper one (0 gone, 1 the same); strength: over the norm of firings."""

    judged: misses.Judged
    parted: bool
    left: float
    strength: np.ndarray


def _judge_slot(first: np.ndarray, x: np.ndarray, low: np.ndarray, limits: LimitSet) -> _Slot:
    """Two plain groups if they are there; else one group, of which single firings may fall short."""
    rare = misses.judge(first, limits, np.zeros(len(first)))
    tries = [_sharpen(misses.judge(first, limits), x, limits), _sharpen(rare, x, limits)]
    slots = [_weigh(one, x, low, limits) for one in tries]
    parted = [one for one in slots if one.parted]
    if parted:
        return max(parted, key=lambda one: one.judged.mixture.separation)
    return _Slot(rare, False, slots[1].left, rare.relative)


def _weigh(judged: misses.Judged, x: np.ndarray, low: np.ndarray, limits: LimitSet) -> _Slot:
    left = strength.pulse_left(x, judged.probability, low)
    apart = judged.mixture.separation >= limits.value("least_separation")
    parted = bool(apart and left <= limits.value("strongest_miss"))
    scaled = left + (1 - left) * (judged.relative - judged.mixture.miss_mean) / (1 - judged.mixture.miss_mean)
    return _Slot(judged, parted, left, scaled)


def _sharpen(judged: misses.Judged, x: np.ndarray, limits: LimitSet) -> misses.Judged:
    """The best cut between the two groups, taken as long as it parts them better."""
    for _ in range(3):
        sharp = strength.sharpened(x, judged.probability)
        if sharp is None:
            break
        again = misses.judge(sharp, limits, judged.probability)
        if again.mixture.separation <= judged.mixture.separation:
            break
        judged = again
    return judged


def _told(one: _Slot, limits: LimitSet) -> np.ndarray:
    """Probabilities; NaN where the strengths spread so widely that a miss would not stand out."""
    told = one.parted or one.judged.mixture.fire_std <= limits.value("widest_spread")
    return one.judged.probability if told else np.full(len(one.strength), np.nan)
