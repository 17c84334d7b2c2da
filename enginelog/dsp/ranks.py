"""Medians and quantiles by sorting: numpy sorts rows with the processor's vector units, but does not so select."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def quantiles(values: np.ndarray, shares: Sequence[float], axis: int = -1) -> np.ndarray:
    """As np.quantile(values, shares, axis) without NaN: straight lines between the ranks; shape (shares, rest)."""
    rows = np.sort(np.moveaxis(values, axis, -1).copy(order="C"), axis=-1)
    places = np.asarray(shares, float) * (rows.shape[-1] - 1)
    below = np.minimum(places.astype(int), rows.shape[-1] - 1)
    above = np.minimum(below + 1, rows.shape[-1] - 1)
    part = (places - below).astype(rows.dtype if rows.dtype.kind == "f" else float)
    return np.moveaxis(rows[..., below] + part * (rows[..., above] - rows[..., below]), -1, 0)


def median(values: np.ndarray, axis: int = -1) -> np.ndarray:
    """As np.median(values, axis), for values without NaN: shape of `values` without that axis."""
    return quantiles(values, (0.5,), axis)[0]
