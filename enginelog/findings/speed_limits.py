"""Speeds held against limits: blade tip, rated speed, told idle, generator frequency; balance of a twin."""

from __future__ import annotations

import numpy as np

from enginelog.findings.series import AT_ONCE, Series, nanmedian_rows
from enginelog.limits import LimitSet
from enginelog.limits.trade import formulas

alternator_hz = formulas.alternator_hz


def blade_rpm_limit(blade_length_mm: float, tip_speed_ft_min: float) -> float:
    """Highest speed of a blade, rpm: tip speed / (pi * length). 18 in at 19000 ft/min: 4032 (TM
    5-4240-501-14P p. 143).
    """
    return formulas.blade_limit_rpm(blade_length_mm, tip_speed_ft_min * formulas.METRES_PER_FOOT / 60)


def sustained_top_rpm(series: Series) -> float | None:
    """Highest speed held for about a second: the largest one-second median with at least half of it known."""
    width = max(int(round(1.0 / series.step_s)), 3)
    if len(series.rpm) < width:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(series.rpm, width)
    tops = [_top_median(frames[first : first + AT_ONCE]) for first in range(0, len(frames), AT_ONCE)]
    return max((top for top in tops if top is not None), default=None)


def _top_median(frames: np.ndarray) -> float | None:
    """The largest median of the rows of `frames` of which half is known; None where there is none."""
    enough = frames[np.isfinite(frames).mean(axis=1) >= 0.5]
    return float(np.max(nanmedian_rows(enough))) if len(enough) else None


def weak_cylinder(both_rpm: float, grounded_rpm: dict[int, float], limits: LimitSet) -> int | None:
    """Balance test of a twin: the cylinder whose plug, grounded, costs least speed is the weak one; None where
    they are even.

    grounded_rpm: speed with that cylinder's plug grounded. 3400 with both, 3300 without 1, 3100 without 2: cylinder 1
    (twin engine service manuals; a difference above `balance_rpm`, 75 rpm, counts).
    """
    return formulas.weak_cylinder(both_rpm, grounded_rpm, limits.value("balance_rpm"))
