"""How likely each state, and each beginning and end of one, is at each moment.

The same course of events as `states.course`, but all courses weighed instead of the best one taken (forward-backward
algorithm: Rabiner 1989, Proc. IEEE 77(2)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.timeline.states import Views, change_costs, first_costs, gains

PIECE = 20_000  # frames worked out at a time


@dataclass(frozen=True)
class Chances:
    """Of each frame: probability of each of KINDS (state), that it begins there, that it has just ended: all (n, 4),
    float32."""

    state: np.ndarray
    begins: np.ndarray
    ended: np.ndarray


def chances(seen: Views, limits: LimitSet) -> Chances:
    """Probabilities over all courses of events, each weighed by its evidence and the cost of its changes."""
    gain, change = gains(seen, limits), np.exp(-change_costs(limits))
    gain -= gain.max(axis=1, keepdims=True)
    likely = np.exp(gain, out=gain)
    forward = steps(likely[0] * np.exp(-first_costs(limits)), likely[1:], change)
    backward = steps(likely[-1], likely[-2::-1], change.T)[::-1]  # each with what its own frame says
    del likely, gain
    out = Chances(*(np.zeros(forward.shape, np.float32) for _ in range(3)))
    for first in range(0, len(forward), PIECE):
        _weighed(out, slice(first, min(first + PIECE, len(forward))), forward, backward, change)
    return out


def steps(first: np.ndarray, likely: np.ndarray, change: np.ndarray) -> np.ndarray:
    """x[0] = first; x[i + 1] = (x[i] @ change) * likely[i], each divided by its sum: shape (n + 1, 4), float32.

    In rows of about sqrt(n) frames: what a whole row does is a matrix, and once the rows' beginnings follow from these,
    the frames of all rows are worked out side by side.
    """
    count = len(likely)
    size = max(int(np.sqrt(count)), 1)
    number = -(-count // size)
    padded = np.ones((number * size, 4), np.float32)
    padded[:count] = likely
    rows = padded.reshape(number, size, 4)
    whole = np.broadcast_to(np.eye(4), (number, 4, 4))
    for step in range(size):
        whole = (whole @ change) * rows[:, step, None, :]
        whole = whole / whole.sum(axis=(1, 2), keepdims=True)
    begin = np.empty((number, 4))
    now = first / first.sum()
    for row in range(number):
        begin[row] = now
        now = now @ whole[row]
        now = now / now.sum()
    out = np.empty((number * size + 1, 4), np.float32)
    out[0] = first / first.sum()
    after, now = out[1:].reshape(number, size, 4), begin
    for step in range(size):
        now = (now @ change) * rows[:, step]
        now /= now.sum(axis=1, keepdims=True)
        after[:, step] = now
    return out[: count + 1]


def _weighed(out: Chances, some: slice, forward: np.ndarray, backward: np.ndarray, change: np.ndarray) -> None:
    """Write some frames of `out`: a change is as likely as the state before, itself, and the state after together."""
    others = change - np.diag(np.diag(change))
    here = forward[some].astype(float)
    after = np.ones(here.shape)
    following = backward[some.start + 1 : some.stop + 1].astype(float)
    after[: len(following)] = following @ change.T
    state = here * after
    out.state[some] = state / state.sum(axis=1, keepdims=True)
    if some.start == 0:
        out.begins[0] = out.state[0]
    here, next_ones = here[: len(following)], slice(some.start + 1, some.start + 1 + len(following))
    total = np.sum(here * after[: len(following)], axis=1, keepdims=True)
    out.begins[next_ones] = (here @ others) * following / total
    out.ended[next_ones] = here * (following @ others.T) / total
