"""Intervals in closed form: a share, a rate, and the difference of two quantities known by their own intervals."""

from __future__ import annotations

import math

NORMAL_95 = 1.959963984540054


def wilson(lost: float, total: float) -> tuple[float, float]:
    """95 % score interval of a share (Wilson 1927), as shares 0..1; whole or effective counts. Nothing: 0 to 1."""
    if total <= 0:
        return 0.0, 1.0
    share, square = lost / total, NORMAL_95**2
    middle = share + square / (2 * total)
    half = NORMAL_95 * math.sqrt(share * (1 - share) / total + square / (4 * total**2))
    scale = 1 + square / total
    return max((middle - half) / scale, 0.0), min((middle + half) / scale, 1.0)


def difference_of(before: tuple[float, float, float], after: tuple[float, float, float]) -> tuple[float, float, float]:
    """after - before and its interval, from (value, low, high) of each, which must be independent.

    Squaring and adding the distances to the limits (Newcombe 1998 for shares, his method 10 with Wilson's limits;
    Zou & Donner 2008 for any quantity). Returns (difference, low, high).
    """
    middle = after[0] - before[0]
    low = middle - math.hypot(after[0] - after[1], before[2] - before[0])
    high = middle + math.hypot(after[2] - after[0], before[0] - before[1])
    return middle, low, high


def poisson_rate(count: int, exposure: float) -> tuple[float, float]:
    """95 % interval of a rate from a count over an exposure (Garwood 1936): chi-squared quantiles halved."""
    from scipy.special import gammaincinv

    low = float(gammaincinv(count, 0.025)) if count > 0 else 0.0
    return low / exposure, float(gammaincinv(count + 1, 0.975)) / exposure
