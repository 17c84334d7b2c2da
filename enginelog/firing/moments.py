"""The moment of each event: where in its window the shape of a firing fits best."""

from __future__ import annotations

import numpy as np

from enginelog.firing import local
from enginelog.firing.shapes import POINTS, REACH


def refine(
    t_s: np.ndarray, expected_s: np.ndarray, width_s: np.ndarray, moved: np.ndarray, noise: float, spread: float
) -> tuple[np.ndarray, np.ndarray]:
    """Best moment of each event and the standard deviation of its measurement, both in seconds, shape (events,).

    moved: strength with the window moved by -REACH..REACH points (events, 2 * REACH + 1), with `noise` its standard
    deviation. The fit's log-likelihood is strength^2 / (2 noise^2); `spread` (window widths) is how far firings are
    expected to lie from `expected_s`. A lost firing shows no strength and stays where it is expected.
    """
    moves = np.arange(-REACH, REACH + 1) / POINTS
    from_expected = moves[None, :] + ((t_s - expected_s) / width_s)[:, None]
    likely = np.clip(moved, 0.0, 1.5) ** 2 / (2 * noise**2) - from_expected**2 / (2 * spread**2)
    best = np.clip(likely.argmax(1), 1, 2 * REACH - 1)
    row = np.arange(len(t_s))
    left, top, right = likely[row, best - 1], likely[row, best], likely[row, best + 1]
    bend = np.maximum(2 * top - left - right, 1e-3)
    part = np.clip(0.5 * (right - left) / bend, -1.0, 1.0)
    moment = t_s + width_s * (moves[best] + part / POINTS)
    return moment, width_s / (np.sqrt(bend) * POINTS)


def path(t_s: np.ndarray, std_s: np.ndarray, grid_s: np.ndarray, width_s: np.ndarray) -> np.ndarray:
    """Expected moments in seconds, (events,): the grid plus the smooth part of what was measured, over four neighbours
    on either side, each weighed by its `std_s` and the width of its window."""
    weight = 1.0 / (std_s**2 + (0.01 * width_s) ** 2)
    return grid_s + local.weighted_mean(t_s - grid_s, weight / weight.max(), 4, pull=1e-9)


def unevenness(
    t_s: np.ndarray, std_s: np.ndarray, step: np.ndarray, slot: np.ndarray, interval_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Deviation of each moment from the even place between its neighbours, and its measurement noise, in intervals.

    step: layout distance to the next event (any unit), so that an uneven layout has its own even place. The constant
    part of each slot is taken off: it is the layout and the way of the sound, not irregular running. NaN at the ends.
    """
    out, noise = np.full(len(t_s), np.nan), np.full(len(t_s), np.nan)
    if len(t_s) < 3:
        return out, noise
    share = step[:-2] / (step[:-2] + step[1:-1])
    place = (1 - share) * t_s[:-2] + share * t_s[2:]
    out[1:-1] = (t_s[1:-1] - place) / interval_s[1:-1]
    noise[1:-1] = (
        np.sqrt(std_s[1:-1] ** 2 + ((1 - share) * std_s[:-2]) ** 2 + (share * std_s[2:]) ** 2) / interval_s[1:-1]
    )
    for j in np.unique(slot):
        mine = (slot == j) & np.isfinite(out)
        out[mine] -= np.median(out[mine]) if mine.any() else 0.0
    return out, noise
