"""Which firings were lost: a mixture of firings and misses, fitted to the strengths of the recording itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.firing import local
from enginelog.limits import LimitSet

HALF = 8  # neighbours on either side, of the same slot, that make the local norm
ROUNDS = 15


@dataclass(frozen=True)
class Mixture:
    """share: of misses; miss_mean, miss_std, fire_std: of strengths over the local norm of firings."""

    share: float
    miss_mean: float
    miss_std: float
    fire_std: float

    @property
    def separation(self) -> float:
        """Distance of firings and misses in standard deviations (of both, pooled by share)."""
        pooled = np.sqrt(self.share * self.miss_std**2 + (1 - self.share) * self.fire_std**2)
        return float((1.0 - self.miss_mean) / pooled)


@dataclass(frozen=True)
class Judged:
    """relative: strength over its norm; norm: what a firing would have shown there; probability: of a miss."""

    relative: np.ndarray
    norm: np.ndarray
    probability: np.ndarray
    mixture: Mixture


def judge(strength: np.ndarray, limits: LimitSet, start: np.ndarray | None = None) -> Judged:
    """Judge each event of one slot by its neighbours.

    strength: (events,), about 1 for firings and 0 where nothing fired. start: first guess of the probabilities.
    """
    miss = _first_guess(strength) if start is None else start
    norm = _norm(strength, miss)
    mixture = _fit(strength / norm, miss, None, limits)
    for _ in range(ROUNDS):
        relative = strength / norm
        miss = _probability(relative, mixture)
        norm = _norm(strength, miss)
        mixture = _fit(strength / norm, miss, mixture, limits)
    return Judged(strength / norm, norm, miss, mixture)


def _first_guess(strength: np.ndarray) -> np.ndarray:
    """Two groups, cut at the valley that leaves the least spread within (Otsu's criterion), softly."""
    order = np.sort(strength)
    n = np.arange(1, len(order))
    total = np.cumsum(order)[:-1]
    between = (total / n - (order.sum() - total) / (len(order) - n)) ** 2 * n * (len(order) - n)
    best = int(np.argmax(between))
    low, high = order[: best + 1].mean(), order[best + 1 :].mean()
    return 1.0 / (1.0 + np.exp(np.clip((strength - 0.5 * (low + high)) / (0.1 * (high - low) + 1e-9), -40, 40)))


def _norm(strength: np.ndarray, miss: np.ndarray) -> np.ndarray:
    """Mean strength of the neighbours that fired."""
    return np.maximum(local.weighted_mean(strength, 1.0 - miss, HALF, 4.0), 0.05)


def _probability(relative: np.ndarray, mixture: Mixture) -> np.ndarray:
    """Stronger than a firing is a firing and weaker than a miss is a miss, however unusual."""
    fire = _log_normal(np.minimum(relative, 1.0), 1.0, mixture.fire_std)
    miss = _log_normal(np.maximum(relative, mixture.miss_mean), mixture.miss_mean, mixture.miss_std)
    odds = np.log(mixture.share / (1 - mixture.share)) + miss - fire
    return 1.0 / (1.0 + np.exp(-np.clip(odds, -40, 40)))


def _log_normal(x: np.ndarray, mean: float, std: float) -> np.ndarray:
    return -0.5 * ((x - mean) / std) ** 2 - np.log(std)


def _fit(relative: np.ndarray, miss: np.ndarray, last: Mixture | None, limits: LimitSet) -> Mixture:
    """One step of expectation-maximisation, pulled towards what is known beforehand."""
    known, held = limits.value("prior_events"), limits.value("prior_miss_events")
    fired, lost, count = 1.0 - miss, miss.sum(), len(miss)
    fire_std = np.sqrt(np.sum(fired * (relative - 1.0) ** 2) / max(fired.sum(), 1.0))
    mean = (np.sum(miss * relative) + limits.value("usual_miss") * held) / (lost + held)
    mean = float(min(mean, limits.value("strongest_miss")))
    spread = (np.sum(miss * (relative - mean) ** 2) + max(0.15, fire_std) ** 2 * held) / (lost + held)
    return Mixture(
        float(np.clip((lost + limits.value("usual_share") * known) / (count + known), 1e-4, 0.98)),
        mean,
        float(np.clip(np.sqrt(spread), 0.08, 0.6)),
        float(np.clip(fire_std, 0.05, 0.8)),
    )
