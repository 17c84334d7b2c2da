"""Surges: how the speed rings after a load or the throttle knocked it."""

from __future__ import annotations

import numpy as np

from enginelog.model import Surges


def count_surges(percent: np.ndarray, floor_percent: float, knock: bool = True) -> Surges:
    """Surges of a speed deviation (per cent of the new level, from the knock on), evenly spaced, freed of noise.

    A surge is one swing past the level away from the first deviation (after a load: a positive half-swing past the
    floor). The decrement is the slope of the logarithm of successive half-swing heights, both signs, times two.
    knock: the first deviation is itself a half-swing (a load's dip); False where it is the way from the earlier speed
    to the new one (the throttle was moved), which says nothing of the damping.
    """
    heights = _half_swings(np.asarray(percent, float))
    tall = heights[np.abs(heights) > floor_percent]
    count = int(np.sum(np.sign(tall[1:]) == -np.sign(tall[0]))) if len(tall) else 0
    ringing = tall if knock else tall[1:]
    if len(ringing) < 2:
        return Surges(count, None, None)
    logs = np.log(np.abs(ringing))
    decrement = -2.0 * float(np.polyfit(np.arange(len(logs)), logs, 1)[0])
    ratio = decrement / np.hypot(2 * np.pi, decrement)
    return Surges(count, decrement, float(ratio))


def _half_swings(percent: np.ndarray) -> np.ndarray:
    """Signed extreme of each stretch of one sign."""
    sign = np.sign(percent)
    edges = np.flatnonzero(np.diff(sign) != 0) + 1
    parts = np.split(percent, edges)
    return np.array([part[np.argmax(np.abs(part))] for part in parts if len(part) and np.any(part != 0)])
