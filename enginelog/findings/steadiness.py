"""How steady the speed is: the steady-state band of ISO 8528-5 and its classes."""

from __future__ import annotations

import numpy as np

from enginelog.findings.series import Series, running_median
from enginelog.limits import LimitSet

CLASSES = (("G3", "steady_g3_percent"), ("G2", "steady_g2_percent"), ("G1", "steady_g1_percent"))


def band_percent(series: Series, rated_rpm: float | None) -> float | None:
    """Steady-state band: width of the envelope of speed at constant load, per cent of rated speed (of the mean
    where not told).

    The envelope is taken over the values after a running median of a quarter of a second, so that single noisy frames
    do not widen it; its ends are the 0.5th and 99.5th percentile. None with less than 3 s of known speed.
    """
    smooth = running_median(series.rpm, max(int(0.125 / series.step_s), 1))
    known = smooth[np.isfinite(smooth)]
    if len(known) * series.step_s < 3.0:
        return None
    low, high = np.percentile(known, [0.5, 99.5])
    return float(100 * (high - low) / (rated_rpm or series.mean_rpm))


def class_met(percent: float, limits: LimitSet) -> str | None:
    """The strictest class whose band is not exceeded; None where none is. A yardstick, no statement of compliance."""
    for name, limit in CLASSES:
        if percent <= limits.value(limit):
            return name
    return None


def slow_share(series: Series, percent: float, rated_rpm: float | None) -> float:
    """Part of the band that slow movement makes: range of three-second medians over the band, 0..1."""
    slow = running_median(series.rpm, max(int(1.5 / series.step_s), 1))
    slow = slow[np.isfinite(slow)]
    if len(slow) == 0 or percent <= 0:
        return 0.0
    return min(float(100 * np.ptp(slow) / (rated_rpm or series.mean_rpm) / percent), 1.0)
