"""A sound so steady that its lines stay in step throughout: one rate for all of it, as exact as can be told.

Non-linear least squares for a harmonic signal in noise: the rate that gathers the most power on its lines over the
whole stretch. Its error reaches the Cramer-Rao bound, var(w0) = 12 / (n^3 * sum(k^2 * snr_k)) (Rife & Boorstyn 1974,
summed over the lines). Engines never run so evenly; generators of tones and benches do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SEGMENTS = 256
LEAST_LINE_SNR = 12.0  # power of a line over the noise in its own bin: by chance exceeded by one bin in 160 000
LEAST_TOGETHER = 0.9  # share of the lines' power that must add up in step over the whole stretch
MOST_LINES = 60
MOST_POLISHED = 4_000_000  # samples times lines up to which the full model is fitted
SEARCH = 3e-4  # how far from the guess, relative


@dataclass(frozen=True)
class Steady:
    """One cycle rate for a whole stretch, and its standard deviation by the bound."""

    cycle_hz: float
    std_hz: float


def steady_rate(signal: np.ndarray, rate_hz: float, guess_hz: float) -> Steady | None:
    """The rate near `guess_hz` (within three parts in ten thousand) of a steady harmonic signal; else None.

    signal: waveform, shape (n,). None where no line stands out, the lines do not stay in step, or the rate cannot be
    told better than it was guessed.
    """
    length = len(signal) // SEGMENTS
    if length < 4:
        return None
    sums, lines = _segment_sums(signal[: length * SEGMENTS], rate_hz, guess_hz, length)
    whole_s = length * SEGMENTS / rate_hz
    step = 1.0 / (8.0 * lines[-1] * whole_s)
    shift = np.arange(-SEARCH * guess_hz, SEARCH * guess_hz + step, step)
    power = _gathered(sums, lines, shift, whole_s)
    peak = int(power.sum(axis=0).argmax())
    noise = _noise(signal, rate_hz, guess_hz + shift[peak], lines, length * SEGMENTS)
    clear = power[:, peak] / noise > LEAST_LINE_SNR
    if not clear.any():
        return None
    sums, lines, noise = sums[clear], lines[clear], noise[clear]
    fine = shift[peak] + np.linspace(-2.0, 2.0, 161) * step
    weighted = (_gathered(sums, lines, fine, whole_s) / noise[:, None]).sum(axis=0)
    top = int(np.clip(weighted.argmax(), 1, len(fine) - 2))
    left, middle, right = weighted[top - 1 : top + 2]
    bend = left - 2 * middle + right
    offset = 0.5 * (left - right) / bend if bend < 0 else 0.0
    rate = guess_hz + fine[top] + offset * (fine[1] - fine[0])
    if not _in_step(sums, lines, fine[top], whole_s, noise):
        return None
    if len(lines) * length * SEGMENTS < MOST_POLISHED:
        rate, noise = _polished(signal[: length * SEGMENTS], rate_hz, rate, lines, noise)
    std_hz = _bound(sums, lines, rate - guess_hz, whole_s, noise)
    # no better than the guess: the polish left the peak, and nothing stands on the lines where it came to rest
    return Steady(float(rate), std_hz) if std_hz < SEARCH * guess_hz else None


def _polished(signal, rate_hz: float, cycle_hz: float, lines, noise) -> tuple[float, np.ndarray]:
    """Gauss-Newton on the full signal model, which also accounts for how the lines leak into one another.

    Returns the rate and the noise left near each line.
    """
    at = (np.arange(len(signal)) - (len(signal) - 1) / 2) / rate_hz
    for _ in range(3):
        angle = 2 * np.pi * np.outer(lines * cycle_hz, at)
        basis = np.concatenate([np.cos(angle), np.sin(angle)])
        amount = np.linalg.solve(basis @ basis.T, basis @ signal)
        rest = signal - amount @ basis
        along = np.concatenate([lines, lines])[:, None] * amount[:, None] * np.roll(basis, len(lines), axis=0)
        along[: len(lines)] *= -1  # derivative of the cosines is minus the sines
        slope = 2 * np.pi * at * along.sum(axis=0)
        slope = slope - np.linalg.solve(basis @ basis.T, basis @ slope) @ basis
        cycle_hz = cycle_hz + float(rest @ slope / max(slope @ slope, 1e-30))
    return cycle_hz, np.minimum(noise, np.mean(rest**2) * len(signal))


def _segment_sums(signal, rate_hz: float, guess_hz: float, length: int) -> tuple[np.ndarray, np.ndarray]:
    """Sums over short segments of the signal turned back by each line's phase: shape (lines, SEGMENTS)."""
    count = int(np.clip(0.45 * rate_hz / guess_hz, 1, MOST_LINES))
    lines = np.arange(1, count + 1)
    turn = np.exp(-2j * np.pi * guess_hz / rate_hz * np.arange(len(signal)))
    carrier, sums = np.ones(len(signal), complex), np.empty((count, SEGMENTS), complex)
    for row in range(count):
        carrier *= turn
        sums[row] = (signal * carrier).reshape(SEGMENTS, length).sum(axis=1)
    return sums, lines


def _gathered(sums: np.ndarray, lines: np.ndarray, shift_hz: np.ndarray, whole_s: float) -> np.ndarray:
    """Power on each line if the rate were shifted: shape (lines, shifts)."""
    middles = (np.arange(SEGMENTS) + 0.5) / SEGMENTS * whole_s - whole_s / 2
    power = np.empty((len(lines), len(shift_hz)))
    for row, line in enumerate(lines):
        power[row] = np.abs(np.exp(-2j * np.pi * line * np.outer(shift_hz, middles)) @ sums[row]) ** 2
    return power


def _noise(signal, rate_hz: float, cycle_hz: float, lines, count: int) -> np.ndarray:
    """Expected power of noise in one bin near each line: the median of bins between the lines over ln 2."""
    power = np.abs(np.fft.rfft(signal[:count])) ** 2
    bin_hz = rate_hz / count
    noise = np.empty(len(lines))
    for row, line in enumerate(lines):
        around = [int((line + side * part) * cycle_hz / bin_hz) for side in (-1, 1) for part in (0.2, 0.45)]
        low, high = sorted(around)[0], sorted(around)[-1]
        clear = np.r_[max(low, 1) : max(sorted(around)[1], 2), sorted(around)[2] : high + 1]
        clear = clear[clear < len(power)]
        noise[row] = np.median(power[clear]) / np.log(2) if len(clear) else np.inf
    return np.maximum(noise, 1e-30)


def _in_step(sums, lines, shift_hz: float, whole_s: float, noise) -> bool:
    """Whether the lines add up over the whole stretch as well as they do over eighths of it."""
    middles = (np.arange(SEGMENTS) + 0.5) / SEGMENTS * whole_s - whole_s / 2
    turned = sums * np.exp(-2j * np.pi * np.outer(lines * shift_hz, middles))
    together = np.abs(turned.sum(axis=1)) ** 2 - noise
    parts = np.abs(turned.reshape(len(lines), 8, -1).sum(axis=2)) ** 2 - noise[:, None] / 8
    apart = 8 * parts.sum(axis=1)
    return bool((together / noise).sum() > LEAST_TOGETHER * (apart / noise).sum() > 0)


def _bound(sums, lines, shift_hz: float, whole_s: float, noise) -> float:
    """Standard deviation of the rate by the Cramer-Rao bound; power/noise of a line is n * snr / 2."""
    power = _gathered(sums, lines, np.array([shift_hz]), whole_s)[:, 0]
    total = float((2 * lines**2 * np.maximum(power / noise - 1.0, 0.0)).sum())
    return float(np.sqrt(12.0 / max(total, 1e-30)) / (2 * np.pi * whole_s))
