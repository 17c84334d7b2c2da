"""How likely each frame's speed is right within 3 per cent, from how the rhythm showed itself."""

from __future__ import annotations

import numpy as np

from enginelog.model import RHYTHM


def confidence_of(rhythm: np.ndarray) -> np.ndarray:
    """Confidence 0..1 for each frame of a rhythm array (frames, len(RHYTHM))."""
    columns = {name: rhythm[:, number] for number, name in enumerate(RHYTHM)}
    contrast = sum(columns[name] for name in RHYTHM[:5])
    logit = 1.2 * (contrast - 2.5) + 1.0 * columns["other_margin"] + 1.0 * columns["octave_margin"] - 1.0
    return 1.0 / (1.0 + np.exp(-np.clip(logit, -30, 30)))
