"""One measure of one run with its uncertainty, and the difference of two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.compare.intervals import NORMAL_95, difference_of


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval. `draws`: what it might have been, shape (m,), where it was resampled.

    reason: why there is no value, in plain words. heard: False where the thing was listened for and is not there.
    firm: its limits are bounds at any level, as the size below which a swing is not heard.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    draws: np.ndarray | None = None
    reason: str | None = None
    heard: bool = True
    firm: bool = False

    @property
    def known(self) -> bool:
        return self.value is not None

    @property
    def numbers(self) -> tuple[float, float, float]:
        """Value and both ends of the interval; ValueError where not known."""
        if self.value is None or self.low is None or self.high is None:
            raise ValueError(f"no value: {self.reason}")
        return self.value, self.low, self.high

    def at(self, ratio: float) -> tuple[float, float, float]:
        """Value and the ends of an interval `ratio` times as wide on either side; a firm one stays."""
        value, low, high = self.numbers
        ratio = 1.0 if self.firm else ratio
        return value, value - ratio * (value - low), value + ratio * (high - value)


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


def difference(before: Estimate, after: Estimate, level: float = 0.95) -> tuple[float, float, float]:
    """after - before with its interval at `level` (0..1); both known.

    From the draws of both where both were resampled; else by squaring and adding the distances to the limits. At
    another level than 95 % each arm is stretched by the ratio of the normal quantiles.
    """
    from scipy.special import ndtri

    ratio = float(ndtri(0.5 * (1 + level))) / NORMAL_95
    if before.draws is None or after.draws is None:
        return difference_of(before.at(ratio), after.at(ratio))
    count = min(len(before.draws), len(after.draws))
    low, high = np.percentile(after.draws[:count] - before.draws[:count], [2.5, 97.5])
    middle = after.numbers[0] - before.numbers[0]
    low, high = min(float(low), middle), max(float(high), middle)
    return middle, middle - ratio * (middle - low), middle + ratio * (high - middle)
