"""How many firings a silent stretch held: while nothing fires there is nothing to hear, and the crank slows unheard.

The speed told over such a stretch is that of its surroundings, so that more opportunities are laid than there were. The
first two firings after it show how slow the crank has become: the mean of the rates before and after, over the time
between, is their number. Where nothing can be read there, how fast the crank slows is read off the shortest losses,
whose number is beyond doubt. Opportunities too many are taken out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from enginelog.dsp.masks import rows_of_true

# Of the fall that is seen after a row, by which it was slower in the mean: a half, and the firing after has pushed the
# crank already; made-up bursts, seeds 5000-5060: of 53 rows of six and more 15 % are counted wrongly so.
FALLEN = 0.7
SHORT = 2  # lost in a row up to which their number is taken as it is
BEFORE = 3  # firings before a row that give the rate with which it begins
USUAL = 0.7  # share of the short rows' slowing that stays under it: the push of the firing after hides some of it
SLOWEST = 0.35  # of that rate, under which the crank is not taken to fall
MOST = 0.4  # of the opportunities of a row that may be taken out


@dataclass(frozen=True)
class Row:
    """Lost ones in a row: index of the first, their number, the time from the firing before to the one after, and the
    rate of firing before and after, per second; NaN after where the next one is lost, too."""

    first: int
    count: int
    room_s: float
    rate_hz: float
    after_hz: float = float("nan")


def surplus(t_s: np.ndarray, miss_probability: np.ndarray) -> np.ndarray:
    """Opportunities that cannot have been, mask (events,). t_s: moments, rising, of evenly spaced firings.

    None are taken out where neither the rate after is known nor two short rows from which to learn the slowing.
    """
    out, found = np.zeros(len(t_s), bool), list(rows(t_s, miss_probability))
    short = [row for row in found if row.count <= SHORT]
    known = len(short) >= 2
    slowing = max(float(np.quantile([_slowing(row) for row in short], USUAL)), 0.0) if known else 0.0
    for row in found:
        lost = between(row) or (lost_in(row, slowing) if known else row.count)
        over = min(row.count - lost, int(MOST * row.count)) if row.count > SHORT else 0
        if over > 0:
            out[row.first + np.linspace(0, row.count - 1, over + 2)[1:-1].round().astype(int)] = True
    return out


def rows(t_s: np.ndarray, miss_probability: np.ndarray) -> Iterator[Row]:
    """Lost ones in a row with BEFORE firings before them and one after."""
    lost, fired = miss_probability > 0.5, miss_probability < 0.5
    for first, past in zip(*rows_of_true(lost), strict=True):
        if first >= BEFORE and past < len(t_s) and fired[past] and fired[first - BEFORE : first].all():
            step_s = float(np.diff(t_s[first - BEFORE : first]).mean())
            room_s, rate_hz = float(t_s[past] - t_s[first - 1]), 1 / max(step_s, 1e-4)
            again = past + 1 < len(t_s) and bool(fired[past + 1])
            after_hz = 1 / max(float(t_s[past + 1] - t_s[past]), 1e-4) if again else float("nan")
            yield Row(int(first), int(past - first), room_s, rate_hz, after_hz)


def _slowing(row: Row) -> float:
    """Fall of the rate, per second squared, that makes room for exactly the number of a short row."""
    return 2 * (row.rate_hz - (row.count + 1) / row.room_s) / row.room_s


def between(row: Row) -> int | None:
    """Firings that a row had room for by the rates before and after it, one at least; None where that after is not
    known."""
    if np.isnan(row.after_hz):
        return None
    mean_hz = row.rate_hz - FALLEN * max(row.rate_hz - row.after_hz, 0.0)
    return max(round(row.room_s * mean_hz - 1), 1)


def lost_in(row: Row, slowing: float) -> int:
    """Firings that a row had room for while the rate fell by `slowing` (per second squared), one at least."""
    falls_s = min(row.room_s, (1 - SLOWEST) * row.rate_hz / slowing) if slowing > 0 else row.room_s
    passed = row.rate_hz * falls_s - 0.5 * slowing * falls_s**2 + SLOWEST * row.rate_hz * (row.room_s - falls_s)
    return max(round(passed) - 1, 1)
