"""Settling: a run that is rough at first and then clean, found by a fitted change.

Roughness is followed in windows of half a second by three measures: lost firings (a share), how unevenly the firings
sound (variance of the logarithm of their strength; it needs no word on which were lost) and the movement of the speed
(a variance, slow changes left out). All follow the same shape over time,
    roughness(t) = last + (first - last) * g(t),   g = 1 until `hold`, then exp(-(t - hold) / tau)
with a step (tau = 0) and a plain exponential (hold = 0) as special cases. Shape and levels are chosen by likelihood
(binomial for the losses, gamma for the variances), divided by the overdispersion and autocorrelation of what is left
over, and held against "no change" by the Bayesian information criterion. Losses and unevenness speak of the same
firings: either joins with the speed, never both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.spread import SINE_SWING
from enginelog.findings.patterns import burst_effect, comes_in_bursts
from enginelog.findings.roughness import WILD, Roughness, level_of, noise_changes, roughness
from enginelog.findings.series import Series
from enginelog.limits import LimitSet
from enginelog.model import Firings

WIDER = 2.0  # the data fit the shapes less well than chance alone allows: tuned on made-up recordings, seeds 3000-5999
LEAST_UNEVEN = 0.02  # no engine fires more evenly: then its firings were not heard one by one
UNCOUNTED_DOUBT = 0.3  # the same where lost firings were not counted: noise and levelling blur the change too
LEAST_DOUBT = 0.1  # the last rough cycles come by chance a little before the change or after it
SETTLED_TAUS = 3.0  # an exponential is within 5 % of its end after three time constants (first-order step, textbook)


@dataclass(frozen=True)
class Change:
    """The fitted shape (times from the first window). settle_s: hold + 3 tau, averaged over all shapes that
    fit; gain: how much better (BIC, natural log units) than no change; None fields where not measured. swing and
    uneven are standard deviations (rpm; of the logarithm of strength), as fitted: a very rough part no rougher than a
    few times the whole run. told_: swing as it was. settle_low_s, settle_high_s: 95 % interval.
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


# ---------------------------------------------------------------- the fit


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
    each = 0.5 * np.log(len(t_s))
    penalty = each * (1 + ((tau > 0) & (hold > 0)))
    score = max((way - penalty for way in _ways(gains, each)), key=lambda one: float(one.max()))
    best = int(np.argmax(score))
    ends = _ends(hold, tau, score)
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


# ---------------------------------------------------------------- the answer


@dataclass(frozen=True)
class SettlingStudy:
    """course: settles, worsens, steady, rough (rough throughout), unknown. settle_s counts from `started_s`.

    reason: why unknown, where there is more to say than that the run is too short or was not heard.
    """

    course: str
    settle_s: float | None
    change: Change | None
    rough_misfire_percent: float | None
    last_misfire_percent: float | None
    rough_swing_rpm: float | None
    last_swing_rpm: float | None
    between_s: tuple[float, float] | None = None
    rough_uneven_percent: float | None = None
    last_uneven_percent: float | None = None
    reason: str | None = None

    @property
    def told(self) -> bool:
        """Whether there is any figure of how rough it was."""
        return (self.rough_misfire_percent, self.rough_swing_rpm, self.rough_uneven_percent) != (None, None, None)


AT_ODDS = "the speed and the firings change in opposite ways, so that neither tells of a rough start"
HINTED = "how smoothly it runs changes a little in its course, too little to tell a rough start"
UNHEARD = "lost firings stand out too little to tell a rough start"
UNKNOWN = SettlingStudy("unknown", None, None, None, None, None, None)


def study_settling(
    series: Series,
    firings: Firings,
    probability: np.ndarray | None,
    started_s: float,
    limits: LimitSet,
    one_load: bool = True,
) -> SettlingStudy:
    """Settling over one run. `series`: run-up left out; `firings`: of that run alone; `probability`: of a miss, None
    where misses cannot be counted; one_load: whether load and throttle stayed as they were.

    How unevenly the firings sound is asked only where they cannot be counted, and never across a change of load: an
    engine at work stands farther out of the noise than one without.
    """
    if series.seconds < limits.value("settling_least_s"):
        return UNKNOWN
    counted = np.full(len(firings.t_s), np.nan) if probability is None else probability
    uneven = probability is None and one_load and not noise_changes(firings, series, limits)
    rough = roughness(series, firings, counted, limits, uneven)
    told = (firings.t_s >= series.t_s[0]) & np.isfinite(counted)
    lost = counted[told] > 0.5
    change = fit_change(rough, burst_effect(lost) if comes_in_bursts(lost, limits) else 1.0)
    if change is None:
        return UNKNOWN
    course = _course(change, series.mean_rpm, limits)
    none_lost = probability is not None and not lost.any() and _followed(firings, told, limits)
    heard = none_lost or _misses_clear(firings, counted, limits) or _even_throughout(change, limits)
    course, reason = _with_reason(course, heard, change, limits)
    return replace(_told(change, course, float(series.t_s[0]) - started_s), reason=reason)


def _with_reason(course: str, heard: bool, change: Change, limits: LimitSet) -> tuple[str, str | None]:
    """The course as it is told, and where none is, why. heard: whether lost firings would have been heard."""
    if course == "unknown":
        return course, AT_ODDS
    if course != "steady" or (heard and _no_hint(change, limits)):
        return course, None
    return "unknown", HINTED if heard else UNHEARD


def _told(change: Change, course: str, first_s: float) -> SettlingStudy:
    """The fitted change as it is handed on; first_s: of its first window, after the start of the run."""
    low, settle, high = (
        max(first_s + end, 0.0) for end in (change.settle_low_s, change.settle_s, change.settle_high_s)
    )
    rough_swing, last_swing = _told_swing(change)
    return SettlingStudy(
        course,
        settle if course == "settles" else None,
        change,
        _percent(change.first_share),
        _percent(change.last_share),
        _peak_to_peak(rough_swing),
        _peak_to_peak(last_swing),
        (low, high) if course == "settles" else None,
        _percent(change.first_uneven),
        _percent(change.last_uneven),
    )


def _told_swing(change: Change) -> tuple[float | None, float | None]:
    """First and last swing as told; as fitted where there is nothing else to say of how rough it was."""
    if (change.told_first_swing, change.first_share, change.first_uneven) == (None, None, None):
        return change.first_swing, change.last_swing
    return change.told_first_swing, change.told_last_swing


def _followed(firings: Firings, told: np.ndarray, limits: LimitSet) -> bool:
    """True where nearly all firings were counted, and stand out of the noise at least a little."""
    enough = told.sum() >= limits.value("settling_told") * len(told)
    return bool(enough and np.nanmedian(firings.snr_db[told]) >= limits.value("settling_told_snr_db"))


def _misses_clear(firings: Firings, counted: np.ndarray, limits: LimitSet) -> bool:
    """True where lost firings of a rough start would have been heard."""
    told = np.isfinite(counted)
    return bool(told.any() and np.nanmedian(firings.snr_db[told]) >= limits.value("settling_least_snr_db"))


def _even_throughout(change: Change, limits: LimitSet) -> bool:
    """True where the firings, uncounted as they are, sound evenly strong from first to last."""
    if change.first_uneven is None or change.last_uneven is None:
        return False
    most = max(change.first_uneven, change.last_uneven)
    return LEAST_UNEVEN < most < limits.value("settling_even")


def _no_hint(change: Change, limits: LimitSet) -> bool:
    """True where nothing looks like a rough start either, too little as it may be to say so."""
    if change.gain > 0 and _size(change.first_share, change.last_share, limits.value("settling_least_percent") / 100):
        return False
    pairs = ((change.first_swing, change.last_swing), (change.first_uneven, change.last_uneven))
    falls = any(_size(first, last, 0.0, limits.value("settling_hint_ratio")) for first, last in pairs)
    return not (falls and change.gain > limits.value("settling_hint_gain"))


def _percent(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


def _peak_to_peak(deviation: float | None) -> float | None:
    """A swing's peak to peak from its standard deviation: 2 sqrt(2) times, as for a sine."""
    return None if deviation is None else float(SINE_SWING * deviation)


def _course(change: Change, mean_rpm: float, limits: LimitSet) -> str:
    by_misses = _size(change.first_share, change.last_share, limits.value("settling_least_percent") / 100)
    least_rpm = limits.value("settling_least_swing_percent") / 100 * mean_rpm / SINE_SWING
    by_swing = _size(change.first_swing, change.last_swing, least_rpm, limits.value("settling_swing_ratio"))
    least_uneven, ratio = limits.value("settling_least_uneven"), limits.value("settling_uneven_ratio")
    by_uneven = _size(change.first_uneven, change.last_uneven, least_uneven, ratio)
    smoother, rougher = sorted((change.first_uneven or 0.0, change.last_uneven or 0.0))
    if smoother > limits.value("settling_most_uneven") or rougher < limits.value("settling_rough_uneven"):
        by_uneven = 0
    if _size(change.first_swing, change.last_swing, 0.0, limits.value("settling_hint_ratio")) != by_uneven:
        by_uneven = 0  # lost firings move the speed too; what changes the strength alone is noise
    counted = by_misses or by_swing
    if counted and change.gain > limits.value("settling_gain"):
        if not by_misses and _firings_say(change, limits) == -by_swing:
            return "unknown"  # the firings grow even while the speed grows restless, or the other way round
        return "settles" if counted > 0 else "worsens"
    if by_uneven and change.gain > limits.value("settling_uneven_gain"):
        return "settles" if by_uneven > 0 else "worsens"
    high = change.last_share is not None and 100 * change.last_share > limits.value("misfire_fault_percent")
    return "rough" if high else "steady"


def _firings_say(change: Change, limits: LimitSet) -> int:
    """+1 where the firings hint at a rougher beginning, -1 at a rougher end, 0 neither: by losses, else unevenness."""
    ratio = limits.value("settling_hint_ratio")
    return _size(change.first_share, change.last_share, 0.0, ratio) or _size(
        change.first_uneven, change.last_uneven, 0.0, ratio
    )


def _size(first: float | None, last: float | None, least: float, ratio: float = 2.0) -> int:
    """+1 where the first level is `ratio` times the last and `least` above it, -1 the other way round, else 0."""
    if first is None or last is None:
        return 0
    if first - last > least and first > ratio * last:
        return 1
    return -1 if last - first > least and last > ratio * first else 0
