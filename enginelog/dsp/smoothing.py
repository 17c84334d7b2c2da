"""Moving averages."""

from __future__ import annotations

import numpy as np


def moving_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Centred mean over `width` entries along axis 0, edges repeated; same shape, float64."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(np.asarray(values, float), width, axis=0, mode="nearest")


def mean_within(values: np.ndarray, width: int) -> np.ndarray:
    """Centred mean over `width` entries (at least 1), over fewer at the ends; shape (n,) in and out, float64."""
    count, before = len(values), width // 2
    total = np.zeros(count + 1)
    np.cumsum(values, out=total[1:], dtype=float)
    if count <= width:
        first = np.arange(count) - before
        low, high = np.clip(first, 0, count), np.clip(first + width, 0, count)
        return (total[high] - total[low]) / np.maximum(high - low, 1)
    out, inner = np.empty(count), count - width + 1  # windows that lie within
    out[before : before + inner] = (total[width:] - total[:-width]) / width
    high = np.arange(width - before, width)
    out[:before] = total[high] / high
    low = np.arange(inner, count - before)
    out[before + inner :] = (total[-1] - total[low]) / (count - low)
    return out
