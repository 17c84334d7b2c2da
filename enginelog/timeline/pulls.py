"""Whether what looks like a pull of the starter begins as one: with a burst that stands out of what came before."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Track
from enginelog.timeline.silence import Silent, at_edge
from enginelog.timeline.traces import Levels, row_at

BEFORE_S = (0.7, 0.1)


def sudden(
    marks, levels: Levels, track: Track, pull: int, run: int, quiet: int, limits: LimitSet, silent: Silent = ()
) -> list:
    """`marks` (state, first, last frame) with the pulls that do not begin suddenly made quiet.

    A phone that slowly turns its volume up again after an engine stopped must not count. A pull that leads to a run is
    kept as it is; one that the recording begins with, or that follows missing sound (`silent`), cannot be judged and is
    not counted.
    """
    hop_s = float(track.t_s[1] - track.t_s[0])
    out, ran = [], False
    for number, (state, first, last) in enumerate(marks):
        ran = ran or state == run
        leads = number + 1 < len(marks) and marks[number + 1][0] == run
        if state == pull and ran and not leads:
            begin_s = float(track.t_s[first] - hop_s / 2)
            step = onset_db(levels, begin_s, begin_s + (last - first) * hop_s)
            clear = step is not None and step >= limits.value("pull_onset_db")
            state = state if clear and not at_edge(begin_s, silent, 0.0, limits.value("silence_pull_s")) else quiet
        out.append((state, first, last))
    return out


def onset_db(levels: Levels, start_s: float, end_s: float) -> float | None:
    """How far the sharpest edges within stand above those of the half second before; None where that is missing."""
    low, middle, high = (row_at(levels, at_s) for at_s in (start_s - BEFORE_S[0], start_s - BEFORE_S[1], start_s))
    until = row_at(levels, end_s)
    if middle - low < 10 or until <= high:
        return None
    within, before = (levels.peak_db[rows].astype(np.float32) for rows in (slice(high, until), slice(low, middle)))
    return float(np.percentile(within, 95) - np.percentile(before, 75))
