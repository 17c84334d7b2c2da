"""The strongest regular oscillation of a stretch of speed: its rate, its size and how it goes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from enginelog.findings.series import Series
from enginelog.findings.swing_fit import Fit, Prepared, candidate_rates, fit_at, merit, preparation, prepared, refine
from enginelog.findings.swing_shape import gain_at_least, shape_of
from enginelog.limits import LimitSet

SWING_DOUBT, UNEXPLAINED_DOUBT = 0.15, 1.5  # of swing_percent: tuned on made-up recordings, seeds 3000-5999
MOSTLY = 0.9  # of a stretch


@dataclass(frozen=True)
class Swing:
    """The strongest regular oscillation of a stretch. `share`: how much of the movement round the rate it explains.

    growth: log ratio of the swing in the last third to that in the first (positive: grows).
    chance: probability that noise alone makes it (F-test, all rates searched).
    time_share: part of the stretch in which the swing is above half its median and above half the dead band.
    gain: share of the swing left by the smoothing it was read through, at least. swing_percent lies in the middle
    between what is left and what may have been. hidden, wave: as of `Shape`, where the swing is there.
    overall_percent: the swing over all of the stretch, that of the time without it too.
    """

    rate_hz: float
    swing_percent: float
    swing_rpm: float
    share: float
    chance: float
    cycles: float
    growth: float
    time_share: float
    start_s: float
    end_s: float
    gain: float = 1.0
    hidden: float = 1.0
    overall_percent: float = 0.0
    wave: np.ndarray = field(default_factory=lambda: np.zeros((1, 1)), repr=False, compare=False)

    @property
    def between_percent(self) -> tuple[float, float]:
        """95 % interval of swing_percent: the smoothing may have taken less than it does at most, movement that the
        swing does not explain may be part of it or hide part of it, and overtones may be hidden."""
        doubt, middle = SWING_DOUBT + UNEXPLAINED_DOUBT * (1 - self.share), self.gain**0.5
        most = self.swing_percent / middle * self.hidden * (1 + doubt)
        return max(self.swing_percent * middle * (1 - doubt), 0.0), most


def strongest_swing(
    series: Series, low_hz: float, high_hz: float, limits: LimitSet, least_cycles: float | None = None
) -> Swing | None:
    """The most significant oscillation between two rates; None where the stretch is too short to hold one."""
    known = series.known
    if known.sum() < 20 or known.mean() < 0.4:
        return None
    t_s = series.t_s[known]
    length = float(t_s[-1] - t_s[0])
    low_hz = max(low_hz, (least_cycles or limits.value("hunting_cycles")) / length)
    if low_hz >= high_hz:
        return None
    percent = 100 * (series.rpm[known] / series.mean_rpm - 1)
    return _search(t_s, percent, series, low_hz, high_hz, limits)


def _search(t_s, percent, series: Series, low_hz: float, high_hz: float, limits: LimitSet) -> Swing | None:
    length = float(t_s[-1] - t_s[0])
    rates = candidate_rates(t_s, percent, series.step_s, low_hz, high_hz)
    if not rates:
        return None
    kept: dict[tuple[int, int], Prepared] = {}

    def ready(rate: float) -> Prepared:
        how = preparation(rate, length, series.step_s)
        if how not in kept:
            kept[how] = prepared(t_s, percent, series.step_s, *how)
        return kept[how]

    fits = sorted((fit_at(ready(rate), rate, length) for rate in rates), key=merit)[-2:]
    refined = [refine(ready(fit.rate_hz), fit, length, low_hz, high_hz) for fit in fits]
    looked_at = max((high_hz - low_hz) * length, 1.0)
    return _describe(max(refined, key=merit), series, looked_at, limits)


def _describe(fit: Fit, series: Series, looked_at: float, limits: LimitSet) -> Swing:
    from scipy.special import fdtrc

    shape = shape_of(fit, series)
    local = shape.local
    swing = float(np.median(local))
    third = max(len(local) // 3, 1)
    growth = float(np.log(max(np.median(local[-third:]), 1e-6) / max(np.median(local[:third]), 1e-6)))
    there = local > max(0.5 * swing, 0.5 * limits.value("hunting_dead_band_percent"))
    if 0 < np.mean(there) < MOSTLY:  # of the time in which it is there, not of that in which it is not
        swing = float(np.median(local[there]))
    # What lies in the gaps is free to fit any swing.
    looked_at /= float(np.mean(series.known)) ** 2
    chance = min(looked_at * float(fdtrc(*fit.dof, fit.f_value)), 1.0)
    turning = _mean_turning(fit)
    return Swing(
        rate_hz=fit.rate_hz + turning,
        swing_percent=swing,
        swing_rpm=swing / 100 * series.mean_rpm,
        share=fit.share,
        chance=chance,
        cycles=fit.rate_hz * float(fit.t_s[-1] - fit.t_s[0]),
        growth=growth,
        time_share=float(np.mean(there)),
        start_s=float(fit.t_s[0]),
        end_s=float(min(fit.t_s[-1], series.t_s[-1])),  # the last values averaged may be fewer
        gain=gain_at_least(fit.rate_hz, series),
        hidden=shape.hidden,
        overall_percent=float(np.median(local)),
        wave=shape.wave[there] if there.any() else shape.wave,
    )


def _mean_turning(fit: Fit) -> float:
    """Slow turning of the fitted phase, Hz: what the grid's rate missed (weighted by the envelope)."""
    if len(fit.phase) < 10 or not fit.envelope.max() > 1e-12:  # a perfectly steady speed has no phase
        return 0.0
    phase = np.unwrap(fit.phase)
    weight = fit.envelope / (fit.envelope.max() + 1e-12)
    slope = np.polyfit(fit.t_s, phase, 1, w=weight)[0] / (2 * np.pi)
    length = fit.t_s[-1] - fit.t_s[0]
    return float(np.clip(slope, -1.0 / length, 1.0 / length))
