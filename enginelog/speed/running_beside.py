"""The other engine heard beside a run, from what each block of the recording showed of one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import BESIDE, Beside, Span, Track
from enginelog.speed.summary import within

KEPT = 5  # every so many frames of what a block showed is kept: it is the same for a second


def thinned(track: Track) -> tuple[np.ndarray, np.ndarray]:
    """Moments and columns of what a block showed of another engine, as few as do."""
    columns = np.full((len(track.t_s), len(BESIDE)), np.nan, np.float32) if track.beside is None else track.beside
    return track.t_s[::KEPT], columns[::KEPT]


def running_beside(
    parts: Sequence[tuple[np.ndarray, np.ndarray]], spans: tuple[Span, ...], limits: LimitSet
) -> Beside | None:
    """The other engine heard beside the run; None where none was. parts: (t_s, columns BESIDE) of each block, of which
    there is one at least."""
    t_s, columns = (np.concatenate([part[number] for part in parts]) for number in (0, 1))
    running = within(t_s, spans, "run")
    shows = running & np.isfinite(columns[:, 0])
    if not shows.any():
        return None
    step_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    seconds, share = float(shows.sum()) * step_s, shows.sum() / running.sum()
    if seconds < limits.value("beside_least_s") or share < limits.value("beside_least_share"):
        return None
    beats_hz, over_db, own_hz = (float(value) for value in np.median(columns[shows], axis=0))
    return Beside(beats_hz, over_db, own_hz, over_db > -limits.value("beside_alike_db"), seconds)
