"""How rough a run is over time, window by window: lost firings, uneven strength, movement of the speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.findings.series import Series, half_window, running_median
from enginelog.limits import LimitSet
from enginelog.model import Firings

MOSTLY = 0.5  # share of the windows of a part whose swing must be known for that of the part to be told
WILD = 12.0  # times the median of the windows alike, beyond which the variance of one is taken for a chance


@dataclass(frozen=True)
class Roughness:
    """One row a window. lost, events: sums of misses and counts; swing: variance of the speed in (rpm)^2 (NaN unknown);
    swing_dof: how many independent values that variance holds. uneven: variance of the logarithm of the firings'
    strength (NaN with fewer than three); uneven_dof: how many independent values, one a window."""

    t_s: np.ndarray
    lost: np.ndarray
    events: np.ndarray
    swing: np.ndarray
    swing_dof: float
    uneven: np.ndarray | None = None
    uneven_dof: np.ndarray | None = None


def roughness(
    series: Series, firings: Firings, probability: np.ndarray, limits: LimitSet, uneven: bool = True
) -> Roughness:
    """Roughness in windows over a run, wider ones over a very long run; times count in the recording. uneven: whether
    the unevenness of the firings is asked for."""
    start, end = float(series.t_s[0]), float(series.t_s[-1])
    width = max(limits.value("settling_window_s"), (end - start) / limits.value("settling_most_windows"))
    edges = np.arange(start, end + 1e-9, width)
    count = max(len(edges) - 1, 0)
    place = np.floor((firings.t_s - start) / width).astype(int)
    inside = (place >= 0) & (place < count) & np.isfinite(probability)
    lost = np.bincount(place[inside], weights=probability[inside] > 0.5, minlength=count)
    events = np.bincount(place[inside], minlength=count).astype(float)
    swing = _windowed_variance(series, start, width, count, limits)
    swing_dof = max(0.5 * width / series.window_s, 1.0)
    t_s = edges[:-1] + width / 2 if count else edges[:0]
    unevenness = _windowed_unevenness(firings, place, count, limits) if uneven else ()
    return Roughness(t_s, lost, events, swing, swing_dof, *unevenness)


def _windowed_unevenness(firings: Firings, place: np.ndarray, count: int, limits: LimitSet):
    """Variance of the logarithm of strength in each window about its own mean, and its degrees of freedom."""
    clear = np.nan_to_num(firings.snr_db, nan=-np.inf) >= limits.value("settling_strength_snr_db")
    known = (place >= 0) & (place < count) & clear & np.isfinite(firings.strength)
    value = np.log(np.maximum(firings.strength[known], limits.value("settling_faintest")))
    number, total, square = (
        np.bincount(place[known], weights=weights, minlength=count) for weights in (None, value, value**2)
    )
    dof = np.maximum(number - 1.0, 0.0)
    variance = np.maximum(square - total**2 / np.maximum(number, 1), 0.0) / np.maximum(dof, 1.0)
    return np.where(number >= 3, np.maximum(variance, 1e-6), np.nan), dof


def _windowed_variance(series: Series, start: float, width: float, count: int, limits: LimitSet) -> np.ndarray:
    """Mean square of the speed about its slow course (running median and mean over `settling_slow_s`)."""
    half = half_window(limits.value("settling_slow_s"), series.step_s, 2)
    quick = series.rpm - running_median(series.rpm, half)
    place = np.floor((series.t_s - start) / width).astype(int)
    known = np.isfinite(quick) & (place >= 0) & (place < count)
    total = np.bincount(place[known], weights=quick[known] ** 2, minlength=count)
    number = np.bincount(place[known], minlength=count)
    enough = number >= 0.4 * width / series.step_s
    return np.where(enough, total / np.maximum(number, 1), np.nan)


def noise_changes(firings: Firings, series: Series, limits: LimitSet) -> bool:
    """True where the firings stand out of the noise much more in one half of the run than in the other."""
    half_s = float(series.t_s[0]) + 0.5 * series.seconds
    halves = [firings.snr_db[firings.t_s < half_s], firings.snr_db[firings.t_s >= half_s]]
    if not all(np.isfinite(half).any() for half in halves):
        return True
    early, late = (float(np.nanmedian(half)) for half in halves)
    return abs(early - late) > limits.value("settling_snr_change_db")


def level_of(variance: np.ndarray) -> float | None:
    """Standard deviation of one part of a run from the variances of its windows (n,), each held against the others of
    that part: how long the rest lasted says nothing of it. None where less than half of the part is known."""
    v = variance[np.isfinite(variance) & (variance > 0)]
    if len(v) == 0 or len(v) < MOSTLY * len(variance):
        return None
    return float(np.sqrt(np.minimum(v, WILD * np.median(v)).mean()))
