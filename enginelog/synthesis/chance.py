"""Random numbers of the synthesis: one independent stream for each purpose, all from the scenario's seed."""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, purpose: str) -> np.random.Generator:
    """A generator of its own for `purpose`, so that adding one sound leaves the others unchanged."""
    return np.random.default_rng([int(seed), zlib.crc32(purpose.encode())])


def smooth(rng: np.random.Generator, n: int, width: float) -> np.ndarray:
    """Slowly wandering noise: shape (n,), zero mean, standard deviation 1, correlated over about `width` samples.

    Made from a coarse random walk's knots joined by a cosine, which is quick for any width.
    """
    width = max(width, 1.0)
    knots = rng.standard_normal(int(n / width) + 4)
    step = max(1, int(width / 32))
    x = np.arange(0, n + step, step) / width
    k = x.astype(int)
    f = 0.5 - 0.5 * np.cos(np.pi * (x - k))
    coarse = (knots[k] * (1 - f) + knots[k + 1] * f) / np.sqrt(0.75)
    return coarse[:n] if step == 1 else np.interp(np.arange(n), np.arange(len(x)) * step, coarse)


def db(level: float | None) -> float:
    """Linear factor of a level in dB; None is silence."""
    return 0.0 if level is None else 10.0 ** (level / 20.0)
