"""Masks: rows of true values."""

from __future__ import annotations

import numpy as np


def rows_of_true(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of each row of true values in a boolean array (n,): index of its first, and index past its last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return edges[::2], edges[1::2]
