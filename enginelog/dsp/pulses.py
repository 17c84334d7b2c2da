"""Lines of a repeating row of pulses."""

from __future__ import annotations

import numpy as np


def line_strengths(places: np.ndarray, count: int) -> np.ndarray:
    """Strength of lines 1 to `count` of equal pulses, shape (count,): 1 where all are in step, 0 where they cancel.

    places: where in the period each pulse lies, as a part of it. abs(mean of exp(-2j pi k place)): the Fourier series
    of a pulse train.
    """
    lines = np.arange(1, count + 1)
    return np.abs(np.exp(-2j * np.pi * np.outer(lines, places)).mean(axis=1))
