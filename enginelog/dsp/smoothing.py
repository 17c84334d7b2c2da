"""Moving averages."""

from __future__ import annotations

import numpy as np


def moving_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Centred mean over `width` entries along axis 0, edges repeated; same shape, float64."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(np.asarray(values, float), width, axis=0, mode="nearest")
