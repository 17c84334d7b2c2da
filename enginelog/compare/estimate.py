"""One measure of one run with its uncertainty, and the difference of two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.compare.intervals import NORMAL_95, difference_of


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval. `draws`: what it might have been, shape (m,), where it was resampled.

    reason: why there is no value, in plain words. heard: False where the thing was listened for and is not there.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    draws: np.ndarray | None = None
    reason: str | None = None
    heard: bool = True

    @property
    def known(self) -> bool:
        return self.value is not None

    @property
    def numbers(self) -> tuple[float, float, float]:
        """Value and both ends of the interval; ValueError where not known."""
        if self.value is None or self.low is None or self.high is None:
            raise ValueError(f"no value: {self.reason}")
        return self.value, self.low, self.high


def unknown(reason: str) -> Estimate:
    """No value, and why."""
    return Estimate(reason=reason)


def within(value: float, half: float, least: float = 0.0) -> Estimate:
    """A single figure known within `half` either side (95 %), never below `least`."""
    return Estimate(value, max(value - half, least), value + half)


def from_draws(value: float, draws: np.ndarray, least: float | None = 0.0) -> Estimate:
    """A value with the interval of its draws, which are moved so that their middle is the value (bias corrected)."""
    draws = draws - float(np.median(draws)) + value
    draws = draws if least is None else np.maximum(draws, least)
    low, high = np.percentile(draws, [2.5, 97.5])
    return Estimate(value, float(min(low, value)), float(max(high, value)), draws)


def difference(before: Estimate, after: Estimate) -> tuple[float, float, float]:
    """after - before with its 95 % interval; both known.

    From the draws of both where both were resampled; else by squaring and adding the distances to the limits.
    """
    first, second = before.numbers, after.numbers
    if before.draws is None or after.draws is None:
        return difference_of(first, second)
    count = min(len(before.draws), len(after.draws))
    low, high = np.percentile(after.draws[:count] - before.draws[:count], [2.5, 97.5])
    middle = second[0] - first[0]
    return middle, float(min(low, middle)), float(max(high, middle))


def stretched(found: tuple[float, float, float], level: float) -> tuple[float, float]:
    """The interval of a difference at another level, each arm stretched by the ratio of the normal quantiles."""
    from scipy.special import ndtri

    middle, low, high = found
    ratio = float(ndtri(0.5 * (1 + level))) / NORMAL_95
    return middle - ratio * (middle - low), middle + ratio * (high - middle)
