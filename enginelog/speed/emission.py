"""How likely each trial speed is the true one at each moment, by its contrasts and those of its rivals.

A speed is mistaken for its simple multiples and parts. What tells them apart is not one contrast but the pattern of
all: the layout's lines at half, twice, a third of the trial speed, in the waveform and in the envelopes. A small
network with one hidden layer weighs them. It was fitted as a choice among the trial speeds of a frame (conditional
logit: McFadden 1974) on made-up recordings of tuning seeds; `scripts/fit_emission.py` makes `emission.npz` from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from importlib.resources import files

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Engine
from enginelog.speed.evidence import FEATURES, GRID_STEP
from enginelog.speed.kinds import is_saw

# Weight of each feature's contrast in the plain sum.
WEIGHTS = {"low": 1.0, "wide": 0.13, "env_low": 0.35, "env_mid": 0.27, "env_high": 0.3}
RIVALS = (0.5, 2.0, 1 / 3, 3.0, 2 / 3, 1.5, 0.25, 4.0)
STEPS = tuple(int(round(np.log(ratio) / GRID_STEP)) for ratio in RIVALS)
NEAR = 2  # states about a rival among which its best counts
BESIDE = 5  # states from which on a speed is another one
OFF_GRID = -1.0  # contrast of a rival that lies outside the grid
LEAST = -2.0
REACH = 4.0  # inputs count up to this many standard deviations
AT_ONCE = 24  # frames whose inputs are held at a time


@dataclass(frozen=True)
class Net:
    """logit = max(z @ inner + bias, 0) @ outer + z @ straight with z = clip((x - mean) / spread, -REACH, REACH)."""

    mean: np.ndarray
    spread: np.ndarray
    inner: np.ndarray
    bias: np.ndarray
    outer: np.ndarray
    straight: np.ndarray

    def logit(self, x: np.ndarray, told: np.ndarray | None = None) -> np.ndarray:
        """Logits, shape (...), of inputs (inputs, ...), float32, which are overwritten.

        told: the last of the inputs, (told, last axis), where they are the same all along the other axes; not in `x`.
        """
        weights, offset = self._of_plain_inputs
        if told is not None:
            offset = offset + weights[:, len(x) :] @ self._held(told.copy(), slice(len(x), None))
        rows = self._held(x.reshape(len(x), -1), slice(len(x)))
        hidden = (weights[:, : len(x)] @ rows).reshape(len(weights), -1, x.shape[-1])
        # max(h + offset, 0) is max(h, -offset) + offset
        np.maximum(hidden[:-1], -offset[:-1, None], out=hidden[:-1])
        of_hidden = self.outer @ hidden[:-1].reshape(len(self.outer), -1)
        of_hidden = of_hidden.reshape(hidden.shape[1:]) + hidden[-1] + (self.outer @ offset[:-1] + offset[-1])
        return of_hidden.reshape(x.shape[1:])

    def _held(self, rows: np.ndarray, which: slice) -> np.ndarray:
        """The inputs `which` of all, (inputs, n), held within REACH, in place."""
        mean, reach = self.mean[which, None], REACH * self.spread[which, None]
        return np.clip(rows, mean - reach, mean + reach, out=rows)

    @cached_property
    def _of_plain_inputs(self) -> tuple[np.ndarray, np.ndarray]:
        """Weights (hidden + 1, inputs) and offset that take the inputs as they are; the last row is the straight."""
        weights = np.column_stack([self.inner, self.straight]).T / self.spread
        offset = np.append(self.bias, 0.0) - weights @ self.mean
        return weights.astype(np.float32), offset[:, None].astype(np.float32)


PARTS = tuple(field.name for field in fields(Net))  # each an array in the file


@lru_cache(maxsize=2)
def stored(name: str) -> Net:
    """The network in the file `name`.npz of this room."""
    with (files(__package__) / f"{name}.npz").open("rb") as stream, np.load(stream) as data:
        return Net(*(data[part] for part in PARTS))


def shipped() -> Net:
    """The network that comes with the package."""
    return stored("emission")


def log_odds(scores: dict[str, np.ndarray], engine: Engine, grid: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Logits of each trial speed against the others of its frame, shape (frames, len(grid)), float32.

    scores: contrasts by feature, each (frames, len(grid)); grid: trial cycle rates in hertz.
    """
    net, told = shipped(), told_inputs(engine, grid, limits)
    count = len(next(iter(scores.values())))
    result = np.empty((count, len(grid)), np.float32)
    for first in range(0, count, AT_ONCE):
        part = slice(first, first + AT_ONCE)
        with np.errstate(invalid="ignore"):  # BLAS may load, and never uses, what lies behind an array's end
            result[part] = net.logit(inputs({name: values[part] for name, values in scores.items()}), told)
    return result


def plain_sum(contrasts: Mapping[str, np.ndarray]) -> np.ndarray:
    """The weighted sum of the five contrasts, by feature and of any shape: how well a speed explains the sound."""
    return np.asarray(sum(weight * contrasts[name] for name, weight in WEIGHTS.items()))


def inputs(scores: dict[str, np.ndarray]) -> np.ndarray:
    """What the network reads of each trial speed in each frame, shape (inputs, frames, len(grid)), float32.

    Its own five contrasts; those of the eight rivals; the plain sum against the best of the frame, this best, and the
    sum against its neighbours. After these it reads what is told (`told_inputs`).
    """
    own = np.stack([np.maximum(scores[feature.name], LEAST) for feature in FEATURES])
    total = np.tensordot(np.array([WEIGHTS[feature.name] for feature in FEATURES], np.float32), own, 1)
    about, total_about = best_near(own), best_near(total)
    beside = np.maximum(moved(total_about, BESIDE), moved(total_about, -BESIDE))
    best = total.max(axis=1, keepdims=True)
    x = np.empty((len(own) * (1 + len(STEPS)) + 3, *total.shape), np.float32)
    x[: len(own)] = own
    at = len(own)
    for step in STEPS:
        moved(about, step, x[at : at + len(own)])
        at += len(own)
    x[at] = total - best
    x[at + 1] = best
    x[at + 2] = total - beside
    return x


def best_near(values: np.ndarray) -> np.ndarray:
    """The largest of `values` (..., states) within NEAR states of each."""
    result = values.copy()
    for step in range(1, NEAR + 1):
        np.maximum(result[..., step:], values[..., :-step], out=result[..., step:])
        np.maximum(result[..., :-step], values[..., step:], out=result[..., :-step])
    return result


def moved(values: np.ndarray, step: int, out: np.ndarray | None = None) -> np.ndarray:
    """`values` (..., states) at `step` states above each, not 0; OFF_GRID where there is none. Into `out`."""
    out = np.empty(values.shape, np.float32) if out is None else out
    to, source = (slice(None, -step), slice(step, None)) if step > 0 else (slice(-step, None), slice(None, step))
    out[..., -step:] = OFF_GRID
    if step < 0:
        out[..., :-step] = OFF_GRID
    out[..., to] = values[..., source]
    return out


def told_inputs(engine: Engine, grid: np.ndarray, limits: LimitSet) -> np.ndarray:
    """What is known of each trial speed before any sound, shape (inputs, len(grid)): rated speed told, layout.

    Where a speed lies does not count by itself: that would teach the speeds of the recordings learned from, and an
    engine that runs too fast must be found.
    """
    rpm = grid * 60.0 * engine.revs_per_cycle
    rated_rpm = 0.0 if is_saw(engine) else engine.rated_rpm or 0.0
    governed = rated_rpm > 0
    aside = np.log(rpm / rated_rpm) if governed else np.zeros(len(grid))
    columns = [governed & (np.abs(aside) < limits.value("told_within")), np.clip(aside, -1.5, 1.0), governed]
    even = engine.strokes == 4 and engine.cylinders > 1 and engine.even_firing
    columns += [
        is_saw(engine),
        engine.strokes == 2 and engine.cylinders > 1,
        even and engine.cylinders == 2,
        even and engine.cylinders > 2,
        engine.cylinders > 1 and not engine.even_firing,
    ]
    return np.stack([np.broadcast_to(np.asarray(column, np.float32), grid.shape) for column in columns])
