"""The share of firings lost from how likely each is to be lost, and its interval."""

from __future__ import annotations

import numpy as np

from enginelog.findings import patterns
from enginelog.limits import LimitSet


def clopper_pearson(lost: float, total: float, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share, by the beta distribution (Clopper & Pearson 1934); whole or effective counts.

    With none lost the upper end is one-sided, 1 - (1 - level)^(1 / total) (the rule of three), the lower end 0; with
    all lost likewise from below. Returns shares 0..1.
    """
    from scipy.special import betaincinv

    if total <= 0:
        return 0.0, 1.0
    if lost <= 0:
        return 0.0, 1 - (1 - level) ** (1 / total)
    if lost >= total:
        return (1 - level) ** (1 / total), 1.0
    tail = (1 - level) / 2
    return float(betaincinv(lost, total - lost + 1, tail)), float(betaincinv(lost + 1, total - lost, 1 - tail))


def design_effect(probability: np.ndarray, most_lags: int = 40) -> float:
    """How many times the variance of a share grows because losses come in bursts; at least 1.

    1 + 2 * sum of the covariances of the miss probabilities over share * (1 - share), summed while they stand above
    what chance gives (1.5 / sqrt(n)). Probabilities rather than yes and no, so that doubtful ones do not hide bursts.
    """
    x = np.array(probability, float)
    n, share = len(x), float(np.mean(x))
    spread = share * (1 - share)
    if n < 20 or spread <= 0 or x.max() <= 0.5:
        return 1.0
    x -= share
    least = 1.5 / np.sqrt(n) * float(np.dot(x, x)) / n
    total = 0.0
    for lag in range(1, min(most_lags, n // 4) + 1):
        covariance = float(np.dot(x[lag:], x[:-lag])) / n
        if covariance < least:
            break
        total += covariance
    return 1 + 2 * total / spread


def confusion(probability: np.ndarray) -> tuple[float, float]:
    """Expected numbers of lost firings taken for fired, and of fired ones taken for lost, by the probabilities."""
    lost = probability > 0.5
    return float(probability[~lost].sum()), float((1 - probability[lost]).sum())


def counted_share(probability: np.ndarray, limits: LimitSet) -> float:
    """Share lost, 0..1: counted one by one where the firings are clear, else the sum of the probabilities.

    Counting at one half misses the doubtful ones of a rare kind; their probabilities still add up to the right number.
    """
    doubtful = 100 * sum(confusion(probability)) / len(probability) > limits.value("misfire_sum_percent")
    return float(probability.mean() if doubtful else np.mean(probability > 0.5))


def share_interval(probability: np.ndarray, limits: LimitSet) -> tuple[float, float, float]:
    """Share lost and its 95 % interval from the probabilities, as shares 0..1.

    Sampling (Clopper-Pearson on the effective number of opportunities) and ambiguity (Poisson-binomial spread, and a
    part of what may be taken for the other) are added in quadrature. Where none counts as lost, doubtful ones that
    crowd do so for the upper end.
    """
    n, share = len(probability), counted_share(probability, limits)
    effect = design_effect(probability)
    low, high = clopper_pearson(share * n / effect, n / effect)
    doubt = 1.96 * np.sqrt(np.sum(probability * (1 - probability)))
    missed, mistaken = (limits.value("misfire_calibration") * part for part in confusion(probability))
    crowd = patterns.crowded(probability, limits) if share == 0 else 0
    spare, high = (0.0, clopper_pearson(crowd, n)[1]) if crowd else (1.0 if share == 0 else 0.0, high)
    more, fewer = max(np.hypot(doubt, missed) - spare, 0.0), np.hypot(doubt, mistaken + missed * (share * n > 0))
    upper = share + np.hypot(high - share, more / n)
    lower = share - np.hypot(share - low, min(fewer / n, share))
    return share, float(max(lower, 0.0)), float(min(upper, 1.0))
