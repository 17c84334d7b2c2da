"""Hunting: a sustained, regular oscillation of speed between 0.1 and 5 Hz.

At each rate the speed is fitted by trend + swing + second harmonic, the trend slower than the rate, the swing with an
amplitude and phase that change slowly (a handful of low-order cosines, their number growing with the cycles heard).
Three things must agree before hunting is said:
  - the swing stands out of the movement at neighbouring rates (F-test, corrected for the number of rates looked at);
  - it is regular: one slowly changing swing explains most of the movement round its rate. A governor's random wobble,
    however strongly it prefers one rate, loses its phase within a few cycles;
  - it is larger than the dead band (small continuing wobble is normal for a mechanical governor).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings.series import Series
from enginelog.limits import LimitSet

FOUND = "a regular, sustained swing"
SWING_DOUBT, UNEXPLAINED_DOUBT = 0.15, 1.5  # of swing_percent: tuned on made-up recordings, seeds 3000-5999


@dataclass(frozen=True)
class Swing:
    """The strongest regular oscillation of a stretch. `share`: how much of the movement round the rate it explains.

    growth: log ratio of the swing in the last third to that in the first (positive: grows).
    chance: probability that noise alone makes it (F-test, all rates searched).
    time_share: part of the stretch in which the swing is above half its median and above half the dead band.
    gain: share of the swing left by the smoothing it was read through, at least. swing_percent lies in the middle
    between what is left and what may have been.
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

    @property
    def between_percent(self) -> tuple[float, float]:
        """95 % interval of swing_percent: the smoothing may have taken less than it does at most, and movement that
        the swing does not explain may be part of it or hide part of it."""
        doubt, middle = SWING_DOUBT + UNEXPLAINED_DOUBT * (1 - self.share), self.gain**0.5
        return max(self.swing_percent * middle * (1 - doubt), 0.0), self.swing_percent / middle * (1 + doubt)


def smoothing_gain(rate_hz: float, window_s: float) -> float:
    """Share of a swing left after averaging over `window_s`: sin(pi f w) / (pi f w)."""
    return float(np.sinc(rate_hz * window_s))


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
    rates = _candidate_rates(t_s, percent, series.step_s, low_hz, high_hz)
    if not rates:
        return None
    kept: dict[tuple[int, int], _Prepared] = {}

    def ready(rate: float) -> _Prepared:
        how = _preparation(rate, length, series.step_s)
        if how not in kept:
            kept[how] = _prepared(t_s, percent, series.step_s, *how)
        return kept[how]

    fits = sorted((_fit(ready(rate), rate, length) for rate in rates), key=_merit)[-2:]
    refined = [_refine(ready(fit.rate_hz), fit, length, low_hz, high_hz) for fit in fits]
    looked_at = max((high_hz - low_hz) * length, 1.0)
    return _describe(max(refined, key=_merit), series, looked_at, limits)


def _candidate_rates(t_s, percent, step_s: float, low_hz: float, high_hz: float, most: int = 6) -> list[float]:
    """Rates of the highest peaks of the periodogram of the detrended speed (gaps count as zero)."""
    length = t_s[-1] - t_s[0]
    place = (t_s - t_s[0]) / length
    trend = _cosines(place, int(np.clip(length * low_hz, 2, 30)))
    rest = percent - trend @ _solve(trend, percent)
    taper = np.sin(np.pi * (0.002 + 0.996 * place)) if length * low_hz > 4 else np.ones(len(t_s))
    rates, power = _periodogram(t_s, rest * taper, step_s, pad=4)
    peak = np.r_[False, (power[1:-1] >= power[:-2]) & (power[1:-1] >= power[2:]), False]
    peak &= (rates >= low_hz) & (rates <= high_hz)
    places = np.flatnonzero(peak)
    return [float(rates[k]) for k in places[np.argsort(-power[places])][:most]]


def _periodogram(t_s: np.ndarray, values: np.ndarray, step_s: float, pad: int) -> tuple[np.ndarray, np.ndarray]:
    """Rates and abs(sum)^2 of values laid on an even grid of `step_s`; unknown places are zero."""
    index = np.round((t_s - t_s[0]) / step_s).astype(int)
    grid = np.bincount(index, weights=values, minlength=index[-1] + 1)
    n = pad * len(grid)
    return np.fft.rfftfreq(n, step_s), np.abs(np.fft.rfft(grid, n)) ** 2


@dataclass(frozen=True)
class _Fit:
    rate_hz: float
    power: float
    share: float
    f_value: float
    dof: tuple[int, int]
    t_s: np.ndarray
    inside: np.ndarray
    second: complex
    block_gain: float

    @property
    def envelope(self) -> np.ndarray:
        return np.abs(self.inside)

    @property
    def phase(self) -> np.ndarray:
        return np.angle(self.inside)


def _merit(fit: _Fit) -> float:
    return fit.f_value * fit.power


def _cosines(place: np.ndarray, count: int) -> np.ndarray:
    """Columns 1, cos(pi x), cos(2 pi x) ... and a straight line, for places 0..1."""
    return np.column_stack([np.cos(np.pi * np.outer(place, np.arange(count))), place])


def _solve(basis: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Least squares by the normal equations with a trace of ridge (the columns are of order one, so this is safe)."""
    gram = basis.T @ basis
    gram.ravel()[:: len(gram) + 1] += 1e-7 * len(basis)
    return np.linalg.solve(gram, basis.T @ values)


@dataclass(frozen=True)
class _Prepared:
    """Values each `step_s` at `t_s`, shape (n,), free of slow movement, and the slow cosines a swing is made of."""

    t_s: np.ndarray
    values: np.ndarray
    step_s: float
    slow: np.ndarray


MANY_CYCLES = 8.0
MOST_SLOW = 11  # cosines that a swing's amplitude and phase are made of


def _preparation(rate: float, length: float, step_s: float) -> tuple[int, int]:
    """How values are prepared for a rate: how many are averaged, and by how many cosines what is slow is taken off."""
    trend = min(int(2 * rate * length / 3), 60) if rate * length > MANY_CYCLES else 0
    return max(int(1 / (12 * rate) / step_s), 1), trend


def _prepared(t_s: np.ndarray, percent: np.ndarray, step_s: float, block: int, trend: int) -> _Prepared:
    """The values averaged to about twelve a cycle, and freed of what is slower than a third of the rate where the
    stretch holds many cycles (with few, the trend is fitted together with the swing: `trend` is 0)."""
    index = np.round((t_s - t_s[0]) / step_s).astype(int) // block
    count = np.bincount(index)
    used = count > 0
    new_step = block * step_s
    times = t_s[0] + (np.flatnonzero(used) + 0.5) * new_step - 0.5 * step_s
    values = np.bincount(index, weights=percent)[used] / count[used]
    length = t_s[-1] - t_s[0]
    if trend:
        basis = _cosines((times - t_s[0]) / length, trend)
        values = values - basis @ _solve(basis, values)
    slow = np.cos(np.pi * np.outer((times - times[0]) / length, np.arange(MOST_SLOW)))
    return _Prepared(times, values, new_step, slow)


def _fit(ready: _Prepared, rate: float, length: float) -> _Fit:
    """Joint least squares of trend, swing and harmonic at one rate; see the module's head."""
    t_s, values = ready.t_s, ready.values
    cycles = rate * length
    slow = ready.slow[:, : 1 + int(min(cycles / 8, MOST_SLOW - 1))]
    angle = 2 * np.pi * rate * (t_s - t_s[0])
    across, up = np.cos(angle), np.sin(angle)
    swing = np.column_stack([slow * across[:, None], slow * up[:, None]])
    second = np.column_stack([across**2 - up**2, 2 * across * up])
    trend = _cosines((t_s - t_s[0]) / length, max(int(2 * cycles / 3), 2) if cycles <= MANY_CYCLES else 1)
    basis = np.column_stack([trend, swing, second])
    coefficients = _solve(basis, values)
    m, k = trend.shape[1], swing.shape[1]
    first = swing @ coefficients[m : m + k]
    harmonic = complex(coefficients[m + k], -coefficients[m + k + 1])
    inside = slow @ (coefficients[m : m + k // 2] - 1j * coefficients[m + k // 2 : m + k])
    return _measured(rate, first, values - basis @ coefficients, ready.step_s, t_s, inside, harmonic, k, length)


def _measured(rate, first, rest, step_s, t_s, inside, harmonic, k: int, length: float) -> _Fit:
    """Power of the swing against what is left in a band round it (rates from 0.6 to 1.67 of its own)."""
    rates, power = _periodogram(t_s, rest, step_s, pad=2)
    band = (rates >= max(0.6 * rate, 1 / length)) & (rates <= 1.67 * rate)
    cells = max((1.67 * rate - max(0.6 * rate, 1 / length)) * length, 1.0)
    left = float(power[band].mean() * 2 / len(t_s) * cells) if band.any() else 0.0
    strength = float(np.sum(first**2))
    free = max(int(round(2 * cells - k)), 2)
    f_value = (strength / k) / max(left / free, 1e-12)
    share = strength / max(strength + left, 1e-12)
    gain = float(np.sinc(rate * step_s)) if rate * step_s < 0.15 else 1.0
    return _Fit(rate, strength, share, f_value, (k, free), t_s, inside, harmonic, gain)


def _refine(ready: _Prepared, fit: _Fit, length: float, low_hz: float, high_hz: float) -> _Fit:
    """Climb to the rate that explains most, from steps of an eighth of a resolution cell down to a hundredth."""
    step = 0.12 / length
    ways: tuple[int, ...] = (-1, 1)
    while step > 0.02 / length:
        around = [
            _fit(ready, rate, length)
            for rate in (fit.rate_hz + way * step for way in ways)
            if low_hz * 0.9 <= rate <= high_hz * 1.05
        ]
        best = max([fit, *around], key=lambda one: one.share)
        if best is fit:
            step, ways = step / 2, (-1, 1)
        else:  # where it comes from is worse
            ways = (1,) if best.rate_hz > fit.rate_hz else (-1,)
        fit = best
    return fit


def _describe(fit: _Fit, series: Series, looked_at: float, limits: LimitSet) -> Swing:
    from scipy.special import fdtrc

    gain = max(smoothing_gain(fit.rate_hz, series.window_s), 0.1)
    left, gain = (gain, 1.0) if series.window_known else (gain**0.5, gain)
    local = _local_swing(fit) / left
    swing = float(np.median(local))
    third = max(len(local) // 3, 1)
    growth = float(np.log(max(np.median(local[-third:]), 1e-6) / max(np.median(local[:third]), 1e-6)))
    there = local > max(0.5 * swing, 0.5 * limits.value("hunting_dead_band_percent"))
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
        gain=gain,
    )


def _mean_turning(fit: _Fit) -> float:
    """Slow turning of the fitted phase, Hz: what the grid's rate missed (weighted by the envelope)."""
    if len(fit.phase) < 10 or not fit.envelope.max() > 1e-12:  # a perfectly steady speed has no phase
        return 0.0
    phase = np.unwrap(fit.phase)
    weight = fit.envelope / (fit.envelope.max() + 1e-12)
    slope = np.polyfit(fit.t_s, phase, 1, w=weight)[0] / (2 * np.pi)
    length = fit.t_s[-1] - fit.t_s[0]
    return float(np.clip(slope, -1.0 / length, 1.0 / length))


def _local_swing(fit: _Fit) -> np.ndarray:
    """Peak to peak of swing and harmonic at up to 100 moments of the stretch, per cent of speed, before gain
    correction.
    """
    thin = fit.inside[:: max(len(fit.inside) // 100, 1)]
    turn = np.exp(2j * np.pi * np.arange(24) / 24)
    angle = np.exp(1j * np.angle(thin))
    wave = np.real(np.abs(thin)[:, None] * (angle[:, None] * turn)) + np.real(fit.second * turn**2)
    return np.ptp(wave, axis=1) / fit.block_gain


# ---------------------------------------------------------------- the whole run


@dataclass(frozen=True)
class HuntingStudy:
    """The answer over a run: `found` None = cannot tell (`reason` says why); `swing` the evidence, also when
    not found.
    """

    found: bool | None
    swing: Swing | None
    reason: str

    @property
    def hunts(self) -> Swing | None:
        """The swing by which the engine hunts; None where it does not, or that cannot be told."""
        return self.swing if self.found else None


def track_rate_limit(window_s: float, gain: float) -> float:
    """Highest rate, Hz, that averaging over `window_s` passes with at least `gain`."""
    rates = np.arange(0.01, 1 / window_s, 0.01)
    return float(rates[np.sinc(rates * window_s) >= gain][-1])


def study_hunting(stretches: list[Series], fine: list[Series], limits: LimitSet, of_parts: int = 1) -> HuntingStudy:
    """Look for hunting in the stretches free of load steps; `fine` the same stretches from the firings' own moments.

    The track answers up to the rate its smoothing lets through; the firings' moments, where they are clear, from where
    that smoothing is felt: how much the track takes of a quick swing depends on the sound. of_parts: of how many parts
    of the run these are one.
    """
    low, high = limits.value("hunting_low_hz"), limits.value("hunting_high_hz")
    answers, fast = [], []
    cycles = limits.value("hunting_cycles" if len(stretches) == of_parts == 1 else "hunting_cycles_cut")
    for series, tries in pieces(stretches, limits):
        middle = track_rate_limit(series.window_s, limits.value("hunting_track_gain"))
        swing = _tried(strongest_swing(series, low, min(middle, high), limits, cycles), tries * of_parts)
        answers.append(_judge_swing(swing, limits.value("hunting_share"), limits))
    shared_hz = track_rate_limit(limits.value("track_window_s"), limits.value("hunting_track_gain"))
    for series, tries in pieces(fine, limits):
        swing = _tried(strongest_swing(series, limits.value("hunting_fine_from_hz"), high, limits), tries * of_parts)
        if swing is not None:
            needed = limits.value("hunting_share" if swing.rate_hz <= shared_hz else "hunting_event_share")
            fast.append(_judge_swing(swing, needed, limits))
    return _most_telling(answers, fast)


def pieces(stretches: list[Series], limits: LimitSet) -> list[tuple[Series, int]]:
    """The stretches, long ones in equal pieces (hours would not fit in memory), each with how many its stretch has."""
    longest = limits.value("hunting_longest_s")
    out = []
    for series in stretches:
        count = max(1, int(np.ceil(series.seconds / longest)))
        for rows in np.array_split(np.arange(len(series.t_s)), count):
            out.append((replace(series, t_s=series.t_s[rows], rpm=series.rpm[rows]), count))
    return out


def _tried(swing: Swing | None, tries: int) -> Swing | None:
    """`swing` found at the best of so many tries (Bonferroni)."""
    return None if swing is None else replace(swing, chance=min(swing.chance * tries, 1.0))


def _judge_swing(swing: Swing | None, needed_share: float, limits: LimitSet) -> HuntingStudy:
    if swing is None:
        return HuntingStudy(None, None, "too little steady running to hold two and a half swings")
    dead_band = limits.value("hunting_dead_band_percent")
    if swing.swing_percent < dead_band:
        return HuntingStudy(False, swing, "any regular swing is too small to count")
    if swing.chance > limits.value("hunting_false_alarm") and swing.share >= needed_share:
        return HuntingStudy(None, swing, "the speed swings regularly, but too few times to tell from chance")
    if swing.chance > limits.value("hunting_false_alarm"):
        return HuntingStudy(False, swing, "no swing stands out of the movement at other rates")
    if swing.time_share < limits.value("hunting_time_share"):
        return HuntingStudy(False, swing, "the swing is not sustained")
    if swing.share >= needed_share:
        return HuntingStudy(True, swing, FOUND)
    if swing.share >= needed_share - limits.value("hunting_share") + limits.value("hunting_doubt_share"):
        return HuntingStudy(
            None, swing, "the speed swings, but not regularly enough in this length to tell from wobble"
        )
    return HuntingStudy(False, swing, "the speed wobbles without a steady rate")


def _most_telling(slow: list[HuntingStudy], fast: list[HuntingStudy]) -> HuntingStudy:
    """A found swing before a doubtful one before none; of several found the largest. None needs the track's word."""
    answers = slow + fast
    found = _found_swings(answers)
    if found:
        most = max(found, key=lambda swing: swing.swing_percent)
        same = [swing for swing in _found_swings(fast) if abs(swing.rate_hz / most.rate_hz - 1) < 0.1]
        return HuntingStudy(True, max(same or [most], key=lambda swing: swing.swing_percent), FOUND)
    doubtful = [answer for answer in answers if answer.found is None and answer.swing is not None]
    if doubtful:
        return doubtful[0]
    denied = [answer for answer in slow if answer.found is False]
    if denied and not fast:
        return HuntingStudy(None, None, "no slow swing was found, but fast ones cannot be searched in this noise")
    if denied:
        return denied[0]
    return slow[0] if slow else HuntingStudy(None, None, "no steady running long enough")


def _found_swings(answers: list[HuntingStudy]) -> list[Swing]:
    return [answer.hunts for answer in answers if answer.hunts is not None]
