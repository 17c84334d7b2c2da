"""Which firings were lost: a mixture of firings and misses, fitted to the strengths of the recording itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.firing import local
from enginelog.limits import LimitSet

HALF = 8  # neighbours on either side, of the same slot, that make the local norm


@dataclass(frozen=True)
class Mixture:
    """share: of misses; miss_mean, miss_std, fire_std: of strengths over the norm, measurement noise left out."""

    share: float = 0.03
    miss_mean: float = 0.2
    miss_std: float = 0.15
    fire_std: float = 0.15


@dataclass(frozen=True)
class Judged:
    """relative: strength over its norm; norm: what a normal firing would have shown; level: (events,) slow strength of
    the event's slot over that of all; probability: of a miss; mixture: what was fitted."""

    relative: np.ndarray
    norm: np.ndarray
    level: np.ndarray
    probability: np.ndarray
    mixture: Mixture


def judge(
    strength: np.ndarray, noise: np.ndarray, slot: np.ndarray, slots: int, limits: LimitSet, extra: np.ndarray | float = 0.0
) -> Judged:
    """Judge each event's `strength` (any common scale, measurement `noise` on the same scale) by its neighbours.

    extra: log-likelihood ratio (miss over firing) of other evidence, added to that of the strength.
    """
    norm = _first_norm(strength, noise, slot, slots)
    mixture = Mixture()
    miss = np.zeros(len(strength))
    for _ in range(12):
        norm = _norm(strength, 1.0 - miss, slot, slots, norm, limits)
        relative, own = strength / norm, noise / norm
        miss = _probability(relative, own, mixture, extra)
        mixture = _fit(relative, own, miss, limits)
    return Judged(relative, norm, _levels(strength, slot, slots), miss, mixture)


def _first_norm(strength: np.ndarray, noise: np.ndarray, slot: np.ndarray, slots: int) -> np.ndarray:
    """The upper strengths of each slot, less what noise adds to them: right up to about three misses in four."""
    norm = np.empty(len(strength))
    for j in range(slots):
        mine = slot == j
        high = np.percentile(strength[mine], 85) if mine.any() else 1.0
        norm[mine] = high
    spread = np.sqrt(noise**2 + (0.1 * norm) ** 2)
    return np.maximum(norm - spread, 0.3 * norm) + 1e-6


def _norm(
    strength: np.ndarray, fired: np.ndarray, slot: np.ndarray, slots: int, last: np.ndarray, limits: LimitSet
) -> np.ndarray:
    """Local mean of what fired, slot by slot; a slot that is weak as a whole is held to the others."""
    norm = np.empty(len(strength))
    for j in range(slots):
        mine = np.flatnonzero(slot == j)
        fired_mine = fired[mine] + 1e-6
        start = np.sum(last[mine]) / max(len(mine), 1)
        norm[mine] = local.weighted_mean(strength[mine], fired_mine, HALF, 2.0) if fired[mine].sum() > 4 else start
    norm = np.maximum(norm, 1e-3)
    return _hold_weak_slots(norm, slot, slots, limits.value("weakest_slot"))


def _hold_weak_slots(norm: np.ndarray, slot: np.ndarray, slots: int, weakest: float) -> np.ndarray:
    """Where a slot's norm lies under `weakest` times that of the strongest slot, its norm becomes that of the others."""
    if slots == 1:
        return norm
    level = np.array([np.median(norm[slot == j]) if np.any(slot == j) else 0.0 for j in range(slots)])
    weak = level < weakest * level.max()
    if not weak.any():
        return norm
    alive = np.flatnonzero(~weak[slot])
    index = np.arange(len(norm))
    held = np.interp(index, alive, norm[alive])
    return np.where(weak[slot], held, norm)


def _levels(strength: np.ndarray, slot: np.ndarray, slots: int) -> np.ndarray:
    """Local median of the slot's own strength over the mean of such medians of all slots."""
    own = np.empty(len(strength))
    index = np.arange(len(strength))
    every = []
    for j in range(slots):
        mine = np.flatnonzero(slot == j)
        if len(mine) == 0:
            continue
        median = local.running_median(strength[mine], 2 * HALF)
        own[mine] = median
        every.append(np.interp(index, mine, median))
    return np.maximum(own, 0.0) / np.maximum(np.mean(every, axis=0), 1e-3)


def _probability(relative: np.ndarray, noise: np.ndarray, mixture: Mixture, extra: np.ndarray | float) -> np.ndarray:
    fire = _log_normal(relative, 1.0, np.hypot(mixture.fire_std, noise))
    miss = _log_normal(np.maximum(relative, mixture.miss_mean), mixture.miss_mean, np.hypot(mixture.miss_std, noise))
    fire = np.where(relative > 1.0, np.maximum(fire, miss + 5.0), fire)
    odds = np.log(mixture.share / (1 - mixture.share)) + miss - fire + extra
    return 1.0 / (1.0 + np.exp(-np.clip(odds, -40, 40)))


def _log_normal(x: np.ndarray, mean: float, std: np.ndarray) -> np.ndarray:
    return -0.5 * ((x - mean) / std) ** 2 - np.log(std)


def _fit(relative: np.ndarray, noise: np.ndarray, miss: np.ndarray, limits: LimitSet) -> Mixture:
    """Mixture after one step of expectation-maximisation, pulled towards what is known beforehand."""
    known, held = limits.value("prior_events"), limits.value("prior_miss_events")
    fired = 1.0 - miss
    share = (miss.sum() + 0.02 * known) / (len(miss) + known)
    mean = (np.sum(miss * relative) + 0.2 * held) / (miss.sum() + held)
    mean = float(np.clip(mean, 0.0, limits.value("strongest_miss")))
    var_miss = (np.sum(miss * ((relative - mean) ** 2 - noise**2)) + 0.15**2 * held) / (miss.sum() + held)
    var_fire = np.sum(fired * ((relative - 1.0) ** 2 - noise**2)) / max(fired.sum(), 1.0)
    return Mixture(
        float(np.clip(share, 1e-4, 0.98)),
        mean,
        float(np.sqrt(np.clip(var_miss, 0.08**2, 0.25**2))),
        float(np.sqrt(np.clip(var_fire, 0.05**2, 0.3**2))),
    )
