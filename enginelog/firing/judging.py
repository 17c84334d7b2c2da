"""One chunk of events judged: strengths slot by slot, sharpened where misses are plain, whole slots compared."""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    cut: np.ndarray,
    t_s: np.ndarray,
    slot: np.ndarray,
    slots: int,
    centres_hz: np.ndarray,
    limits: LimitSet,
    notes: list | None = None,
) -> Verdicts:
    """Judge windows `cut` (bands, events, points) of events that sound at `t_s` and belong to `slot` (events,).

    notes: where given, the slots' verdicts are appended to it, for whoever looks into the method.
    """
    read = strength.measure(cut, t_s, slot, slots, centres_hz, limits)
    out, probability, noise = read.change.copy(), np.full(len(slot), np.nan), np.full(len(slot), np.nan)
    for j in range(slots):
        mine = np.flatnonzero(slot == j)
        if len(mine) < limits.value("fewest_to_judge"):
            continue
        most = limits.value("most_misses") if slots == 1 else 1.0
        one = _judge_slot(strength.only(read, mine), most, limits)
        out[mine], probability[mine], noise[mine] = one.strength, one.probability, one.judged.mixture.fire_std
        seldom = one.judged.mixture.share < 0.3
        if (seldom or not one.parted) and read.level[j] < limits.value("doubtful_slot"):
            dead = read.level[j] < limits.value("weakest_slot")
            out[mine], probability[mine] = read.level[j] * np.clip(read.change[mine], 0, 2), 0.95 if dead else np.nan
        if notes is not None:
            notes.append(one)
    probability[disturbed(cut, limits)] = np.nan
    if strength.steadiness(read.features, slot, slots) < limits.value("least_steadiness"):
        probability[:] = np.nan
    return Verdicts(out, probability, (read.level / max(read.level.mean(), 1e-9))[slot], noise)


def disturbed(cut: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Events (events,) in a lost stretch of sound, or under a noise far louder than the engine: nothing can be told."""
    level = cut.mean(axis=(0, 2))
    return (level < limits.value("lost_sound")) | (level > limits.value("drowned_sound"))


@dataclass(frozen=True)
class _Slot:
    """judged: the mixture taken; parted: firings and misses are two plain groups; left: what is left of the pulse in
    the lower group, over the upper one (0 gone, 1 the same); strength: over the norm of firings; probability."""

    judged: misses.Judged
    parted: bool
    left: float
    strength: np.ndarray
    probability: np.ndarray


def _judge_slot(read: strength.Read, most: float, limits: LimitSet) -> _Slot:
    """Two plain groups if they are there; else one group, of which single firings may fall short."""
    rare = misses.judge(read.change, limits, np.zeros(len(read.change)))
    tries: list[_Slot] = []
    for start in (misses.judge(read.change, limits), rare, misses.judge(read.pulse, limits)):
        sharp = _sharpen(start, np.hstack([read.features, read.slowing]), limits)
        tries.append(_weigh(sharp, read, most, limits))
        if tries[-1].parted and sharp.mixture.separation > limits.value("plain_separation"):
            return tries[-1]
    parted = [one for one in tries if one.parted]
    if parted:
        return max(parted, key=_explained)
    whole = [rare, misses.judge(read.pulse, limits, np.zeros(len(read.pulse)))]
    one = _one_group(min(whole, key=lambda one: one.mixture.fire_std), read, most, limits)
    if any(_suspicious(one, limits) for one in tries[:2]):
        return replace(one, probability=np.full(len(one.probability), np.nan))
    return one


def _explained(one: _Slot) -> float:
    """How much of the spread of the strengths the two groups explain, over the spread within them."""
    share = one.judged.mixture.share
    return share * (1 - share) * one.judged.mixture.separation**2


def _suspicious(one: _Slot, limits: LimitSet) -> bool:
    """Not plainly two groups, yet the pulse is gone from the lower ones of several: misses cannot be ruled out."""
    several = one.probability.sum() >= 4
    apart = one.judged.mixture.separation >= limits.value("suspicious_separation")
    return bool(several and apart and one.left <= limits.value("strongest_miss"))


def _weigh(judged: misses.Judged, read: strength.Read, most: float, limits: LimitSet) -> _Slot:
    """Whether the two groups are firings and misses: far apart, the pulse gone in the lower one, not absurdly many.

    The more of the pulse is left, the farther apart they must be: uneven burning makes two groups too. Strong and weak
    in turn with part of the pulse left is a beat of one cylinder and no row of misses. Where firings follow so fast
    that their sounds run together, only every second one can be missed as plainly as elsewhere.
    """
    mixture, left = judged.mixture, strength.pulse_left(read.features, judged.probability, read.low)
    wanted = limits.value("least_separation") + limits.value("more_for_rest") * max(
        0.0, left - limits.value("free_rest")
    )
    if read.fast and _in_turn(judged.probability) < 0.6:
        wanted += limits.value("more_for_fast")
    beating = most < 1.0 and mixture.share > 0.35 and left > limits.value("free_rest")
    parted = (
        not beating
        and mixture.separation >= wanted
        and left <= limits.value("most_left")
        and mixture.miss_mean > limits.value("absurd_miss")
        and mixture.share < most
    )
    scaled = left + (1 - left) * (judged.relative - mixture.miss_mean) / (1 - mixture.miss_mean)
    return _Slot(judged, bool(parted), left, scaled, judged.probability)


def _one_group(judged: misses.Judged, read: strength.Read, most: float, limits: LimitSet) -> _Slot:
    """No second group: a firing far below its neighbours is suspect; where the group is wide, nothing can be told.

    If those below still have most of their pulse they burned, only unevenly; between that and a miss it is unknown.
    """
    left, probability = strength.pulse_left(read.features, judged.probability, read.low), judged.probability
    widest = limits.value("widest_spread" if most < 1.0 else "widest_spread_several")
    if judged.mixture.fire_std > widest:
        probability = np.full(len(probability), np.nan)
    elif judged.probability.sum() >= 2 and left > limits.value("strongest_miss"):
        burned = left > limits.value("weakest_burn")
        probability = np.where(probability > 0.2, 0.1 if burned else np.nan, probability)
    return _Slot(judged, False, left, judged.relative, probability)


def _in_turn(probability: np.ndarray) -> float:
    """Share of neighbours of which one is lost and the other is not: near 1 where every second firing fails."""
    lost = probability > 0.5
    changes = np.mean(lost[1:] != lost[:-1]) if len(lost) > 1 else 0.0
    return float(changes / max(2 * min(lost.mean(), 1 - lost.mean()), 1e-9)) if 0.25 < lost.mean() < 0.75 else 0.0


def _sharpen(judged: misses.Judged, x: np.ndarray, limits: LimitSet) -> misses.Judged:
    """The best cut between the two groups, taken as long as it parts them better."""
    for _ in range(2):
        sharp = strength.sharpened(x, judged.probability)
        if sharp is None:
            break
        again = misses.judge(sharp, limits, judged.probability)
        if again.mixture.separation <= judged.mixture.separation:
            break
        judged = again
    return judged
