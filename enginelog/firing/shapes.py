"""What a normal firing looks like in each band, learned from the recording, and how much of it each event shows.

An event's window holds the amplitude of each band from a quarter of the interval before it to three quarters after.
The weights of a template sum to zero over the window, so that talk, noise and the tails of a reverberant place, which
raise the whole window, do not count as strength.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.ranks import quantiles
from enginelog.firing import local

BEFORE = 0.25  # of the window lies before the event
POINTS = 40  # points of a window
REACH = 8  # points that a window may be moved to either side when an event's moment is refined
NEAR = 12  # neighbours on either side that make the local level
UPPER = 0.7  # share of them that stay under it: most of a burst may be lost and every second one


@dataclass(frozen=True)
class Shapes:
    """weights: (slots, bands, POINTS), summing to 0 over the window, scaled so that a mean firing projects to 1;
    level: (slots, bands), strength of each slot's mean firing over the mean of all slots."""

    weights: np.ndarray
    level: np.ndarray


def windows(amplitude: np.ndarray, rate_hz: float, t_s: np.ndarray, width_s: np.ndarray) -> np.ndarray:
    """Windows of the events, shape (bands, events, POINTS + 2 * REACH), over their local level in each band.

    Point REACH + i lies (i / POINTS - BEFORE) * width_s after the event.
    """
    place = (np.arange(-REACH, POINTS + REACH) + 0.5) / POINTS - BEFORE
    # The nearest sample: between two of them the least change of a moment takes the other one. Interpolated, strengths
    # would change by up to 0.3 and the judges, which were fitted on these windows, would have to be fitted again.
    at = np.rint((t_s[:, None] + width_s[:, None] * place) * rate_hz).astype(int)
    cut = amplitude.take(at, axis=1, mode="clip")
    mean = cut[:, :, REACH:-REACH] @ np.full(POINTS, 1.0 / POINTS, cut.dtype)
    level = local.running_rank(mean.T, NEAR, UPPER).T
    return cut / (level[:, :, None] + 1e-12)


def learn(cut: np.ndarray, slot: np.ndarray, slots: int) -> Shapes:
    """Templates from windows `cut` (bands, events, POINTS)."""
    spread = np.subtract(*quantiles(cut, (0.75, 0.25), axis=1)) / 1.35
    trust = 1.0 / np.sqrt(spread**2 + 0.02 * np.mean(spread**2, axis=1, keepdims=True) + 1e-12)
    shared = _centred(cut.mean(axis=1), trust)
    means = [_centred(cut[:, slot == j].mean(axis=1), trust) for j in range(slots)]
    level = np.array([_product(mean, shared, trust) / _product(shared, shared, trust) for mean in means])
    weights = []
    for mean, height in zip(means, level, strict=True):
        use = np.where((height > 0.6)[:, None], mean, shared)
        weights.append(
            use
            * trust
            / _product(use, np.where((height > 0.6)[:, None], mean / height[:, None], shared), trust)[:, None]
        )
    return Shapes(np.array(weights), level)


def _centred(mean: np.ndarray, trust: np.ndarray) -> np.ndarray:
    return mean - np.sum(mean * trust, axis=1, keepdims=True) / np.sum(trust, axis=1, keepdims=True)


def _product(a: np.ndarray, b: np.ndarray, trust: np.ndarray) -> np.ndarray:
    return np.sum(a * b * trust, axis=1) + 1e-9


def project(cut: np.ndarray, slot: np.ndarray, shapes: Shapes) -> np.ndarray:
    """How much of a mean firing each event shows in each band: (events, bands), 1 for the mean of all slots."""
    out = np.empty((cut.shape[1], cut.shape[0]))
    for j, weights in enumerate(shapes.weights):
        out[slot == j] = np.einsum("bkp,bp->kb", cut[:, slot == j], weights)
    return out


def project_moved(cut: np.ndarray, slot: np.ndarray, shapes: Shapes, band_weight: np.ndarray) -> np.ndarray:
    """The strength over all bands with the window moved by -REACH..REACH points: (events, 2 * REACH + 1).

    cut: (bands, events, POINTS + 2 * REACH); band_weight: (bands,), summing to 1.
    """
    moves = 2 * REACH + 1
    out = np.zeros((cut.shape[1], moves))
    for j, weights in enumerate(shapes.weights):
        mine = slot == j
        for band in np.flatnonzero(band_weight > 1e-3):
            shifted = np.zeros((cut.shape[2], moves), cut.dtype)
            for m in range(moves):
                shifted[m : m + POINTS, m] = weights[band] * band_weight[band]
            out[mine] += cut[band, mine] @ shifted
    return out


@dataclass(frozen=True)
class Factor:
    """One strength common to all bands: band_weight (bands,) sums to 1; noise: standard deviation of the weighted
    strength that the bands do not share."""

    band_weight: np.ndarray
    noise: float


def common_factor(strength: np.ndarray, rounds: int = 40) -> Factor:
    """Weigh the bands by what they share (maximum-likelihood factor analysis with one factor).

    strength: (events, bands). Bands that show the same ups and downs count, those with their own noise do not.
    Source: Rubin & Thayer, EM algorithms for ML factor analysis, Psychometrika 47 (1982), with one factor.
    """
    x = np.clip(strength, -1.5, 3.5)
    x = x - np.median(x, axis=0)
    covariance = np.atleast_2d(np.cov(x.T)) if len(x) > 1 else np.eye(x.shape[1])
    total = np.diag(covariance)
    loading = np.full(len(total), np.sqrt(0.3 * np.median(total)) + 1e-6)
    own = 0.7 * total + 1e-4
    for _ in range(rounds):
        ratio = loading / own
        seen = 1.0 / (1.0 + np.sum(loading * ratio))
        pulled = covariance @ (seen * ratio)
        loading = np.maximum(pulled / (seen + seen * ratio @ pulled), 1e-4)
        own = np.maximum(total - loading * pulled, 0.05 * total + 1e-4)
    weight = loading / own
    weight = weight / weight.sum()
    return Factor(weight, float(np.sqrt(np.sum(weight**2 * own))))
