"""The likeliest path of speed through the evidence: dynamic programming over all trial speeds at once.

Octave hypotheses stay alive side by side and the whole run decides between them, not a single frame. A crankshaft
cannot change its speed by half between two frames: such a move costs as much as a new start.
"""

from __future__ import annotations

import numpy as np


def best_path(emission: np.ndarray, slope_cost: float, reach: int, jump_cost: float) -> np.ndarray:
    """States (n,) of the path with the largest sum of emission less the cost of moving.

    emission: shape (n, m), gain of each state in each frame.
    slope_cost: cost of moving by one state between frames, for moves up to `reach` states.
    jump_cost: cost of any move farther than that.
    """
    count, states = emission.shape
    gain = _gains(emission, slope_cost, reach, jump_cost)
    path = np.empty(count, int)
    path[-1] = int(gain[-1].argmax())
    steps = np.abs(np.arange(-states, states + 1))
    cost = np.where(steps <= reach, slope_cost * steps, jump_cost)
    for frame in range(count - 2, -1, -1):
        here = states - path[frame + 1]
        path[frame] = int((gain[frame] - cost[here : here + states]).argmax())
    return path


def _gains(emission: np.ndarray, slope_cost: float, reach: int, jump_cost: float) -> np.ndarray:
    """What the best path that ends in each state gains up to each frame, (n, m).

    Moves of up to `reach` states are made of a few shorter ones, of 1, 2, 4 ... states either way or none: since the
    cost is linear, together they reach the same states at the same cost.
    """
    gain = np.empty(emission.shape, np.float64)
    gain[0] = emission[0]
    best, moved = np.empty((2, emission.shape[1]))
    moves: list[tuple] = []
    left = min(reach, emission.shape[1] - 1)
    while left > 0:
        step = min(1 << len(moves), left)
        left -= step
        moves.append((slope_cost * step, best[step:], moved[:-step], best[:-step], moved[step:]))
    for frame in range(1, len(gain)):
        before = gain[frame - 1]
        np.maximum(before, before.max() - jump_cost, out=best)
        for cost, up, from_below, down, from_above in moves:
            np.subtract(best, cost, out=moved)
            np.maximum(up, from_below, out=up)
            np.maximum(down, from_above, out=down)
        np.add(best, emission[frame], out=gain[frame])
    return gain
