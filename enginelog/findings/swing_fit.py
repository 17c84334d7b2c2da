"""The fit of a swing at one rate: trend + swing + second harmonic, the trend slower than the rate, the swing with an
amplitude and phase that change slowly (a handful of low-order cosines, their number growing with the cycles heard).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def candidate_rates(t_s, percent, step_s: float, low_hz: float, high_hz: float, most: int = 6) -> list[float]:
    """Rates of the highest peaks of the periodogram of the detrended speed (gaps count as zero)."""
    length = t_s[-1] - t_s[0]
    place = (t_s - t_s[0]) / length
    trend = cosines(place, int(np.clip(length * low_hz, 2, 30)))
    rest = percent - trend @ solve(trend, percent)
    taper = np.sin(np.pi * (0.002 + 0.996 * place)) if length * low_hz > 4 else np.ones(len(t_s))
    rates, power = periodogram(t_s, rest * taper, step_s, pad=4)
    peak = np.r_[False, (power[1:-1] >= power[:-2]) & (power[1:-1] >= power[2:]), False]
    peak &= (rates >= low_hz) & (rates <= high_hz)
    places = np.flatnonzero(peak)
    return [float(rates[k]) for k in places[np.argsort(-power[places])][:most]]


def periodogram(t_s: np.ndarray, values: np.ndarray, step_s: float, pad: int) -> tuple[np.ndarray, np.ndarray]:
    """Rates and abs(sum)^2 of values laid on an even grid of `step_s`; unknown places are zero."""
    index = np.round((t_s - t_s[0]) / step_s).astype(int)
    grid = np.bincount(index, weights=values, minlength=index[-1] + 1)
    n = pad * len(grid)
    return np.fft.rfftfreq(n, step_s), np.abs(np.fft.rfft(grid, n)) ** 2


@dataclass(frozen=True)
class Fit:
    """A swing fitted at `t_s`, shape (n,): `inside` its slowly changing complex amplitude, `second` that of its second
    harmonic, `rest` what is left; power, share, f_value, dof: how it stands out of that."""

    rate_hz: float
    power: float
    share: float
    f_value: float
    dof: tuple[int, int]
    t_s: np.ndarray
    inside: np.ndarray
    rest: np.ndarray
    second: complex
    step_s: float
    averaged_s: float

    @property
    def envelope(self) -> np.ndarray:
        return np.abs(self.inside)

    @property
    def phase(self) -> np.ndarray:
        return np.angle(self.inside)


def merit(fit: Fit) -> float:
    """How far a swing is preferred to others: large, and standing out of the movement beside it."""
    return fit.f_value * fit.power


def cosines(place: np.ndarray, count: int) -> np.ndarray:
    """Columns 1, cos(pi x), cos(2 pi x) ... and a straight line, for places 0..1."""
    return np.column_stack([np.cos(np.pi * np.outer(place, np.arange(count))), place])


def solve(basis: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Least squares by the normal equations with a trace of ridge (the columns are of order one, so this is safe)."""
    gram = basis.T @ basis
    gram.ravel()[:: len(gram) + 1] += 1e-7 * len(basis)
    return np.linalg.solve(gram, basis.T @ values)


@dataclass(frozen=True)
class Prepared:
    """Values each `step_s` at `t_s`, shape (n,), means over `averaged_s`, free of slow movement, and the slow cosines a
    swing is made of."""

    t_s: np.ndarray
    values: np.ndarray
    step_s: float
    averaged_s: float
    slow: np.ndarray


MANY_CYCLES = 8.0
MOST_SLOW = 11  # cosines that a swing's amplitude and phase are made of


def preparation(rate: float, length: float, step_s: float) -> tuple[int, int]:
    """How values are prepared for a rate: how many are averaged, and by how many cosines what is slow is taken off."""
    trend = min(int(2 * rate * length / 3), 60) if rate * length > MANY_CYCLES else 0
    return max(int(1 / (12 * rate) / step_s), 1), trend


def prepared(t_s: np.ndarray, percent: np.ndarray, step_s: float, block: int, trend: int) -> Prepared:
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
        basis = cosines((times - t_s[0]) / length, trend)
        values = values - basis @ solve(basis, values)
    slow = np.cos(np.pi * np.outer((times - times[0]) / length, np.arange(MOST_SLOW)))
    return Prepared(times, values, new_step, new_step if block > 1 else 0.0, slow)


def fit_at(ready: Prepared, rate: float, length: float) -> Fit:
    """Joint least squares of trend, swing and harmonic at one rate; see the module's head."""
    t_s, values = ready.t_s, ready.values
    cycles = rate * length
    slow = ready.slow[:, : 1 + int(min(cycles / 8, MOST_SLOW - 1))]
    angle = 2 * np.pi * rate * (t_s - t_s[0])
    across, up = np.cos(angle), np.sin(angle)
    swing = np.column_stack([slow * across[:, None], slow * up[:, None]])
    second = np.column_stack([across**2 - up**2, 2 * across * up])
    trend = cosines((t_s - t_s[0]) / length, max(int(2 * cycles / 3), 2) if cycles <= MANY_CYCLES else 1)
    basis = np.column_stack([trend, swing, second])
    coefficients = solve(basis, values)
    m, k = trend.shape[1], swing.shape[1]
    first = swing @ coefficients[m : m + k]
    harmonic = complex(coefficients[m + k], -coefficients[m + k + 1])
    inside = slow @ (coefficients[m : m + k // 2] - 1j * coefficients[m + k // 2 : m + k])
    rest = values - basis @ coefficients
    strength = float(np.sum(first**2))
    share, f_value, free = _against(rate, strength, k, rest, ready, length)
    return Fit(rate, strength, share, f_value, (k, free), t_s, inside, rest, harmonic, ready.step_s, ready.averaged_s)


def _against(rate: float, strength: float, k: int, rest, ready: Prepared, length: float) -> tuple[float, float, int]:
    """A swing's power, of `k` numbers, against what is left in a band round it (rates from 0.6 to 1.67 of its own):
    its share of both, their ratio F and the degrees of freedom of what is left."""
    rates, power = periodogram(ready.t_s, rest, ready.step_s, pad=2)
    band = (rates >= max(0.6 * rate, 1 / length)) & (rates <= 1.67 * rate)
    cells = max((1.67 * rate - max(0.6 * rate, 1 / length)) * length, 1.0)
    left = float(power[band].mean() * 2 / len(rest) * cells) if band.any() else 0.0
    free = max(int(round(2 * cells - k)), 2)
    return strength / max(strength + left, 1e-12), (strength / k) / max(left / free, 1e-12), free


def refine(ready: Prepared, fit: Fit, length: float, low_hz: float, high_hz: float) -> Fit:
    """Climb to the rate that explains most, from steps of an eighth of a resolution cell down to a hundredth."""
    step = 0.12 / length
    ways: tuple[int, ...] = (-1, 1)
    while step > 0.02 / length:
        around = [
            fit_at(ready, rate, length)
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
