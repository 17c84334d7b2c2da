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
    ramp = slope_cost * np.arange(states)
    gain = np.empty(emission.shape, np.float64)
    gain[0] = emission[0]
    for frame in range(1, count):
        gain[frame] = emission[frame] + _reach(gain[frame - 1], ramp, reach, jump_cost)
    path = np.empty(count, int)
    path[-1] = int(gain[-1].argmax())
    steps = np.abs(np.arange(-states, states + 1))
    cost = np.where(steps <= reach, slope_cost * steps, jump_cost)
    for frame in range(count - 2, -1, -1):
        here = states - path[frame + 1]
        path[frame] = int((gain[frame] - cost[here : here + states]).argmax())
    return path


def _reach(gain: np.ndarray, ramp: np.ndarray, reach: int, jump_cost: float) -> np.ndarray:
    """Best gain from which each state can be reached: linear cost within `reach` both ways, or a jump from anywhere."""
    from scipy.ndimage import maximum_filter1d

    size = reach + 1
    options = {"size": size, "mode": "constant", "cval": -np.inf}
    from_below = maximum_filter1d(gain + ramp, origin=(size - 1) // 2, **options) - ramp
    from_above = maximum_filter1d(gain - ramp, origin=-(size // 2), **options) + ramp
    return np.maximum(np.maximum(from_below, from_above), gain.max() - jump_cost)
