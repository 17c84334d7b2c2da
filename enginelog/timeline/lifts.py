"""How far each moment stands above the quiet about it, counted in that quiet's own restlessness.

A pull that lies under the noise of the place still lifts every band by a fraction of a decibel for half a second. In
steady noise that is far more than chance makes (the level of noise over 0.3 s in a band of 1 kHz wanders by about
10/ln 10 / sqrt(0.3 * 1000) = 0.25 dB: its power is the mean of that many independent ones); in talk or wind it is
nothing.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.timeline.activity import Activity
from enginelog.timeline.scene import nearest, templates

WIDTHS = (20, 50)  # frames of 10 ms a moment is looked at over
FLOOR, LOW = 40.0, 10.0  # percentiles of the quiet: its usual level, and one that marks its spread below that
TO_DEVIATION = 1.028  # standard deviations between these two percentiles of a normal distribution
LEAST_DB, LEAST = 0.08, 0.1  # spread that is never gone below, of a band and of their mean
MOST = 15.0  # no band counts for more deviations than this
GROUPS = ((1, 4), (4, 7), (7, 10))


def lifts(activity: Activity, t_s: np.ndarray, running: np.ndarray, width: int) -> np.ndarray:
    """Deviations above the quiet, shape (n, 1 + len(GROUPS)): of all bands together and of each group, tamed by asinh.

    `running`: frames that are no quiet, shape (n,). `width`: frames of 10 ms about each of `t_s`.
    """
    hop_s = float(t_s[1] - t_s[0]) if len(t_s) > 1 else 0.05
    level = moving_mean(activity.bands_db.astype(np.float32), width)[nearest(activity, t_s)]
    bands = np.clip(deviations(level, ~running, hop_s, LEAST_DB), -MOST, MOST)
    means = [bands[:, 1:].mean(axis=1), *(bands[:, first:last].mean(axis=1) for first, last in GROUPS)]
    return np.arcsinh(deviations(np.stack(means, axis=1), ~running, hop_s, LEAST))


def deviations(values: np.ndarray, quiet: np.ndarray, hop_s: float, least: float) -> np.ndarray:
    """`values` less the usual one of the quiet about, in its standard deviations (of `least` at least)."""
    usual, low = templates(values, quiet, hop_s, (FLOOR, LOW))
    return (values - usual) / np.maximum((usual - low) / TO_DEVIATION, least)
