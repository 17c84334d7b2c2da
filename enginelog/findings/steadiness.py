"""How steady the speed is: the steady-state band of ISO 8528-5 and its classes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings.series import Series, running_median
from enginelog.findings.swing_fit import MOST_SLOW, cosines, solve
from enginelog.findings.swings import Swing
from enginelog.limits import LimitSet

FINER = 5  # values for each of a series of which medians are taken: one each 10 ms
ENDS_PERCENT = (0.5, 99.5)  # percentiles that are the ends of the envelope
MEDIAN_S = 0.125  # either side, of the median through which a band is seen
MOST_VALUES = 400  # of each of two movements that are put on top of each other
MOST_TREND = 30  # cosines of what is slower than a swing, when that is taken out
CLASSES = (("G3", "steady_g3_percent"), ("G2", "steady_g2_percent"), ("G1", "steady_g1_percent"))


@dataclass(frozen=True)
class Band:
    """Width of a steady-state band and its 95 % interval, per cent of rated or mean speed."""

    percent: float
    low: float
    high: float

    def holds(self, limit: float) -> bool:
        """Whether the interval holds a limit, so that nobody can tell on which side of it the band lies."""
        return self.low <= limit <= self.high


def band(series: Series, rated_rpm: float | None, limits: LimitSet) -> Band | None:
    """`band_percent` with its interval: how wide it may be where the same engine runs as long once more.

    The width goes with the standard deviation of the speed, and that has the interval of a normal variance with as many
    degrees of freedom as the values, which hang together, are worth (`freedom`): chi-squared. On made-up speeds of
    known spread (first-order and resonant wander, 6 to 60 s) it held the true width in 89 to 97 of 100.

    Where more of the speed is unknown than is left out at either end of the envelope, an end may lie in what is
    unknown, and is likely to: an engine that nearly dies falls silent. Then the upper bound is wider by a factor.
    """
    from scipy.special import chdtri

    known = _smoothed(series)
    percent = _width_percent(known, series, rated_rpm)
    if percent is None:
        return None
    free = freedom(known)
    low, high = (percent * float(np.sqrt(free / chdtri(free, above))) for above in (0.025, 0.975))
    hidden = np.mean(~series.known) > ENDS_PERCENT[0] / 100
    return Band(percent, low, high * (limits.value("band_unknown_wider") if hidden else 1.0))


def band_with_swing(series: Series, rated_rpm: float | None, swing: Swing, limits: LimitSet) -> Band | None:
    """The band of a stretch that hunts.

    Frames and medians take more of a swing the quicker it is, so that a width read through them holds neither its size
    nor what the speed wanders besides. So the swing is taken out of the speed, its width read as ever of what is left,
    and the swing put on top in full, as often in one phase as in another. Both have their own interval.
    """
    from scipy.special import chdtri

    plain = band(series, rated_rpm, limits)
    if plain is None:
        return None
    rest = _smoothed(_without(series, swing))
    free, off = freedom(rest), rest - np.median(rest)
    waves = np.sort(swing.wave.ravel()) * swing.swing_rpm / swing.swing_percent
    per_rpm = 100 / (rated_rpm or series.mean_rpm)
    low, high = (bound / swing.swing_percent for bound in swing.between_percent)
    narrow, wide = (float(np.sqrt(free / chdtri(free, above))) for above in (0.025, 0.975))
    widths = [per_rpm * _width_of_both(of * waves, by * off) for of, by in ((low, narrow), (1.0, 1.0), (high, wide))]
    alone = per_rpm * swing.swing_rpm
    most = plain.percent + alone * (1 - _passed(swing.rate_hz, series))
    percent = max(min(widths[1], most), plain.percent, alone)
    low, high = (percent * width / widths[1] for width in (widths[0], widths[2]))
    return Band(percent, min(low, percent), high)


def _passed(rate_hz: float, series: Series) -> float:
    """Share of a swing that is seen, at least, through the frames' mean and the running median, which at the top of a
    sine is the value a quarter of its length away from there."""
    turn = np.pi * rate_hz
    return float(np.clip(np.sinc(rate_hz * series.window_s) * np.cos(turn * MEDIAN_S), 0.0, 1.0))


def _width_of_both(waves: np.ndarray, off: np.ndarray) -> float:
    """Width of the envelope of one kind of movement on top of another, the two independent; each in rpm."""
    some = [np.quantile(one, (np.arange(MOST_VALUES) + 0.5) / MOST_VALUES) for one in (waves, off)]
    low, high = np.percentile(np.add.outer(*some), ENDS_PERCENT)
    return float(high - low)


def _without(series: Series, swing: Swing) -> Series:
    """The series without what goes up and down at the rate of a swing and at its overtones while that lasts, changing
    slowly."""
    inside = series.known & (series.t_s >= swing.start_s) & (series.t_s <= swing.end_s)
    t_s = series.t_s[inside]
    if len(t_s) < 20:
        return series
    length = float(t_s[-1] - t_s[0])
    place = (t_s - t_s[0]) / length
    cycles = swing.rate_hz * length
    slow = cosines(place, 1 + int(min(cycles / 8, MOST_SLOW - 1)))
    turn = np.exp(2j * np.pi * swing.rate_hz * (t_s - t_s[0]))
    waves = [slow * part(turn)[:, None] for part in (np.real, np.imag)]
    waves += [part(turn**k)[:, None] for k in (2, 3) for part in (np.real, np.imag)]
    trend = cosines(place, int(np.clip(2 * cycles / 3, 2, MOST_TREND)))
    basis = np.column_stack([*waves, trend])
    mean_rpm = series.mean_rpm
    found = solve(basis, series.rpm[inside] - mean_rpm)
    found[basis.shape[1] - trend.shape[1] :] = 0
    rpm = np.array(series.rpm)
    rpm[inside] -= basis @ found
    return replace(series, rpm=rpm)


def freedom(values: np.ndarray) -> float:
    """As how many independent values those of a series count for whose variance is asked, at least 2.

    values: shape (n,), finite. n / (1 + 2 sum (1 - k/n) r_k^2) with r_k the autocorrelation (Bayley & Hammersley 1946,
    for the variance of a normal series). That the r_k are estimates makes the sum two thirds too large (Bartlett 1946),
    which is left so: the ends of a band are less sure than the spread it is judged by.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    x, n = values - np.mean(values), len(values)
    spectrum = rfft(x, next_fast_len(2 * n, real=True))
    covariance = irfft(np.square(spectrum.real) + np.square(spectrum.imag))[:n]
    if covariance[0] <= 0:
        return float(max(n, 2))
    taper = 1 - np.arange(1, n) / n
    return float(max(n / (1 + 2 * np.sum(taper * np.square(covariance[1:] / covariance[0]))), 2.0))


def band_percent(series: Series, rated_rpm: float | None) -> float | None:
    """Steady-state band: width of the envelope of speed at constant load, per cent of rated speed (of the mean
    where not told).

    The envelope is taken over the values after a running median of a quarter of a second, so that single noisy frames
    do not widen it; its ends are the 0.5th and 99.5th percentile. None with less than 3 s of known speed.
    """
    return _width_percent(_smoothed(series), series, rated_rpm)


def _width_percent(known: np.ndarray, series: Series, rated_rpm: float | None) -> float | None:
    if len(known) * series.step_s < 3.0 * FINER:
        return None
    low, high = np.percentile(known, ENDS_PERCENT)
    return float(100 * (high - low) / (rated_rpm or series.mean_rpm))


def _smoothed(series: Series) -> np.ndarray:
    """The known values after a running median of a quarter of a second, FINER of them for each of the series."""
    smooth = running_median(_finer(series.rpm), max(int(MEDIAN_S * FINER / series.step_s), 1))
    return smooth[np.isfinite(smooth)]


def _finer(rpm: np.ndarray) -> np.ndarray:
    """Values (n,) with FINER - 1 more between each and the next, in a straight line; NaN where one of both is.

    A quarter of a second is five frames, whose median hangs on where in a dip of the speed they happen to lie.
    """
    if len(rpm) == 0:
        return rpm
    at = np.arange(FINER * (len(rpm) - 1) + 1) / FINER
    out = np.interp(at, np.arange(len(rpm)), rpm)
    out[::FINER] = rpm  # known also where it is beside one that is not
    return out


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
