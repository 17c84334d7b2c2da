"""The change of a run's roughness over time, by a fit: smoother, rougher, or rough for a while in between.

Roughness is followed in windows of half a second by three measures: lost firings (a share), how unevenly the firings
sound (variance of the logarithm of their strength; it needs no word on which were lost) and the movement of the speed
(a variance, slow changes left out). All follow the same shape over time,
    roughness(t) = last + (first - last) * g(t),   g = 1 until `hold`, then exp(-(t - hold) / tau)
with a step (tau = 0) and a plain exponential (hold = 0) as special cases. Shape and levels are chosen by likelihood
(binomial for the losses, gamma for the variances), divided by the overdispersion and autocorrelation of what is left
over, and held against "no change" by the Bayesian information criterion. Losses and unevenness speak of the same
firings: either joins with the speed, never both. The same of a shape that is 1 from one moment to another and 0 before
and after: a fault that came and went fits a fall from the beginning better than nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from enginelog.findings.roughness import WILD, Roughness, level_of

WIDER = 2.0  # the data fit the shapes less well than chance alone allows: tuned on made-up recordings, seeds 3000-5999
UNCOUNTED_DOUBT = 0.3  # the same where lost firings were not counted: noise and levelling blur the change too
LEAST_DOUBT = 0.1  # the last rough cycles come by chance a little before the change or after it
SETTLED_TAUS = 3.0  # an exponential is within 5 % of its end after three time constants (first-order step, textbook)
EDGES = 30  # moments between which a while is tried: 378 shapes, fewer than of those that end


@dataclass(frozen=True)
class Change:
    """The fitted shape (times from the first window). settle_s: hold + 3 tau, averaged over all shapes that
    fit; gain: how much better (BIC, natural log units) than no change; None fields where not measured. swing and
    uneven are standard deviations (rpm; of the logarithm of strength), as fitted: a very rough part no rougher than a
    few times the whole run. told_: swing as it was. settle_low_s, settle_high_s: 95 % interval. begin_s: None but for a
    while in between: from then to settle_s it is as first_ says, before and after as last_ does.
    """

    settle_s: float
    settle_low_s: float
    settle_high_s: float
    gain: float
    first_share: float | None
    last_share: float | None
    first_swing: float | None
    last_swing: float | None
    first_uneven: float | None
    last_uneven: float | None
    told_first_swing: float | None = None
    told_last_swing: float | None = None
    begin_s: float | None = None


def shapes(t_s: np.ndarray, end_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """All shapes tried: hold times, time constants, and g at `t_s` (shape: tried, windows); the end stays in view."""
    holds = np.unique(np.r_[0.0, t_s[:: max(len(t_s) // 80, 1)]])
    taus = np.concatenate([[0.0], np.geomspace(0.4, max(end_s / 3, 0.8), 14)])
    hold, tau = (grid.ravel() for grid in np.meshgrid(holds, taus, indexing="ij"))
    keep = (hold + 2 * tau < 0.95 * end_s) & (hold + tau > 0)
    hold, tau = hold[keep], tau[keep]
    g = np.maximum(t_s[None, :] - hold[:, None], 0.0)  # how late; in place from here on, since hours have many windows
    steps = g[tau == 0] <= 0
    g /= -np.maximum(tau[:, None], 1e-9)
    np.exp(g, out=g)
    g[tau == 0] = steps
    return hold, tau, g


def _levels(g: np.ndarray, values: np.ndarray, weight, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """First and last level for each shape, by reweighted least squares with weights `weight(mean)`; clipped to
    range.
    """
    mean, sides = np.full(g.shape, values.mean()), np.stack([np.ones(len(values)), values], axis=1)
    before = None
    for _ in range(8):
        w = weight(np.clip(mean, low, high, out=mean))
        (whole, all_of), (part, right) = (w @ sides).T, (np.multiply(w, g, out=w) @ sides).T
        # The normal equations of two unknowns, g and 1 - g, solved by Cramer's rule.
        own = np.einsum("kw,kw->k", w, g)
        both, left = part - own, all_of - right
        own, other = own + 1e-9, whole - part - both + 1e-9
        size = own * other - both**2
        levels = np.stack([right * other - left * both, own * left - both * right], axis=1) / size[:, None]
        levels = np.clip(levels, low, high)
        mean = (levels[:, :1] - levels[:, 1:]) * g
        mean += levels[:, 1:]
        if before is not None and np.array_equal(levels, before):
            break  # as where no firing is lost: it stays so
        before = levels
    return levels, mean


def _of(g: np.ndarray, used: np.ndarray) -> np.ndarray:
    """The windows used of each shape; not copied where all are, since hours have many."""
    return g if used.all() else g[:, used]


def _losses_fit(rough: Roughness, g: np.ndarray):
    """Binomial log-likelihood for each shape, and for no change; levels of each; residuals of the likeliest. None with
    too few events."""
    used = rough.events > 0
    if used.sum() < 6:
        return None
    n, k = rough.events[used], rough.lost[used]
    low = 0.3 / n.sum()
    levels, mean = _levels(_of(g, used), k / n, lambda m: n / (m * (1 - m)), low, 1 - low)
    mean = np.clip(mean, low, 1 - low)
    flat = np.clip(k.sum() / n.sum(), low, 1 - low)
    likelihood = np.log(mean) @ k + np.log(1 - mean) @ (n - k)
    likeliest = mean[int(np.argmax(likelihood))]
    residual = (k / n - likeliest) / np.sqrt(likeliest * (1 - likeliest) / n)
    return likelihood, float(np.sum(k * np.log(flat) + (n - k) * np.log(1 - flat))), levels, residual


def _variances_fit(variance: np.ndarray, dof: np.ndarray | float, g: np.ndarray):
    """Gamma log-likelihood of variances for each shape, and for no change; levels of each; residuals of the likeliest.
    None with too few windows."""
    used = np.isfinite(variance) & (variance > 0)
    if used.sum() < 6:
        return None
    v, shape = variance[used], np.broadcast_to(dof, variance.shape)[used] / 2
    v = np.minimum(v, WILD * np.median(v))
    low = 0.02 * float(np.median(v))
    levels, mean = _levels(_of(g, used), v, lambda m: shape / m**2, low, 1e12)
    mean = np.maximum(mean, low)
    flat = float(np.average(v, weights=shape))
    likelihood = -(np.log(mean) @ shape + (1 / mean) @ (shape * v))
    flat_likelihood = -float(np.sum(shape * (np.log(flat) + v / flat)))
    return likelihood, flat_likelihood, levels, np.sqrt(shape) * (v / mean[int(np.argmax(likelihood))] - 1)


def overdispersion(residual: np.ndarray) -> float:
    """How many times more the residuals vary than they should: their mean square times (1 + r) / (1 - r), r the lag-1
    autocorrelation; at least 1."""
    r = float(np.dot(residual[1:], residual[:-1]) / max(np.dot(residual, residual), 1e-12))
    r = float(np.clip(r, 0.0, 0.8))
    return max(float(np.mean(residual**2)) * (1 + r) / (1 - r), 1.0)


def fit_change(rough: Roughness, bursts: float = 1.0) -> Change | None:
    """Best shape of the change; None where there are too few windows. bursts: least overdispersion of the losses."""
    if len(rough.t_s) < 8:
        return None
    t_s = rough.t_s - rough.t_s[0]
    hold, tau, g = shapes(t_s, float(t_s[-1]))
    fitted = _fitted(rough, g, 1 + ((tau > 0) & (hold > 0)), bursts)
    if fitted is None:
        return None
    score, parts = fitted
    return _of_shape(g, score, parts, _ends(hold, tau, score), rough)


def fit_while(rough: Roughness, bursts: float, least_s: float) -> Change | None:
    """The likeliest while, of `least_s` or more and as far from both ends, that was another than the rest; None where
    the run is too short for one. bursts: as of `fit_change`."""
    least = int(np.ceil(least_s / (rough.t_s[1] - rough.t_s[0]))) if len(rough.t_s) > 1 else 0
    last = len(rough.t_s) - least
    if last - least < max(least, 8):
        return None
    edges = np.unique(np.linspace(least, last, EDGES).astype(int))
    whiles = [pair for pair in combinations(edges, 2) if pair[1] - pair[0] >= least]
    index = np.arange(len(rough.t_s))
    g = np.array([(index >= begin) & (index < end) for begin, end in whiles], float)
    fitted = _fitted(rough, g, 2, bursts)
    if fitted is None:
        return None
    score, parts = fitted
    begin, end = whiles[int(np.argmax(score))]
    step_s = float(rough.t_s[1] - rough.t_s[0])
    change = _of_shape(g, score, parts, (end * step_s,) * 3, rough)
    return replace(change, begin_s=begin * step_s)


def _fitted(rough: Roughness, g: np.ndarray, places, bursts: float):
    """How much better each shape fits than no change, and the fit of each measure; None where none can be fitted.
    places: moments, besides the levels, that each shape has of its own."""
    parts = (
        _losses_fit(rough, g),
        _variances_fit(rough.swing, rough.swing_dof, g),
        None if rough.uneven is None or rough.uneven_dof is None else _variances_fit(rough.uneven, rough.uneven_dof, g),
    )
    if all(part is None for part in parts):
        return None
    gains = [
        None if part is None else _gain(part, least) for part, least in zip(parts, (bursts, 1.0, 1.0), strict=True)
    ]
    each = 0.5 * np.log(len(rough.t_s))
    score = max((way - each * places for way in _ways(gains, each)), key=lambda one: float(one.max()))
    return score, parts


def _of_shape(g: np.ndarray, score: np.ndarray, parts, ends: tuple[float, float, float], rough: Roughness) -> Change:
    """The change of the best shape, as it is told."""
    best = int(np.argmax(score))
    change = _change(ends, float(score[best]), parts, best, rough)
    first, last = level_of(rough.swing[g[best] > 0.5]), level_of(rough.swing[g[best] < 0.1])
    return replace(change, told_first_swing=first, told_last_swing=last)


def _ways(gains: list[np.ndarray | None], cost: float) -> list[np.ndarray]:
    """One measure changes alone, or the speed together with one of the two that speak of the firings."""
    alone = [gain - cost for gain in gains if gain is not None]
    losses, swing, uneven = gains
    if swing is None:
        return alone
    return alone + [gain + swing - 2 * cost for gain in (losses, uneven) if gain is not None]


def _gain(part, least: float) -> np.ndarray:
    """Log-likelihood gained over no change by each shape, divided by the overdispersion at the best one."""
    likelihood, flat, _, residual = part
    return (likelihood - flat) / max(overdispersion(residual), least)


def _ends(hold: np.ndarray, tau: np.ndarray, score: np.ndarray) -> tuple[float, float, float]:
    """The settling time: geometric mean over all shapes, each weighted by how well it fits, and its 95 % interval.

    The three families (step, exponential from the start, hold then exponential) weigh alike beforehand: between them
    the data often cannot choose, and taking the single best one then costs more than averaging.
    """
    weight = np.exp(np.clip(score - score.max(), -60, 0))
    for family in (tau == 0, (tau > 0) & (hold == 0), (tau > 0) & (hold > 0)):
        weight[family] /= max(int(family.sum()), 1)
    weight /= weight.sum()
    ends = np.log(hold + SETTLED_TAUS * tau + 1e-3)
    middle = float(np.sum(weight * ends))
    order = np.argsort(ends)
    reached = np.cumsum(weight[order])
    low, high = (float(ends[order][np.searchsorted(reached, share).clip(0, len(ends) - 1)]) for share in (0.025, 0.975))
    wide = WIDER * np.array([low - middle, 0.0, high - middle])
    low, middle, high = (float(end) for end in np.exp(middle + wide))
    return middle, low, high


def _change(ends, gain: float, parts, best: int, rough: Roughness) -> Change:
    losses, swings, unevens = parts
    share = losses[2][best] if losses else (None, None)
    swing = np.sqrt(swings[2][best]) if swings else (None, None)
    uneven = np.sqrt(unevens[2][best]) if unevens else (None, None)
    half = 0.5 * float(rough.t_s[1] - rough.t_s[0])
    plain = [None if value is None else float(value) for value in (*share, *swing, *uneven)]
    # `hold` is the middle of the last rough window, and there the change lies on average: a window rough in part counts
    # as rough.
    middle, low, high = ends
    within = max(half, (UNCOUNTED_DOUBT if losses is None else LEAST_DOUBT) * middle)
    return Change(middle, min(low, middle - within), max(high, middle + within), gain, *plain)
