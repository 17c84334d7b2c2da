"""Whether another engine runs beside the one that is tracked, by the second comb of each block (`combs`).

What is geared or belted to the crank makes a second comb, too, but one that follows each small change of its speed: the
ratio of both moves less than either of them. One that goes its own ways is another machine.
"""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import BESIDE
from enginelog.speed.combs import Comb, second_comb

SHOWN = 0.4  # of how far a comb stands out at best, from which a window shows it
GRID_HZ = (50.0, 60.0, 100.0, 120.0)  # of the mains and what it drives: rates and twice these


def beside(
    signals: dict[str, np.ndarray], times: np.ndarray, cycle_hz: np.ndarray, known: np.ndarray, limits: LimitSet
) -> np.ndarray:
    """The columns BESIDE for each of `times`, shape (len(times), len(BESIDE)), NaN where no other engine shows.

    signals: of one block, by feature (`evidence.feature_signals`). cycle_hz: tracked cycle rate; known: where it is
    known.
    """
    found = np.full((len(times), len(BESIDE)), np.nan, np.float32)
    comb = second_comb(signals, times, cycle_hz, known)
    if comb is None or not is_another(comb, limits):
        return found
    shows = comb.clear > SHOWN * comb.clearest
    nearest = np.abs(times[:, None] - comb.t_s).argmin(axis=1)
    rows = np.column_stack([comb.hz, np.full(len(comb.hz), comb.lines_db), comb.own_hz])
    rows[~shows] = np.nan
    found[:] = rows[nearest]
    found[~known] = np.nan
    return found


def is_another(comb: Comb, limits: LimitSet) -> bool:
    """Whether the second comb of a block is another engine's."""
    least = limits.value("beside_clear_parted" if comb.parted else "beside_clear")
    if comb.clearest < least or comb.clearest * comb.breadth < limits.value("beside_broad"):
        return False
    if comb.lines_db < limits.value("beside_least_db"):
        return False
    shows = comb.clear > SHOWN * comb.clearest
    own, other = np.log(comb.own_hz[shows]), np.log(comb.hz[shows])
    if len(own) < limits.value("beside_windows") or _is_of_mains(other, limits):
        return False
    return not _turns_with(own, other, limits)


def _is_of_mains(other: np.ndarray, limits: LimitSet) -> bool:
    """Whether a comb, logarithm of its spacing (windows,), stays at the mains' rate or twice that."""
    near = [abs(float(np.median(other)) - np.log(hz)) < limits.value("beside_of_mains") for hz in GRID_HZ]
    return any(near) and float(other.std()) < limits.value("beside_mains_still")


def _turns_with(own: np.ndarray, other: np.ndarray, limits: LimitSet) -> bool:
    """Whether a comb keeps its ratio to the tracked rate, as what the crank drives does; also where neither moves,
    which does not tell. own, other: logarithms of both rates, (windows,)."""
    moves = min(float(own.std()), float(other.std()))
    apart = float((other - own).std())
    return apart < max(limits.value("beside_locked") * moves, limits.value("beside_still"))
