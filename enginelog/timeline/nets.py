"""Small trained classifiers: one hidden layer, their numbers in `nets.npz` beside this module.

`scripts/fit_timeline.py` makes that file from made-up recordings (and half of the real ones) and says on which.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from importlib.resources import files
from typing import IO

import numpy as np

AT_ONCE = 1000  # rows looked at together: the middle layer is some hundred times as wide as what it gives
REACH = 3.0  # inputs count up to this many standard deviations


@dataclass(frozen=True)
class Net:
    """logits = tanh(clip((x - mean) / spread) @ inner + inner_bias) @ outer + outer_bias."""

    mean: np.ndarray
    spread: np.ndarray
    inner: np.ndarray
    inner_bias: np.ndarray
    outer: np.ndarray
    outer_bias: np.ndarray

    def logits(self, features: np.ndarray) -> np.ndarray:
        """Logits, shape (n, outputs), of features of shape (n, inputs). ValueError for a wrong number of inputs."""
        if features.shape[1] != len(self.mean):
            raise ValueError(f"{features.shape[1]} features given, this classifier was made for {len(self.mean)}")
        firsts = range(0, max(len(features), 1), AT_ONCE)
        return np.concatenate([self._logits(features[first : first + AT_ONCE]) for first in firsts])

    def _logits(self, features: np.ndarray) -> np.ndarray:
        scaled = np.clip((features - self.mean) / self.spread, -REACH, REACH)
        middle = scaled @ self.inner
        middle += self.inner_bias
        return np.tanh(middle, out=middle) @ self.outer + self.outer_bias


PARTS = tuple(field.name for field in fields(Net))  # each an array in the file


@lru_cache(maxsize=1)
def shipped() -> dict[str, Net]:
    """The classifiers that come with the package: `engine`, `pull` (one output each) and `state` (four)."""
    with (files(__package__) / "nets.npz").open("rb") as stream:
        return stored(stream)


def stored(stream: IO[bytes]) -> dict[str, Net]:
    """The classifiers of a file such as the fit writes (NumPy's .npz, nothing in it is run)."""
    with np.load(stream) as data:
        names = sorted({key.split(".")[0] for key in data.files})
        return {name: Net(*(data[f"{name}.{part}"] for part in PARTS)) for name in names}


def log_softmax(logits: np.ndarray) -> np.ndarray:
    """Logarithms of the probabilities along the last axis."""
    top = logits - logits.max(axis=-1, keepdims=True)
    return top - np.log(np.exp(top).sum(axis=-1, keepdims=True))
