"""How likely each frame's speed is right within 3 per cent, from how the rhythm showed itself.

A logistic regression on the columns of the rhythm, their squares and products. Its coefficients lie in
`confidence.json`; `scripts/fit_confidence.py` fits them on made-up recordings with known truth (tuning seeds only) and
says how well they do.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from enginelog.dsp.logistic import probability

WIDEST = 3.0  # columns are read within three standard deviations of those seen in fitting


@dataclass(frozen=True)
class Model:
    """Mean and deviation of each column in fitting, shape (k,); one weight a term, shape (1 + k + k(k+1)/2,)."""

    mean: np.ndarray
    spread: np.ndarray
    weight: np.ndarray


def terms(rhythm: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """One, the standardised columns, and their products: shape (frames, 1 + k + k(k+1)/2)."""
    z = np.clip((rhythm - mean) / spread, -WIDEST, WIDEST)
    left, right = np.triu_indices(z.shape[1])
    return np.concatenate([np.ones((len(z), 1)), z, z[:, left] * z[:, right]], axis=1)


@lru_cache(maxsize=1)
def _model() -> Model:
    stored = json.loads((files(__package__) / "confidence.json").read_text(encoding="utf-8"))
    return Model(*(np.asarray(stored[name], float) for name in ("mean", "spread", "weight")))


def confidence_of(rhythm: np.ndarray) -> np.ndarray:
    """Confidence 0..1 for each frame of a rhythm array (frames, len(RHYTHM))."""
    model = _model()
    return probability(terms(rhythm, model.mean, model.spread) @ model.weight)
