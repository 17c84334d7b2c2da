"""Local norms: medians and weighted means over the neighbours of each event."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view


def running_rank(x: np.ndarray, half: int, share: float = 0.5) -> np.ndarray:
    """Value that `share` of the `half` neighbours on either side (and itself) stay under, along axis 0.

    0.5 is the running median. The ends take the nearest full window; a short x is one window.
    """
    half = min(half, (len(x) - 1) // 2)
    if half < 1:
        return np.broadcast_to(np.median(x, axis=0), x.shape) if len(x) else x
    rank = int(round(share * 2 * half))
    middle = np.partition(sliding_window_view(x, 2 * half + 1, axis=0), rank, axis=-1)[..., rank]
    return np.concatenate([np.repeat(middle[:1], half, 0), middle, np.repeat(middle[-1:], half, 0)])


def weighted_mean(x: np.ndarray, weight: np.ndarray, half: int, pull: float = 1.0) -> np.ndarray:
    """Mean of x, shape (n,), over `half` neighbours on either side, each counting by `weight`.

    `pull` is how much weight the mean over all has beside the neighbours' own: it decides where they have none.
    """
    overall = np.sum(x * weight) / max(np.sum(weight), 1e-12)
    kernel = np.ones(2 * half + 1)
    top = _convolve(x * weight, kernel) + pull * overall
    return top / (_convolve(weight, kernel) + pull)


def _convolve(x: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    half = len(kernel) // 2
    return np.convolve(x, kernel)[half : half + len(x)]
