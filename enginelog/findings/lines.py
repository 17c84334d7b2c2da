"""Whether the cylinders sound together as their layout has it, by the lines of the order spectrum.

Equal firings at the told crank angles cancel some lines of the cycle (`dsp.pulses.line_strengths`). One cylinder alone
cancels none: where a cylinder is silent, these lines stand as high as their neighbours, even where echoes fill its
places in time.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.pulses import line_strengths
from enginelog.model import Engine, Spectrum

LINES = 40  # lines of the cycle that are looked at: order 20 of a four-stroke
EMPTY, FULL = 0.15, 0.5  # strength up to which a line ought to be empty, and from which a neighbour counts
CLEAR_DB = 6.0  # a neighbour must stand so far above the level half-way between lines
BESIDE = 1.0 / 16.0  # orders about a line among which its highest level is read


def cancelled_db(spectrum: Spectrum | None, engine: Engine) -> float | None:
    """Median level in dB of the lines that ought to be cancelled, against the mean of their neighbours.

    Near and above 0: nothing cancels them, as if one cylinder fired alone. None for a single, and where no such line
    has a neighbour that stands out.
    """
    if spectrum is None or engine.cylinders == 1:
        return None
    strength = line_strengths(np.asarray(engine.firing_angles_deg, float) / engine.cycle_deg, LINES)
    step = 1.0 / engine.revs_per_cycle
    level, between = (
        np.array([_highest(spectrum, step * (line + aside)) for line in range(1, LINES + 1)]) for aside in (0.0, 0.5)
    )
    found = []
    for place in np.flatnonzero(strength < EMPTY):
        about = [beside for beside in (place - 1, place + 1) if 0 <= beside < LINES and strength[beside] > FULL]
        if any(level[beside] - between[beside] > CLEAR_DB for beside in about):
            found.append(level[place] - np.mean(level[about]))
    return float(np.median(found)) if found else None


def _highest(spectrum: Spectrum, order: float) -> float:
    """Highest level about an order; minus infinity off the spectrum."""
    near = np.abs(np.asarray(spectrum.order) - order) <= BESIDE + 1e-9
    return float(np.max(np.asarray(spectrum.level_db)[near], initial=-np.inf))
