"""The steps by which the small networks are trained."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


class Adam:
    """Adam (Kingma & Ba 2015, with its usual constants): `values`, arrays, moved against their slopes step by step."""

    def __init__(self, values: Sequence[np.ndarray]) -> None:
        self.values = list(values)
        self._first, self._second = [0 * value for value in values], [0 * value for value in values]
        self._steps = 0

    def move(self, slopes: Sequence[np.ndarray], rate: float) -> None:
        """One step against the slopes of the loss by each of `values`."""
        self._steps += 1
        for i, slope in enumerate(slopes):
            self._first[i] = 0.9 * self._first[i] + 0.1 * slope
            self._second[i] = 0.999 * self._second[i] + 0.001 * slope**2
            size = np.sqrt(self._second[i] / (1 - 0.999**self._steps)) + 1e-8
            self.values[i] = self.values[i] - rate * self._first[i] / (1 - 0.9**self._steps) / size
