"""How a speed is scored against the true one."""

from __future__ import annotations

import numpy as np

OCTAVES = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0, 4.0)
OCTAVE_WIDTH = 0.03


def is_octave(ratio: np.ndarray | float) -> np.ndarray:
    """Whether found/true lies within 3 % of one of OCTAVES (NaN does not)."""
    ratio = np.asarray(ratio, float)[..., None]
    return (np.abs(ratio / np.array(OCTAVES) - 1) <= OCTAVE_WIDTH).any(axis=-1)


def within(ratio: np.ndarray | float, percent: float) -> np.ndarray:
    """Whether found/true lies within `percent` of 1 (NaN does not)."""
    return np.abs(np.asarray(ratio, float) - 1) <= percent / 100


def at_times(t_s: np.ndarray, frame_s: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """Frames (frame_s, hz) read at other moments; NaN where the nearest frame is unknown or a whole frame away.

    Between two known frames that differ by less than 20 % it is the straight line between their logarithms; at a
    jump, or beside an unknown frame, the nearer frame. frame_s rises evenly; at least two frames.
    """
    hop_s = frame_s[1] - frame_s[0]
    place = (np.asarray(t_s, float) - frame_s[0]) / hop_s
    low = np.clip(np.floor(place).astype(int), 0, len(hz) - 2)
    part = np.clip(place - low, 0.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        before, after = np.log(hz[low]), np.log(hz[low + 1])
    nearest = np.where(part < 0.5, before, after)
    smooth = np.abs(after - before) < np.log(1.2)
    value = np.exp(np.where(smooth, before + part * (after - before), nearest))
    return np.where((place > -1) & (place < len(hz)), value, np.nan)
