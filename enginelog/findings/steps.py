"""Sudden changes of speed within a run, each fitted by levels joined through a damped transition.

Model of one event at t0, for u = t - t0:
    speed = before                                                               u < 0
    speed = after + (before - after - A) exp(-r u) + exp(-s u) (A cos(w u) + B sin(w u))     u >= 0
the first term the quick fall of speed itself, the second the governor's answer with its decay s and ringing w (w = 0:
exp(-s u) (A + B s u)). The model is averaged over the track's own window before it is compared with the track. t0, r, s
and w are searched on a grid, the rest is linear least squares. A second round takes the levels from straight
lines before the event and after recovery, with a slow drift in common, and fits the transition again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.spread import MAD
from enginelog.findings.series import Series
from enginelog.limits import LimitSet

FALLS = np.array([4.0, 8.0])
DECAYS = np.array([0.5, 0.75, 1.1, 1.6, 2.3, 3.3, 5.0])
RINGS_HZ = np.array([0.0, 0.25, 0.35, 0.45, 0.55, 0.7, 0.9, 1.2])


@dataclass(frozen=True)
class Step:
    """One fitted change. `curve_t_s`, `curve_rpm`: the fitted speed freed of the track's smoothing, from at_s
    to end_s; levels_std_percent: how well the change between the levels is known, None where they were hardly seen.
    """

    at_s: float
    end_s: float
    before_rpm: float
    after_rpm: float
    curve_t_s: np.ndarray
    curve_rpm: np.ndarray
    levels_std_percent: float | None = None

    @property
    def change_percent(self) -> float:
        return 100.0 * (self.after_rpm - self.before_rpm) / self.before_rpm

    def last_outside_s(self, band_percent: float) -> float:
        """Seconds from the event until the fitted speed stays within `band_percent` of the new level."""
        outside = np.abs(self.curve_rpm / self.after_rpm - 1) > band_percent / 100
        return float(self.curve_t_s[outside][-1] - self.at_s) if outside.any() else 0.0


def jump_statistic(series: Series, limits: LimitSet) -> np.ndarray:
    """Change of the mean speed from the known values just before each moment to those just after, per cent.

    Each mean takes `step_window_s` worth of known frames, bridging gaps, so that a change hidden in a short loss of the
    speed is still seen; NaN where they reach over more than `step_bridge` times that window.
    """
    wide = max(int(round(limits.value("step_window_s") / series.step_s)), 2)
    at = np.arange(len(series.rpm))
    known = np.flatnonzero(series.known)
    jump = np.full(len(at), np.nan)
    if len(known) < 2 * wide:
        return jump
    total = np.concatenate([[0.0], np.cumsum(series.rpm[known])])
    place = np.searchsorted(known, at)
    whole = (place >= wide) & (place <= len(known) - wide)
    k = place[whole]
    before, after = (total[k] - total[k - wide]) / wide, (total[k + wide] - total[k]) / wide
    near = (
        np.maximum(at[whole] - known[k - wide], known[k + wide - 1] - at[whole]) <= limits.value("step_bridge") * wide
    )
    jump[whole] = np.where(near, 100 * np.log(after / before), np.nan)
    return jump


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
        step = fit_step(series.between(low, high), at_s, limits)
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
        parts.append((edges[-1], _calm_until_s(series, step, limits)))
        rest = min(max(step.last_outside_s(1.0), 0.8), limits.value("step_echo_s"))
        edges.append(step.at_s + rest)
    if edges:
        parts.append((edges[-1], float(series.t_s[-1]) + series.step_s))
    return [series.between(low, high) for low, high in parts if high - low > limits.value("calm_least_s")]


def _calm_until_s(series: Series, step: Step, limits: LimitSet) -> float:
    """The end of what is calm before a change. An engine that stumbles as its throttle is opened falls first, and its
    change is fitted to the climb after: the fall is no part of what is calm."""
    before_s = step.at_s - 0.3
    if abs(step.change_percent) < limits.value("load_percent"):
        return before_s
    near = series.between(before_s - limits.value("step_echo_s"), before_s)
    calm = near.t_s[np.abs(near.rpm / step.before_rpm - 1) <= limits.value("throttle_began_percent") / 100]
    return min(before_s, float(calm[-1]) - 0.3) if len(calm) and calm[-1] < before_s - 0.1 else before_s


def _drop_echoes(series: Series, moments: list[float], limits: LimitSet) -> list[float]:
    """Leave out recovery and ringing of a change counted as changes of their own: they follow soon and are not
    much larger.
    """
    jump = np.abs(jump_statistic(series, limits))
    kept: list[float] = []
    for at_s in moments:
        size = jump[np.argmin(np.abs(series.t_s - at_s))]
        if kept and at_s - kept[-1] < limits.value("step_echo_s"):
            if size < 2 * jump[np.argmin(np.abs(series.t_s - kept[-1]))]:
                continue
            kept.pop()
        kept.append(at_s)
    return kept


def fit_step(series: Series, near_s: float, limits: LimitSet) -> Step | None:
    """Best transition near `near_s`; None with fewer than 12 known values or none on one side."""
    known = series.known
    t_s, rpm = series.t_s[known], series.rpm[known]
    if len(t_s) < 12 or (t_s < near_s - 0.3).sum() < 4 or (t_s > near_s + 0.3).sum() < 4:
        return None
    best = min(
        (
            _best_shape(t_s, rpm, t0, series.window_s, fall)
            for t0 in near_s + np.arange(-0.6, 0.61, 0.12)
            for fall in FALLS
        ),
        key=lambda fit: fit[0],
    )
    first = _described(best, series)
    levels = _levels_either_side(t_s, rpm, first, limits)
    if levels is None:
        return first
    before, after, slope, std = levels
    even = rpm - slope * (t_s - first.at_s)
    best = min(
        (
            _best_shape(t_s, even, t0, series.window_s, fall, (before, after))
            for t0 in first.at_s + np.array([-0.12, -0.06, 0.0, 0.06, 0.12])
            for fall in FALLS
        ),
        key=lambda fit: fit[0],
    )
    return replace(_described(best, series), levels_std_percent=std)


def _levels_either_side(
    t_s: np.ndarray, rpm: np.ndarray, first: Step, limits: LimitSet
) -> tuple[float, float, float, float] | None:
    """Levels before and after at the event, and the drift they share (rpm a second); None with too little either side.

    Straight lines of one slope through what lies before the event and what lies after recovery, near values weighing
    more; the slope is drawn towards none according to how well the data know it (values within a second are alike).
    What the first fit has left of the transition after recovery is taken off: a slow governor is still on its way.
    """
    u, recovered = t_s - first.at_s, limits.value("step_recovered_percent")
    sides = [u < -0.3, u > min(first.last_outside_s(recovered), limits.value("step_latest_s")) + 0.3]
    if min(side.sum() for side in sides) < 20:
        return None
    left = np.where(u > 0, np.interp(t_s, first.curve_t_s, first.curve_rpm) - first.after_rpm, 0.0)
    left = np.clip(left, *(np.array([-2, 2]) * recovered / 100 * first.after_rpm))
    parts = [_weighted(u[side], (rpm - left)[side], limits.value("step_near_s")) for side in sides]
    alike = max(1.0 / np.median(np.diff(t_s)), 1.0)
    noise = np.mean([part[4] for part in parts]) * alike
    known = sum(part[2] for part in parts) + noise / (limits.value("step_slope_prior") * first.before_rpm) ** 2
    slope = sum(part[3] for part in parts) / known
    before, after = (rpm_mean - slope * u_mean for u_mean, rpm_mean, *_ in parts)
    far = parts[1][0] - parts[0][0]
    std = np.sqrt(noise * (sum(1 / part[5] for part in parts) + far**2 / known)) / first.before_rpm
    return (
        float(before),
        float(after),
        float(slope),
        float(np.hypot(100 * std, limits.value("step_level_doubt_percent"))),
    )


def _weighted(u: np.ndarray, rpm: np.ndarray, near_s: float) -> tuple[float, float, float, float, float, float]:
    """Mean u, mean rpm, sum of squares of u, sum of products, variance of rpm about its line, and effective
    number; weights fall with
    distance (e-fold in `near_s`), values farther than four robust deviations from the median weigh nothing."""
    off = np.abs(rpm - np.median(rpm))
    w = np.exp(-(np.abs(u) - np.abs(u).min()) / near_s) * (off <= 4 * MAD * np.median(off) + 1e-9)
    u_mean, rpm_mean = np.average(u, weights=w), np.average(rpm, weights=w)
    x, y = u - u_mean, rpm - rpm_mean
    squares, products = float(np.sum(w * x * x)), float(np.sum(w * x * y))
    rest = y - x * products / squares
    effective = float(np.sum(w) ** 2 / np.sum(w**2))
    return float(u_mean), float(rpm_mean), squares, products, float(np.average(rest**2, weights=w)), effective


def _described(best, series: Series) -> Step:
    _, t0, fall, decay, ring, (before, after, a, b) = best
    u = np.arange(0.0, series.t_s[-1] - t0 + 1e-9, 0.01)
    cosine, sine = _transition(u, decay, ring)
    curve = after + (before - after - a) * np.exp(-fall * u) + a * cosine + b * sine
    return Step(float(t0), float(series.t_s[-1]), float(before), float(after), t0 + u, curve)


def _best_shape(t_s, rpm, t0: float, window_s: float, fall: float, levels: tuple[float, float] | None = None):
    """(cost, t0, fall, decay, ring, (before, after, A, B)) of the best of all decays and rings, fitted at once.

    levels: before and after where they are known already. Least squares, compared by Huber's cost with each fit's own
    scale, so that single wild frames do not choose.
    """
    decays, rings = (grid.ravel()[:, None, None] for grid in np.meshgrid(DECAYS, RINGS_HZ, indexing="ij"))
    offsets = (np.arange(5) - 2) / 5 * window_s
    at = (t_s - t0)[None, :, None] + offsets
    on, late = (at >= 0).astype(float), np.maximum(at, 0.0)
    cosine, sine = ((part * on).mean(axis=2) for part in _transition(late, decays, rings))
    on, quick = on.mean(axis=2)[0], (np.exp(-fall * late) * on).mean(axis=2)[0]
    steady = [np.broadcast_to(part, cosine.shape) for part in (1 - on + quick, on - quick)]
    basis, target = np.stack([*steady, cosine - quick, sine], axis=2), rpm
    if levels is not None:
        target = rpm - levels[0] * steady[0][0] - levels[1] * steady[1][0]
        basis = basis[:, :, 2:]
    gram = np.swapaxes(basis, 1, 2) @ basis + 1e-3 * np.eye(basis.shape[2])
    coefficients = np.linalg.solve(gram, np.swapaxes(basis, 1, 2) @ target[:, None])
    error = np.abs(target - (basis @ coefficients)[:, :, 0])
    scale = 1.5 * np.median(error, axis=1, keepdims=True) + 1e-9
    cost = np.sum(np.where(error < scale, 0.5 * error**2, scale * error - 0.5 * scale**2), axis=1)
    k = int(np.argmin(cost))
    found = coefficients[k, :, 0] if levels is None else np.r_[levels, coefficients[k, :, 0]]
    return float(cost[k]), t0, fall, float(decays[k, 0, 0]), float(rings[k, 0, 0]), found


def _transition(u: np.ndarray, decay, ring) -> tuple[np.ndarray, np.ndarray]:
    """exp(-decay u) times cos and sin of the ringing; where there is none, exp and decay u exp (critical damping)."""
    fade, turn = np.exp(-decay * u), 2 * np.pi * ring * u
    return fade * np.cos(turn), fade * np.where(np.asarray(ring) > 0, np.sin(turn), decay * u)
