"""Block bootstrap of one series whose neighbouring values are not independent.

The stationary bootstrap (Politis & Romano 1994) draws stretches of random length from the series, joined end to end and
running on from its end to its beginning. The mean length of the stretches is chosen from the series itself by the rule
of Politis & White (2004), as corrected by Patton, Politis & White (2009).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Statistic = Callable[[np.ndarray], np.ndarray]
CELLS_AT_ONCE = 2_000_000


def block_length(values: np.ndarray) -> float:
    """Mean length of the stretches for the stationary bootstrap of a mean, at least 1.

    values: shape (n,), finite. (2 G^2 / D)^(1/3) n^(1/3) with G, D from the autocovariances up to a lag past which
    they stand within 2 sqrt(log10(n) / n) of nothing (Patton, Politis & White 2009, eqs 5-9); at most 3 sqrt(n) and a
    third of the series.
    """
    x = np.asarray(values, float) - np.mean(values)
    n = len(x)
    if n < 8 or not np.any(np.abs(x) > 1e-12):
        return 1.0
    longest = int(np.ceil(np.sqrt(n)))
    run = max(5, int(np.log10(n)))
    most = min(longest + run, n - 1)
    covariance = np.array([np.dot(x[lag:], x[: n - lag]) for lag in range(most + 1)]) / n
    quiet = np.abs(covariance[1:] / covariance[0]) < 2 * np.sqrt(np.log10(n) / n)
    lags = min(2 * max(_last_before(quiet, run), 1), most)
    shares = np.arange(-lags, lags + 1) / lags
    taper = np.clip(2 * (1 - np.abs(shares)), 0.0, 1.0)
    weighted = taper * covariance[np.abs(np.arange(-lags, lags + 1))]
    spread = float(np.sum(weighted))
    slope = float(np.sum(weighted * np.abs(np.arange(-lags, lags + 1))))
    if spread <= 0:
        return 1.0
    length = (slope**2 / spread**2) ** (1 / 3) * n ** (1 / 3)
    return float(np.clip(length, 1.0, min(np.ceil(3 * np.sqrt(n)), n / 3)))


def _last_before(quiet: np.ndarray, run: int) -> int:
    """The lag after which `run` lags in a row are quiet; the last lag that is not, where no such run exists."""
    for lag in range(len(quiet) - run + 1):
        if quiet[lag : lag + run].all():
            return lag
    loud = np.flatnonzero(~quiet)
    return int(loud[-1]) + 1 if len(loud) else 1


def stationary_places(n: int, length: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Places of `draws` resamples, shape (draws, n): each goes on to the next place, or begins anew with 1 / length."""
    fresh = rng.random((draws, n)) < 1 / max(length, 1.0)
    fresh[:, 0] = True
    begun = np.where(fresh, np.arange(n), 0)
    begun = np.maximum.accumulate(begun, axis=1)
    start = rng.integers(0, n, (draws, n))
    return (np.take_along_axis(start, begun, axis=1) + np.arange(n) - begun) % n


def resample(
    values: np.ndarray, statistic: Statistic, length: float, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """`statistic` of each of `draws` resamples, shape (draws,).

    values: shape (n,). statistic: takes shape (m, n), gives shape (m,). length: mean length of the stretches.
    """
    n = len(values)
    each = max(1, min(draws, CELLS_AT_ONCE // max(n, 1)))
    parts = []
    for first in range(0, draws, each):
        places = stationary_places(n, length, min(each, draws - first), rng)
        parts.append(statistic(values[places]))
    return np.concatenate(parts)


def widening(n: int, length: float, level: float = 0.95) -> float:
    """How much wider than the bootstrap's own an interval must be, because few stretches underestimate the spread.

    Student's t with (n / length - 1) degrees of freedom over the normal quantile; at least two degrees are taken.
    """
    from scipy.special import ndtri, stdtrit

    freedom = max(n / max(length, 1.0) - 1, 2.0)
    tail = 0.5 * (1 + level)
    return float(stdtrit(freedom, tail) / ndtri(tail))
