"""The crank's speed as the located firings tell it: turns between them, over the time they took.

The track hears firings, so that it runs on at the speed before where some are lost and the crank slows. From the last
firing before such a gap to the first one after it the turns are known all the same, and their mean speed with them.
"""

from __future__ import annotations

import numpy as np

from enginelog.firing import local
from enginelog.firing.judging import LOST
from enginelog.limits import LimitSet
from enginelog.model import READ_OVER_S, Firings

FEWEST = 8  # firings from which turns are read


def turning_rpm(t_s: np.ndarray, firings: Firings, limits: LimitSet) -> np.ndarray:
    """Speed in rpm over the quarter of a second about each moment of `t_s` (n,), seconds; NaN where it cannot be read.

    It can where the firings stand clear of the noise (`turning_snr_db`), none is missing (`turning_gap` intervals) and
    half of the quarter second at least lies between firings. Lost ones only count as turns.
    """
    blank = np.full(len(t_s), np.nan)
    fired = ~(firings.miss_probability >= LOST)  # unknown ones count: a wrong moment shifts one reading
    if fired.sum() < FEWEST:
        return blank
    known_s, turns = firings.t_s[fired], firings.revolutions[fired]
    low_s, high_s = (np.clip(t_s + side, known_s[0], known_s[-1]) for side in (-READ_OVER_S / 2, READ_OVER_S / 2))
    taken_s = high_s - low_s
    readable = (taken_s >= READ_OVER_S / 2) & _clear(t_s, firings, limits) & ~_broken(low_s, high_s, firings, limits)
    turned = np.interp(high_s, known_s, turns) - np.interp(low_s, known_s, turns)
    return np.divide(60.0 * turned, taken_s, out=blank, where=readable & (turned > 0))


def _clear(t_s: np.ndarray, firings: Firings, limits: LimitSet) -> np.ndarray:
    """Where the firings within `turning_snr_s` to either side mostly stand far enough above the noise."""
    interval_s = float(np.median(np.diff(firings.t_s)))
    around = local.running_rank(firings.snr_db, max(1, round(limits.value("turning_snr_s") / max(interval_s, 1e-6))))
    return around[_nearest(firings.t_s, t_s)] >= limits.value("turning_snr_db")


def _nearest(places: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """Index of the entry of `places`, rising, next to each of `t_s`."""
    return np.searchsorted(0.5 * (places[1:] + places[:-1]), t_s)


def _broken(low_s: np.ndarray, high_s: np.ndarray, firings: Firings, limits: LimitSet) -> np.ndarray:
    """Whether a stretch without any located opportunity, where turns were only guessed, lies between the two times."""
    gap_s = np.diff(firings.t_s)
    gaps = np.flatnonzero(gap_s > limits.value("turning_gap") * np.median(gap_s))
    begun = np.searchsorted(firings.t_s[gaps], high_s)
    ended = np.searchsorted(firings.t_s[gaps + 1], low_s, side="right")
    return begun > ended
