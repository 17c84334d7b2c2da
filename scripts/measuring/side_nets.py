"""Several small networks, each fitted on inputs of its own scaling, put side by side as one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np


class Scaled(Protocol):
    """A network that reads (x - mean) / spread through its first layer `inner`, shape (inputs, hidden)."""

    mean: np.ndarray
    spread: np.ndarray
    inner: np.ndarray


def shares(nets: Sequence[Scaled]) -> list[np.ndarray]:
    """By what the inputs of each, scaled as the first one's, are to be multiplied, each (inputs,)."""
    return [nets[0].spread / net.spread for net in nets]


def first_layer(nets: Sequence[Scaled], biases: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """The first layers and their biases side by side, for inputs scaled as the first one's."""
    inner = [net.inner * share[:, None] for net, share in zip(nets, shares(nets), strict=True)]
    offset = [(nets[0].mean - net.mean) / net.spread for net in nets]
    bias = [own + o @ net.inner for net, own, o in zip(nets, biases, offset, strict=True)]
    return np.concatenate(inner, axis=1), np.concatenate(bias)
