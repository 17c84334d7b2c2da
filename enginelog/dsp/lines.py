"""Whether pulses at given places of a period sound together, by the lines of the order spectrum.

Equal pulses cancel some lines of the period (`dsp.pulses.line_strengths`). One alone cancels none: where the others
are silent, these lines stand as high as their neighbours, even where echoes fill their places in time.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.pulses import line_strengths

LINES = 40  # lines that are looked at: order 20 of a four-stroke
EMPTY, FULL = 0.15, 0.5  # strength up to which a line ought to be empty, and from which a neighbour counts
CLEAR_DB = 6.0  # a neighbour must stand so far above the level half-way between lines
AS_STRONG_DB = 3.0  # 10 log10(2): line and noise together over the noise alone
BESIDE = 1.0 / 16.0  # orders about a line among which its highest level is read


def cancelled_db(order: np.ndarray, level_db: np.ndarray, places: np.ndarray, first: float) -> float | None:
    """Median level in dB of the lines that ought to be cancelled, against the mean of their neighbours.

    order, level_db: (n,) the spectrum. places: where in the period each pulse lies, as a part of it. first: order of
    the period's first line. Near and above 0: nothing cancels them, as if one pulse came alone. None for a single
    pulse, and where no such line has a neighbour that stands out.
    """
    if len(places) == 1:
        return None
    strength = line_strengths(places, LINES)
    level, between = (
        np.array([_highest(order, level_db, first * (line + aside)) for line in range(1, LINES + 1)])
        for aside in (0.0, 0.5)
    )
    found = []
    for place in np.flatnonzero(strength < EMPTY):
        about = [beside for beside in (place - 1, place + 1) if 0 <= beside < LINES and strength[beside] > FULL]
        if any(level[beside] - between[beside] > CLEAR_DB for beside in about):
            found.append(level[place] - np.mean(level[about]))
    return float(np.median(found)) if found else None


def standing(order: np.ndarray, level_db: np.ndarray, first: float, parts: int) -> float:
    """Share, 0..1, of the lines of a period that stand out, of those that are none of a `parts` times shorter period:
    above what lies half-way to the next line on either side, by as much as one that is as strong as the noise (3 dB).

    order, level_db: (n,) the spectrum. first: order of the period's first line. None of them stands where the sound
    repeats itself `parts` times a period, each time alike.
    """
    lines = [line for line in range(1, LINES + 1) if line % parts]
    level = np.array([_highest(order, level_db, first * line) for line in lines])
    beside = [[_highest(order, level_db, first * (line + aside)) for line in lines] for aside in (-0.5, 0.5)]
    return float(np.mean(level - np.mean(beside, axis=0) > AS_STRONG_DB))


def _highest(order: np.ndarray, level_db: np.ndarray, about: float) -> float:
    """Highest level about an order; minus infinity off the spectrum."""
    near = np.abs(order - about) <= BESIDE + 1e-9
    return float(np.max(level_db[near], initial=-np.inf))
