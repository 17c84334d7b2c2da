"""Small networks of one hidden layer learn: steps down the slope of the cross-entropy, frame by frame drawn."""

from __future__ import annotations

import numpy as np

from measuring.adam import Adam


def moved(
    values: list, scaled, wanted, drawn, noise: float, rate: float, rng, decay: float = 1e-3, only: slice | None = None
) -> list[np.ndarray]:
    """The weights after a step for each row of `drawn`, which numbers the frames it learns from; only: inputs whose
    weights move, where the others and all that follows stay."""
    net = Adam([np.array(value, np.float32) for value in values])
    steps = len(drawn)
    for step, rows in enumerate(drawn):
        shaken = scaled[rows] + noise * rng.standard_normal((len(rows), scaled.shape[1]), np.float32)
        slopes = gradient(net.values, shaken, wanted[rows], decay)
        if only is not None:
            slopes = [of_inputs(slopes[0], only), *(np.zeros_like(slope) for slope in slopes[1:])]
        net.move(slopes, rate * min(1.0, 2 * (steps - step) / steps))
    return net.values


def of_inputs(slopes: np.ndarray, only: slice) -> np.ndarray:
    """The slopes of some inputs' weights, those of all others 0."""
    kept = np.zeros_like(slopes)
    kept[only] = slopes[only]
    return kept


def gradient(values, inputs: np.ndarray, wanted: np.ndarray, decay: float = 1e-3) -> list[np.ndarray]:
    """Slopes of the mean cross-entropy (and of the weights' size) by each array of `values`."""
    inner, inner_bias, outer, outer_bias = values
    middle = np.tanh(inputs @ inner + inner_bias)
    logits = middle @ outer + outer_bias
    if logits.shape[1] == 1:
        error = 1 / (1 + np.exp(-logits)) - wanted[:, None]
    else:
        top = np.exp(logits - logits.max(axis=1, keepdims=True))
        error = top / top.sum(axis=1, keepdims=True) - np.eye(logits.shape[1])[wanted]
    error = (error / len(inputs)).astype(np.float32)
    back = (error @ outer.T) * (1 - middle**2)
    return [inputs.T @ back + decay * inner, back.sum(axis=0), middle.T @ error + decay * outer, error.sum(axis=0)]
