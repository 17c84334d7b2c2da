"""Block bootstrap of one series whose neighbouring values are not independent.

The stationary bootstrap (Politis & Romano 1994) draws stretches of random length from the series, joined end to end and
running on from its end to its beginning. The mean length of the stretches is chosen from the series itself by the rule
of Politis & White (2004), as corrected by Patton, Politis & White (2009).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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


@dataclass(frozen=True)
class Stretches:
    """Stretches of `draws` resamples laid end to end: where each begins in the series, how long it is, and which of
    them is the first of each resample."""

    starts: np.ndarray
    lengths: np.ndarray
    firsts: np.ndarray


def stretches(n: int, length: float, draws: int, rng: np.random.Generator) -> Stretches:
    """`draws` resamples of a series of n values; the lengths are geometric, with mean `length` but for the last of each
    resample, which ends with it."""
    total = draws * n
    waits = rng.geometric(min(1 / length, 1.0), int(1.1 * total / length) + 50)
    begins = np.zeros(total, bool)
    ends = np.cumsum(waits)
    begins[ends[ends < total]] = True
    begins[::n] = True
    cuts = np.flatnonzero(begins)
    return Stretches(
        rng.integers(0, n, len(cuts)), np.diff(cuts, append=total), np.searchsorted(cuts, n * np.arange(draws))
    )


def resampled_means(values: np.ndarray, length: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Mean of each of `draws` resamples, shape (draws,). values: shape (n,); length: mean length of the stretches.

    A stretch that reaches the end of the series goes on at its beginning. Sums of stretches come from running sums, so
    no resample is ever built.
    """
    found = stretches(len(values), length, draws, rng)
    running = np.concatenate([[0.0], np.cumsum(np.tile(values, 2))])
    sums = running[found.starts + found.lengths] - running[found.starts]
    return np.add.reduceat(sums, found.firsts) / len(values)


def resampled_medians(values: np.ndarray, length: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Median of each of `draws` resamples, shape (draws,), by Woodruff's method (1952): the share of values below the
    median is resampled, and read back as a value from the series' own distribution."""
    below = resampled_means((values <= np.median(values)).astype(float), length, draws, rng)
    middle = float(np.mean(values <= np.median(values)))
    return np.quantile(values, np.clip(0.5 + middle - below, 0.0, 1.0))


def widening(n: int, length: float, level: float = 0.95) -> float:
    """How much wider than the bootstrap's own an interval must be, because few stretches underestimate the spread.

    Student's t with (n / length - 1) degrees of freedom over the normal quantile; at least two degrees are taken.
    """
    from scipy.special import ndtri, stdtrit

    freedom = max(n / max(length, 1.0) - 1, 2.0)
    tail = 0.5 * (1 + level)
    return float(stdtrit(freedom, tail) / ndtri(tail))
