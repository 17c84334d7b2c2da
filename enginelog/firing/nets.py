"""Small trained classifiers, each the mean of a few nets: their numbers lie in `nets.npz` beside this module.

`scripts/fit_firing.py` makes that file from made-up recordings of seeds below 10 000 and says how well they do.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

NAMES = ("event", "right", "clean", "again", "count")
REACH = 4.0  # inputs count up to this many standard deviations


@dataclass(frozen=True)
class Net:
    """Two hidden layers: logit = tanh(tanh(z @ w1 + b1) @ w2 + b2) @ w3 + b3 with z = clip((x - mean) / spread)."""

    mean: np.ndarray
    spread: np.ndarray
    layers: tuple[np.ndarray, ...]

    def logit(self, x: np.ndarray) -> np.ndarray:
        """Logits, shape (n,), of inputs (n, inputs). ValueError for a wrong number of inputs."""
        if x.shape[1] != len(self.mean):
            raise ValueError(f"{x.shape[1]} inputs given, this classifier was made for {len(self.mean)}")
        w1, b1, w2, b2, w3, b3 = self.layers
        z = np.clip((x - self.mean) / self.spread, -REACH, REACH).astype(np.float32)
        return (np.tanh(np.tanh(z @ w1 + b1) @ w2 + b2) @ w3 + b3)[:, 0].astype(float)


@dataclass(frozen=True)
class Judges:
    """event: is this event lost; right: is this way of parting right; clean: does this slot lose (nearly) none; again:
    is this event lost, seen beside all others; count: is this count right."""

    event: tuple[Net, ...]
    right: tuple[Net, ...]
    clean: tuple[Net, ...]
    again: tuple[Net, ...] = ()
    count: tuple[Net, ...] = ()


def mean_logit(nets: tuple[Net, ...], x: np.ndarray) -> np.ndarray:
    """Mean of the nets' logits, shape (n,)."""
    return np.mean([net.logit(x) for net in nets], axis=0)


@lru_cache(maxsize=1)
def shipped() -> Judges:
    """The classifiers that come with the package."""
    with (files(__package__) / "nets.npz").open("rb") as stream, np.load(stream) as data:
        return Judges(*(_group(data, name) for name in NAMES))


def _group(data, name: str) -> tuple[Net, ...]:
    count = 1 + max(int(key.split(".")[1]) for key in data.files if key.startswith(f"{name}."))
    return tuple(
        Net(
            data[f"{name}.{i}.mean"],
            data[f"{name}.{i}.spread"],
            tuple(data[f"{name}.{i}.layer{j}"] for j in range(6)),
        )
        for i in range(count)
    )
