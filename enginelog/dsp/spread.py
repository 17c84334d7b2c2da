"""How far values scatter, told by what a few far ones do not move."""

from __future__ import annotations

import numpy as np

# Standard deviation of a normal distribution over its median absolute deviation: 1 / 0.67449, its 75 % quantile.
MAD = 1.4826
SINE_SWING = 2 * 2**0.5  # peak to peak of a sine over its standard deviation


def robust_std(values: np.ndarray) -> float:
    """Standard deviation of values (n,) by their median absolute deviation from their median; n at least 1."""
    return float(MAD * np.median(np.abs(values - np.median(values))))
