"""Thinning: a run of hours is drawn by as many numbers as one of a minute."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Envelope:
    """Smallest, mean and largest value of each bin of x; NaN where a bin holds none. Arrays of equal length."""

    x: np.ndarray
    low: np.ndarray
    mean: np.ndarray
    high: np.ndarray
    count: np.ndarray


def envelope(x: np.ndarray, y: np.ndarray, bins: int) -> Envelope:
    """Cut x (ascending) into `bins` equal stretches and give the range of the finite y in each."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    edges = np.linspace(x[0], x[-1], bins + 1) if len(x) else np.zeros(bins + 1)
    low, mean, high = (np.full(bins, np.nan) for _ in range(3))
    count = np.zeros(bins, int)
    known = np.isfinite(y)
    if known.any():
        place = np.clip(np.searchsorted(edges, x[known], side="right") - 1, 0, bins - 1)
        values = y[known]
        first = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
        used = place[first]
        count[used] = np.diff(np.r_[first, len(values)])
        low[used] = np.minimum.reduceat(values, first)
        high[used] = np.maximum.reduceat(values, first)
        mean[used] = np.add.reduceat(values, first) / count[used]
    return Envelope((edges[:-1] + edges[1:]) / 2, low, mean, high, count)


def stretches(mask: np.ndarray) -> list[tuple[int, int]]:
    """Runs of True in a mask as (first, one past last)."""
    padded = np.r_[False, np.asarray(mask, bool), False].astype(int)
    change = np.diff(padded)
    return list(zip(np.flatnonzero(change == 1).tolist(), np.flatnonzero(change == -1).tolist(), strict=True))


def rolling_spread(values: np.ndarray, width: int, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Standard deviation over windows of `width` values, at most `most` windows: (index of the middle, deviation)."""
    values = np.asarray(values, float)
    starts = np.unique(np.linspace(0, max(len(values) - width, 0), most).astype(int))
    offset = values - values.mean()  # keeps the running sums small, so nothing cancels
    sums, squares = np.r_[0, np.cumsum(offset)], np.r_[0, np.cumsum(offset**2)]
    ends = np.minimum(starts + width, len(values))
    n = ends - starts
    mean = (sums[ends] - sums[starts]) / n
    variance = (squares[ends] - squares[starts]) / n - mean**2
    return (starts + ends) // 2, np.sqrt(np.clip(variance, 0, None))
