"""Firings that fall into silence which a phone or an editor left: nothing is known of them, so none is laid there.

What comes after follows on what came before as if the silence had taken no time: the judges look at neighbours, and a
firing that seems to come a second late would be a sign of one lost.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.dsp.rows import rows_of
from enginelog.firing.grid import Grid

Silent = tuple[tuple[float, float], ...]  # (start, end) in seconds of stretches without sound, in order and apart


def without(laid: Grid, silent: Silent, shortest: float, slots: int) -> Grid:
    """`laid` without the firings less than a window away from a silent stretch, in whole cycles so that the order of
    the slots goes on; `skipped_s` tells the time that went with them. The same object where that is none.

    shortest: distance of two firings in cycles, at least, which is the length of a window; slots: firings a cycle.
    """
    gone = _beside(laid.t_s, laid.cycle_s * shortest, silent)
    if not gone.any():
        return laid
    skipped_s = laid.skipped_s.copy()
    for first, past in zip(*rows_of_true(gone), strict=True):
        past = min(past + (first - past) % slots, len(gone))
        gone[first:past] = True
    for first, past in zip(*rows_of_true(gone), strict=True):
        if past < len(gone):
            skipped_s[past:] += laid.t_s[past] - laid.t_s[first]
    return rows_of(replace(laid, skipped_s=skipped_s), np.flatnonzero(~gone))


def breaks(skipped_s: np.ndarray) -> np.ndarray:
    """After which of the firings (n,) some were left out, indices."""
    return np.flatnonzero(np.diff(skipped_s) > 0)


def _beside(t_s: np.ndarray, window_s: np.ndarray, silent: Silent) -> np.ndarray:
    """Which of the moments (n,) lie in a silent stretch or less than their window away from one, mask."""
    if not silent or not len(t_s):
        return np.zeros(len(t_s), bool)
    starts, ends = np.array(silent).T
    following = np.searchsorted(ends, t_s - window_s, side="right")
    inside = following < len(ends)
    return inside & (starts[np.minimum(following, len(starts) - 1)] < t_s + window_s)
