"""What the timeline still needs of the sound once its frames are judged: small enough for many hours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np

from enginelog.dsp.levels import FRAME_RATE_HZ
from enginelog.model import Track
from enginelog.timeline.activity import Activity
from enginelog.timeline.cues import BLOCK, block_levels

THINNED = BLOCK  # of so many rows one set of band levels is kept of long recordings: medians over minutes need no more


@dataclass(frozen=True)
class Traces:
    """Levels of one recording, a row each 10 ms from `start_s` (middle of the first) on.

    peak_db, middle_db: (n,), as in Activity. fine_db: (n, 5, 2), as in Activity; zeros where `fine_at` does not reach.
    bands_db: (m, 10), of every `bands_every`-th row. blocks: (n // 10, 7), see `cues.block_levels`.
    """

    start_s: float
    peak_db: np.ndarray
    middle_db: np.ndarray
    fine_db: np.ndarray
    bands_db: np.ndarray
    bands_every: int
    blocks: np.ndarray

    @property
    def hop_s(self) -> float:
        return 1.0 / FRAME_RATE_HZ

    @property
    def rows(self) -> int:
        return len(self.peak_db)


Levels = Activity | Traces
Columns = TypeVar("Columns", Activity, Track)


def rows_between(levels: Levels, start_s: float, end_s: float) -> slice:
    """The rows whose middle lies from `start_s` until before `end_s`."""
    first, past = (row_at(levels, at_s) for at_s in (start_s, end_s))
    return slice(first, max(past, first))


def row_at(levels: Levels, at_s: float) -> int:
    """The first row whose middle lies at `at_s` or later; the number of rows where none does."""
    place = (at_s - levels.start_s) / levels.hop_s
    return int(np.clip(np.ceil(place - 1e-6), 0, levels.rows))


def time_of(levels: Levels, row: int) -> float:
    """Middle of a row, seconds from the start of the recording."""
    return levels.start_s + row * levels.hop_s


@dataclass(frozen=True)
class Filed:
    """Levels of one piece of a recording that is judged. fine_at: first row, in this piece, of each of `fine_db`."""

    peak_db: np.ndarray
    middle_db: np.ndarray
    bands_db: np.ndarray
    blocks: np.ndarray
    fine_at: tuple[int, ...]
    fine_db: tuple[np.ndarray, ...]


def filed(activity: Activity, first: int, past: int) -> Filed:
    """Rows `first` until before `past` of `activity`, both multiples of BLOCK but for the end of a recording."""
    before = max(first - BLOCK, 0)
    blocks = block_levels(part_of(activity, slice(before, past)))[(first - before) // BLOCK :].astype(np.float32)
    mine = part_of(activity, slice(first, past))
    fine = (mine.fine_db.copy(),)
    return Filed(mine.peak_db.copy(), mine.middle_db, mine.bands_db.copy(), blocks, (0,), fine)


def thinned(one: Filed, near: Sequence[slice]) -> Filed:
    """`one` with fine levels in the rows `near` alone, and few band levels."""
    whole = one.fine_db[0]
    kept = [slice(max(rows.start, 0), min(rows.stop, len(whole))) for rows in near]
    kept = [rows for rows in kept if rows.stop > rows.start]
    return replace(
        one,
        bands_db=one.bands_db[::THINNED].copy(),
        fine_at=tuple(rows.start for rows in kept),
        fine_db=tuple(whole[rows].copy() for rows in kept),
    )


def together(parts: list[Filed], start_s: float, every: int) -> Traces:
    """One recording's levels from those of its pieces, which are let go one by one."""
    rows = [len(part.peak_db) for part in parts]
    names = ("peak_db", "middle_db", "blocks")
    peak, middle, blocks = (np.concatenate([getattr(part, name) for part in parts]) for name in names)
    bands = np.concatenate([part.bands_db for part in parts])
    fine = np.zeros((sum(rows), *_fine_shape(parts)), np.float16)  # untouched, zeros take no memory
    at = 0
    for count in rows:
        part = parts.pop(0)
        for first, values in zip(part.fine_at, part.fine_db, strict=True):
            fine[at + first : at + first + len(values)] = values
        at += count
    return Traces(start_s, peak, middle, fine, bands, every, blocks)


def _fine_shape(parts: list[Filed]) -> tuple[int, ...]:
    return next((values.shape[1:] for part in parts for values in part.fine_db), (5, 2))


def part_of(columns: Columns, rows: slice) -> Columns:
    """Some rows of levels, or of a track that kept its rhythm."""
    return with_each(columns, lambda column: column[rows])


def with_each(columns: Columns, change: Callable[[np.ndarray], np.ndarray]) -> Columns:
    """The same with each column changed; one that is not there stays so."""
    whole = (getattr(columns, each.name) for each in fields(columns))
    changed: list[Any] = [None if column is None else change(column) for column in whole]
    return type(columns)(*changed)
