"""The form of a swing: the speed folded at its rate, as overtones in step with it, for it need not be a sine.

A governor that sticks swings in straight lines. The fundamental alone is then a fifth (even rise and fall) to a third
(slow rise, sudden fall) smaller than the swing from peak to peak, by the Fourier series of such lines. So the overtones
are measured as far as the smoothing lets them through; what those beyond may add is an upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.findings.series import Series
from enginelog.findings.swing_fit import Fit, periodogram, solve

# By how many times lines with a rise of 50 to 90 % of the cycle swing more than their first so many overtones do, at
# most (their Fourier series, summed).
HIDDEN = {1: 1.44, 2: 1.24, 3: 1.14, 4: 1.11, 5: 1.07}
LEAST_PASSED = 0.5  # of an overtone: divided by less, noise grows into one
LEAST_SEEN = 0.04  # amplitudes of the overtones over that of the fundamental
# What of the second overtone must not be hidden, for uneven lines to be told, and of those above: the third of even
# lines; shares of the fundamental.
UNEVEN, EVEN = 0.2, 1 / 9
HIDES = 2.5  # times its root mean square, an amplitude that noise hides
NOISE = 2.0  # times its power is taken off an overtone's, so that noise alone makes none


@dataclass(frozen=True)
class Shape:
    """One swing at up to 100 moments of the stretch: `wave` (moments, phases), per cent of speed, freed of smoothing;
    hidden: by how many times it may be larger for overtones that could not be read, 1 where none is missing."""

    wave: np.ndarray
    hidden: float

    @property
    def local(self) -> np.ndarray:
        """Peak to peak at each moment."""
        return np.ptp(self.wave, axis=1)


def shape_of(fit: Fit, series: Series) -> Shape:
    """The form of a fitted swing. Where it is only known how much the smoothing takes at most, it is taken to be in the
    middle of nothing and that."""
    overtones, noise = _overtones(fit, _passed(fit, series))
    thin = fit.envelope[:: max(len(fit.envelope) // 100, 1)]
    turn = np.exp(2j * np.pi * np.arange(48) / 48)
    left = [_left(fit, series, k) for k in range(1, len(overtones) + 2)]
    cycle = np.real(turn) / left[0]
    for k, one in enumerate(overtones, 2):
        cycle = cycle + np.real(one * turn**k) / left[k - 1]
    seen = float(np.sum(np.abs(overtones))) > LEAST_SEEN
    needed = np.where(np.arange(len(noise)) == 0, UNEVEN, EVEN)
    readable = 1 + int(np.sum(np.cumprod(noise * left[0] / np.array(left[1:]) < needed)))
    hidden = HIDDEN[readable] if seen or readable < 3 else 1.0
    if seen and readable >= 3:  # lines, of which something is missing for certain
        cycle, hidden = cycle * hidden**0.5, hidden**0.5
    return Shape(thin[:, None] * cycle, hidden)


def gain_at_least(rate_hz: float, series: Series) -> float:
    """Share of a swing that the smoothing leaves at least, where that is not known and put right; else 1."""
    return 1.0 if series.window_known else max(_gain(rate_hz, series.window_s), 0.1)


def _gain(rate_hz: float, window_s: float) -> float:
    """Share of a swing left after averaging over `window_s`: sin(pi f w) / (pi f w)."""
    return float(np.sinc(rate_hz * window_s))


def _left(fit: Fit, series: Series, k: int) -> float:
    """Share of the k-th overtone that is left of it, the fundamental being the first."""
    gain = max(_gain(k * fit.rate_hz, series.window_s), 0.1)
    return (gain if series.window_known else gain**0.5) * _gain(k * fit.rate_hz, fit.averaged_s)


def _passed(fit: Fit, series: Series) -> int:
    """How many overtones are let through, the fundamental being the first."""
    count = 1
    while (
        count < max(HIDDEN)
        and _gain((count + 1) * fit.rate_hz, series.window_s) >= LEAST_PASSED
        and (count + 1) * fit.rate_hz * fit.step_s < 0.45
    ):
        count += 1
    return count


def _overtones(fit: Fit, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Complex amplitudes of the overtones 2 to `count`, in step with the fundamental and as a share of it, and how
    large a one noise would hide."""
    if count < 2 or not fit.envelope.max() > 1e-12:
        return np.zeros(0, complex), np.zeros(0)
    angle = 2 * np.pi * fit.rate_hz * (fit.t_s - fit.t_s[0])
    values = fit.rest + np.real(fit.second * np.exp(2j * angle))
    envelope = fit.envelope / fit.envelope.max()
    waves = [envelope * np.exp(1j * k * (angle + fit.phase)) for k in range(2, count + 1)]
    basis = np.column_stack([part for wave in waves for part in (np.real(wave), np.imag(wave))])
    found = solve(basis, values)
    rates, power = periodogram(fit.t_s, values - basis @ found, fit.step_s, pad=2)
    beside = [np.abs(rates / fit.rate_hz - k) < 0.5 for k in range(2, count + 1)]
    noise = np.array([float(np.mean(power[near])) if near.any() else 0.0 for near in beside])
    noise = 2 * np.sqrt(noise) / np.sum(fit.envelope)  # amplitude of which the mean power is as large
    shares = (found[::2] - 1j * found[1::2]) / fit.envelope.max()
    shares *= np.maximum(1 - NOISE * (noise / np.maximum(np.abs(shares), 1e-12)) ** 2, 0.0)
    return shares, HIDES * noise
