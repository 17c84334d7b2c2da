"""How likely each state, and each beginning and end of one, is at each moment.

The same course of events as `states.course`, but all courses weighed instead of the best one taken (forward-backward
algorithm: Rabiner 1989, Proc. IEEE 77(2)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.timeline.states import Views, change_costs, first_costs, gains


@dataclass(frozen=True)
class Chances:
    """Of each frame: probability of each of KINDS (state), that it begins there, that it has just ended: all (n, 4)."""

    state: np.ndarray
    begins: np.ndarray
    ended: np.ndarray


def chances(seen: Views, limits: LimitSet) -> Chances:
    """Probabilities over all courses of events, each weighed by its evidence and the cost of its changes."""
    gain, change = gains(seen, limits), np.exp(-change_costs(limits))
    likely = np.exp(gain - gain.max(axis=1, keepdims=True))
    forward, backward = np.empty(gain.shape), np.ones(gain.shape)
    forward[0] = likely[0] * np.exp(-first_costs(limits))
    forward[0] /= forward[0].sum()
    for frame in range(1, len(gain)):
        now = (forward[frame - 1] @ change) * likely[frame]
        forward[frame] = now / now.sum()
    for frame in range(len(gain) - 2, -1, -1):
        before = change @ (likely[frame + 1] * backward[frame + 1])
        backward[frame] = before / before.sum()
    state = forward * backward
    state /= state.sum(axis=1, keepdims=True)
    pairs = forward[:-1, :, None] * change * (likely[1:] * backward[1:])[:, None, :]
    pairs /= pairs.sum(axis=(1, 2), keepdims=True)
    stays = np.diagonal(pairs, axis1=1, axis2=2)
    begins = np.concatenate([state[:1], pairs.sum(axis=1) - stays])
    ended = np.concatenate([np.zeros((1, 4)), pairs.sum(axis=2) - stays])
    return Chances(state, begins, ended)
