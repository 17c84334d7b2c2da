"""How evenly the engine fires: spread of the firings' moments and of their strength."""

from __future__ import annotations

import numpy as np

from enginelog.dsp.spread import robust_std
from enginelog.limits import LimitSet
from enginelog.model import Firings


def timing_spread(firings: Firings, limits: LimitSet) -> float | None:
    """Spread of a firing's moment, per cent of the firing interval; None where noise would decide it.

    `timing` is measured against the neighbours' middle, which adds half of their variance: the spread of a single
    firing is that of `timing` divided by sqrt(1.5). Robust (median absolute deviation); lost firings left out.
    """
    snr = float(np.nanmedian(firings.snr_db)) if np.isfinite(firings.snr_db).any() else float("-inf")
    fired = firings.miss_probability < 0.2
    sound = fired & np.roll(fired, 1) & np.roll(fired, -1) & np.isfinite(firings.timing)
    if snr < limits.value("timing_least_snr_db") or sound.sum() < 30:
        return None
    values = firings.timing[sound]
    return float(100 * robust_std(values) / np.sqrt(1.5))


def strength_spread(firings: Firings, limits: LimitSet) -> float | None:
    """Spread of the strength of firings that fired, per cent, freed of the noise; None where noise is the
    larger part.
    """
    fired = firings.miss_probability < 0.2
    if fired.sum() < 30 or not np.isfinite(firings.snr_db[fired]).any():
        return None
    values = firings.strength[fired]
    spread = robust_std(values) ** 2
    noise = 10 ** (-float(np.nanmedian(firings.snr_db[fired])) / 10)
    if noise > 0.5 * spread:
        return None
    return float(100 * np.sqrt(spread - noise))
