"""Sudden changes of speed within a run, each fitted by levels joined through a damped second-order transition.

Model of one event at t0, for u = t - t0:
    speed = before                                            u < 0
    speed = after + exp(-s u) * (A cos(w u) + B sin(w u))     u >= 0,  A = before - after
(w = 0: exp(-s u) * (A + B u)), averaged over the track's own window before it is compared with the track. The decay s,
the ringing w and t0 are searched on a grid, the rest is linear least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.findings.series import Series
from enginelog.limits import LimitSet

DECAYS = np.array([0.4, 0.6, 0.9, 1.3, 2.0, 3.0, 4.5, 7.0, 11.0, 18.0])
RINGS_HZ = np.array([0.0, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.3])


@dataclass(frozen=True)
class Step:
    """One fitted change. `curve_t_s`, `curve_rpm`: the fitted speed freed of the track's smoothing, from at_s
    to end_s.
    """

    at_s: float
    end_s: float
    before_rpm: float
    after_rpm: float
    curve_t_s: np.ndarray
    curve_rpm: np.ndarray

    @property
    def change_percent(self) -> float:
        return 100.0 * (self.after_rpm - self.before_rpm) / self.before_rpm

    def last_outside_s(self, band_percent: float) -> float:
        """Seconds from the event until the fitted speed stays within `band_percent` of the new level."""
        outside = np.abs(self.curve_rpm / self.after_rpm - 1) > band_percent / 100
        return float(self.curve_t_s[outside][-1] - self.at_s) if outside.any() else 0.0


def jump_statistic(series: Series, limits: LimitSet) -> np.ndarray:
    """Change of the mean speed from the stretch before each moment to the one after, in per cent (NaN where
    unknown).
    """
    wide = max(int(round(limits.value("step_window_s") / series.step_s)), 2)
    filled = np.where(series.known, series.rpm, 0.0)
    total = np.concatenate([[0.0], np.cumsum(filled)])
    count = np.concatenate([[0], np.cumsum(series.known)])
    at = np.arange(len(series.rpm))
    low, high = np.maximum(at - wide, 0), np.minimum(at + wide, len(at))
    counts = np.stack([count[at] - count[low], count[high] - count[at]])
    with np.errstate(invalid="ignore", divide="ignore"):
        before = (total[at] - total[low]) / counts[0]
        after = (total[high] - total[at]) / counts[1]
        jump = 100 * np.log(after / before)
    return np.where(counts.min(axis=0) >= 0.4 * wide, jump, np.nan)


def find_moments(series: Series, limits: LimitSet) -> list[float]:
    """Times of sudden changes: jumps that stand out of the run's own restlessness and over a fixed least size."""
    jump = np.abs(jump_statistic(series, limits))
    if not np.isfinite(jump).any():
        return []
    usual = np.nanmedian(jump) / 0.6745
    bound = max(limits.value("step_sigmas") * usual, limits.value("step_percent"))
    moments: list[float] = []
    gap = limits.value("step_gap_s")
    for index in np.argsort(-np.nan_to_num(jump)):
        if not jump[index] > bound:
            break
        if all(abs(series.t_s[index] - other) > gap for other in moments):
            moments.append(float(series.t_s[index]))
    return sorted(moments)


def fit_steps(series: Series, limits: LimitSet) -> list[Step]:
    """Every sudden change of the series, fitted between its neighbours."""
    moments = find_moments(series, limits)
    moments = _drop_echoes(series, moments, limits)
    if not moments:
        return []
    edges = [float(series.t_s[0]), *moments, float(series.t_s[-1]) + series.step_s]
    reach = limits.value("step_reach_s")
    steps = []
    for k, at_s in enumerate(moments):
        margin_low = 1.0 if k else 0.0
        low = max(edges[k] + margin_low, at_s - reach)
        high = min(edges[k + 2] - (0.4 if k + 2 < len(edges) - 1 else 0.0), at_s + reach)
        step = fit_step(series.between(low, high), at_s)
        if step is not None and _worth_keeping(step, limits):
            steps.append(step)
    return steps


def _worth_keeping(step: Step, limits: LimitSet) -> bool:
    """True where the fitted speed moves away from its earlier level by enough, within reason of the data."""
    least = limits.value("step_keep_percent")
    soon = step.curve_rpm[step.curve_t_s < step.at_s + limits.value("step_echo_s")]
    return bool(len(soon)) and 100 * float(np.max(np.abs(soon / step.before_rpm - 1))) >= least


def calm_stretches(series: Series, steps: list[Step], limits: LimitSet) -> list[Series]:
    """The series cut at its sudden changes, each cut leaving out the transition."""
    edges = [float(series.t_s[0])] if len(series.t_s) else []
    parts = []
    for step in steps:
        parts.append((edges[-1], step.at_s - 0.3))
        rest = min(max(step.last_outside_s(1.0), 0.8), limits.value("step_echo_s"))
        edges.append(step.at_s + rest)
    if edges:
        parts.append((edges[-1], float(series.t_s[-1]) + series.step_s))
    return [series.between(low, high) for low, high in parts if high - low > limits.value("calm_least_s")]


def _drop_echoes(series: Series, moments: list[float], limits: LimitSet) -> list[float]:
    """Leave out the recovery of a dip counted as a change of its own: it follows soon and goes the other way."""
    jump = jump_statistic(series, limits)
    kept: list[float] = []
    for at_s in moments:
        size = jump[np.argmin(np.abs(series.t_s - at_s))]
        if kept and at_s - kept[-1] < limits.value("step_echo_s"):
            before = jump[np.argmin(np.abs(series.t_s - kept[-1]))]
            if np.sign(before) != np.sign(size) and abs(size) < 2 * abs(before):
                continue
            if np.sign(before) != np.sign(size):
                kept.pop()
        kept.append(at_s)
    return kept


def fit_step(series: Series, near_s: float) -> Step | None:
    """Best transition near `near_s`; None with fewer than 12 known values or none on one side."""
    known = series.known
    t_s, rpm = series.t_s[known], series.rpm[known]
    if len(t_s) < 12 or (t_s < near_s - 0.3).sum() < 4 or (t_s > near_s + 0.3).sum() < 4:
        return None
    best = min(
        (
            _fit_one(t_s, rpm, t0, series.window_s, decay, ring)
            for t0 in near_s + np.arange(-0.6, 0.61, 0.1)
            for decay in DECAYS
            for ring in RINGS_HZ
        ),
        key=lambda fit: fit[0],
    )
    _, t0, decay, ring, (before, after, b) = best
    u = np.arange(0.0, series.t_s[-1] - t0 + 1e-9, 0.01)
    cosine, sine = _transition(u, decay, ring)
    curve = after + (before - after) * cosine + b * sine
    return Step(float(t0), float(series.t_s[-1]), float(before), float(after), t0 + u, curve)


def _fit_one(t_s, rpm, t0: float, window_s: float, decay: float, ring: float):
    u = t_s - t0
    cosine, sine, on = _smoothed(u, window_s, decay, ring)
    basis = np.stack([1 - on + cosine, on - cosine, sine], axis=1)
    gram = basis.T @ basis + 1e-9 * np.eye(3)
    coefficients = np.linalg.solve(gram, basis.T @ rpm)
    error = np.abs(rpm - basis @ coefficients)
    scale = 1.5 * np.median(error) + 1e-9
    cost = float(np.sum(np.where(error < scale, 0.5 * error**2, scale * error - 0.5 * scale**2)))
    return cost, t0, decay, ring, coefficients


def _transition(u: np.ndarray, decay: float, ring: float) -> tuple[np.ndarray, np.ndarray]:
    fade = np.exp(-decay * u)
    if ring <= 0:
        return fade, u * fade * decay
    return fade * np.cos(2 * np.pi * ring * u), fade * np.sin(2 * np.pi * ring * u)


def _smoothed(u: np.ndarray, window_s: float, decay: float, ring: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The transition's parts (and the unit step) averaged over the window centred at each u, nine points each."""
    offsets = (np.arange(9) - 4) / 9 * window_s
    at = u[:, None] + offsets[None, :]
    on = (at >= 0).astype(float)
    cosine, sine = _transition(np.maximum(at, 0.0), decay, ring)
    return (cosine * on).mean(axis=1), (sine * on).mean(axis=1), on.mean(axis=1)
