"""Moving averages."""

from __future__ import annotations

import numpy as np


def moving_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Centred mean over `width` entries along axis 0, edges repeated; same shape, float64."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(np.asarray(values, float), width, axis=0, mode="nearest")


def mean_within(values: np.ndarray, width: int) -> np.ndarray:
    """Centred mean over `width` entries (at least 1), over fewer at the ends; shape (n,) in and out, float64."""
    total = np.concatenate([[0.0], np.cumsum(values, dtype=float)])
    first = np.arange(len(values)) - width // 2
    low, high = np.clip(first, 0, len(values)), np.clip(first + width, 0, len(values))
    return (total[high] - total[low]) / np.maximum(high - low, 1)
