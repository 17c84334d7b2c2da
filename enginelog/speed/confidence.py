"""How likely each frame's speed is right within 3 per cent, from how the rhythm showed itself.

A logistic regression on the columns of the rhythm, their squares and products. Its coefficients lie in
`confidence.json`; `scripts/fit_confidence.py` fits them on made-up recordings with known truth (tuning seeds only) and
says how well they do.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.logistic import probability
from enginelog.dsp.stored import stored_model
from enginelog.model import RHYTHM

READ = RHYTHM.index("tones_beside")  # columns of the rhythm that are read: all but those of the tones, the last
WIDEST = 3.0  # columns are read within three standard deviations of those seen in fitting


def terms(rhythm: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """One, the standardised columns, and their products: shape (frames, 1 + k + k(k+1)/2)."""
    z = np.clip((rhythm - mean) / spread, -WIDEST, WIDEST)
    left, right = np.triu_indices(z.shape[1])
    return np.concatenate([np.ones((len(z), 1)), z, z[:, left] * z[:, right]], axis=1)


def confidence_of(rhythm: np.ndarray) -> np.ndarray:
    """Confidence 0..1 for each frame of a rhythm array (frames, len(RHYTHM)), of which the first READ are read."""
    model = stored_model(__package__, "confidence")
    return probability(terms(rhythm[:, :READ], model.mean, model.spread) @ model.weight)
