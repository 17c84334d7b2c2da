"""Pull speed and the compression strokes heard in a pull of the starter.

Each stroke puffs at the exhaust, and often hisses at the intake after it, so that the envelopes of a pull repeat once a
stroke. The lag at which they are most alike, time bent a little since a pull gains speed and loses it again, is the
stroke's length; the strokes themselves are the row of peaks about so far apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.smoothing import mean_within
from enginelog.limits import LimitSet
from enginelog.model import Engine, Span
from enginelog.timeline.traces import Levels

STEP_S = 0.002
BENDS = (-0.3, -0.15, 0.0, 0.15, 0.3)  # of time over a pull: how much faster its beginning may be than its middle
SMOOTH, SLOW = 12, 120  # points of the moving means that are kept and that are taken off
NEED, MOST, STIFF = 0.8, 5.0, 10.0  # of a peak to count as a stroke at all, most it counts, cost of uneven intervals


@dataclass(frozen=True)
class Strokes:
    """What a pull shows. rpm: crank speed between its strokes (median interval), which is what the ignition
    sees, and more than the mean over the rope, since a pull begins at rest; count: strokes heard; likeness: of the
    envelopes one stroke apart, 0..1; uneven: spread of the change from interval to interval (log); height: of the
    peaks over the middles between, in the noise before."""

    rpm: float
    count: int
    likeness: float
    uneven: float
    height: float


def with_pull_speeds(spans: tuple[Span, ...], levels: Levels, engine: Engine, limits: LimitSet) -> tuple[Span, ...]:
    """`spans`, its pulls with the speed and, of a single, the compression strokes heard, where these can be told.

    With several cylinders some strokes always drown, so that their number would mean nothing and is left out.
    """
    out = []
    for span in spans:
        found = heard_strokes(levels, span, engine, limits) if span.kind == "pull" else None
        if found is not None:
            count = found.count if engine.cylinders == 1 else None
            span = replace(span, rpm=found.rpm, compressions=count)
        out.append(span)
    return tuple(out)


def heard_strokes(levels: Levels, span: Span, engine: Engine, limits: LimitSet) -> Strokes | None:
    """The strokes of one pull; None where they are not clear of the noise, or not even."""
    if span.end_s - span.start_s > limits.value("longest_pull_s"):
        return None
    found = _strokes(_curve(levels, span), engine, limits)
    if found is None or found.likeness < limits.value("stroke_likeness"):
        return None
    uneven = found.uneven > limits.value("stroke_uneven")
    return None if uneven or found.height < limits.value("stroke_height") else found


def _curve(levels: Levels, span: Span) -> np.ndarray:
    """How far the envelopes stand above their own slow course, in the spread of the half second before; (n,), each
    2 ms of the pull."""
    per_s = 1 / (STEP_S * levels.fine_db.shape[1])
    zero_s = levels.start_s - 0.5 / per_s if levels.rows else 0.0
    # To the nearest row: edges of spans lie on rows, and a fraction short of one must not make it the row before.
    first = max(round((span.start_s - 0.5 - zero_s) * per_s), 0)
    last = max(round((span.end_s - zero_s) * per_s), first)
    fine = levels.fine_db[first:last].reshape(-1, 2).astype(float)
    t_s = zero_s + first / per_s + (np.arange(len(fine)) + 0.5) * STEP_S
    before, out = t_s < span.start_s - 0.05, np.zeros(len(fine))
    for column in fine.T:
        smooth = mean_within(column, SMOOTH)
        above = smooth - mean_within(smooth, SLOW)
        noise = float(above[before].std()) if before.sum() > 50 else 2.0
        out += above / max(noise, 0.7)
    return out[t_s >= span.start_s]


def _strokes(curve: np.ndarray, engine: Engine, limits: LimitSet) -> Strokes | None:
    """Period, then the row of peaks, of the part of `curve` in which anything moves."""
    power = mean_within(curve**2, 75)
    moving = np.flatnonzero(power > max(1.6, 0.2 * np.percentile(power, 90))) if len(power) > 100 else np.zeros(0)
    if len(moving) < 50:
        return None
    x = np.clip(curve[max(int(moving[0]) - 20, 0) : int(moving[-1]) + 20], -6.0, 8.0)
    x = x - x.mean()
    each = 1 if engine.even_firing else engine.cylinders  # strokes that make one period of the sound
    stroke_s = 60 * engine.revs_per_cycle * each / engine.cylinders  # at one turn a minute
    shortest, longest = (stroke_s / limits.value(name) / STEP_S for name in ("pull_fastest_rpm", "pull_slowest_rpm"))
    lags = np.arange(int(shortest), min(int(longest), int(0.62 * len(x))))
    if len(lags) < 3:
        return None
    lag, likeness = _period(x, lags)
    smooth = mean_within(x, 15)
    at = _row(smooth, lag)
    if len(at) < 3:
        return None
    apart = np.diff(at)
    uneven = float(np.sqrt(np.mean(np.diff(np.log(apart)) ** 2)))
    height = float(smooth[at].mean() - smooth[(at[1:] + at[:-1]) // 2].mean())
    return Strokes(float(stroke_s / (np.median(apart) * STEP_S)), len(at) * each, likeness, uneven, height)


def _period(x: np.ndarray, lags: np.ndarray) -> tuple[int, float]:
    """The shortest lag at which x is about as like itself as at any, over all BENDS, and that likeness."""
    place, best = np.linspace(0, 1, len(x)), np.full(len(lags), -1.0)
    for bend in BENDS:
        at = np.interp(place, place + bend * place * (1 - place), np.arange(len(x)))
        y = np.interp(at, np.arange(len(x)), x)
        best = np.maximum(best, [_likeness(y[:-lag], y[lag:]) for lag in lags])
    peak = np.r_[True, best[1:] >= best[:-1]] & np.r_[best[:-1] > best[1:], True]
    first = int(np.flatnonzero(peak & (best >= 0.85 * best.max()))[0]) if best.max() > 0 else int(best.argmax())
    return int(lags[first]), float(best[first])


def _likeness(a: np.ndarray, b: np.ndarray) -> float:
    return float(a @ b / np.sqrt((a @ a) * (b @ b) + 1e-9))


def _row(x: np.ndarray, lag: int) -> np.ndarray:
    """Indices of the highest row of peaks about `lag` apart, the interval changing little from one to the next."""
    peaks = np.flatnonzero((x[1:-1] >= x[:-2]) & (x[1:-1] > x[2:]) & (x[1:-1] > 0)) + 1
    gain = np.minimum(x[peaks], MOST) - NEED
    score, back = gain.copy(), np.full(len(peaks), -1)
    for j in range(len(peaks)):
        for i in np.flatnonzero((peaks[j] - peaks > 0.6 * lag) & (peaks[j] - peaks < 1.75 * lag)):
            apart = peaks[j] - peaks[i]
            cost = 0.5 * np.log(apart / lag) ** 2
            if back[i] >= 0:
                cost += np.log(apart / (peaks[i] - peaks[back[i]])) ** 2
            if score[i] + gain[j] - STIFF * cost > score[j]:
                score[j], back[j] = score[i] + gain[j] - STIFF * cost, i
    row, j = [], int(score.argmax()) if len(score) else -1
    while j >= 0:
        row.append(int(peaks[j]))
        j = int(back[j])
    return np.array(row[::-1], int)
