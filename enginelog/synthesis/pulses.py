"""Trains of pulses at given moments, and the resonances they ring: the working tools of the engine's sound."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def train(t_s: np.ndarray, amount: np.ndarray, n: int, rate_hz: float) -> np.ndarray:
    """Impulses of `amount` at the moments `t_s`, each shared between the two samples nearest to it. Shape (n,)."""
    at = np.asarray(t_s, float) * rate_hz
    ok = (at >= 0) & (at < n - 1)
    at, amount = at[ok], np.asarray(amount, float)[ok]
    k = at.astype(int)
    f = at - k
    out = np.bincount(k, amount * (1 - f), minlength=n)
    return out + np.bincount(k + 1, amount * f, minlength=n)


def stamp(t_s: np.ndarray, amount: np.ndarray, kernel: np.ndarray, n: int, rate_hz: float) -> np.ndarray:
    """`train` convolved with a short `kernel`, added in at each moment (quicker than a transform)."""
    at = np.asarray(t_s, float) * rate_hz
    ok = (at >= 0) & (at < n - 1)
    at, amount = at[ok], np.asarray(amount, float)[ok]
    if len(at) * len(kernel) > 6_000_000:
        return convolve(train(at / rate_hz, amount, n, rate_hz), kernel)
    k = at.astype(int)
    f = (at - k)[:, None]
    shape = np.pad(kernel, (0, 1)) * (1 - f) + np.pad(kernel, (1, 0)) * f
    where = k[:, None] + np.arange(len(kernel) + 1)
    return np.bincount(where.ravel(), (amount[:, None] * shape).ravel(), minlength=n)[:n]


def convolve(signal: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Causal convolution, (n,) as `signal`."""
    from scipy.signal import oaconvolve

    return oaconvolve(signal, kernel)[: len(signal)]


def blow(width_s: float, rate_hz: float) -> np.ndarray:
    """One blow-down as it radiates: the time derivative of an outflow that rises fast and dies away.

    Unit energy; `width_s` is about the duration of the outflow; a smaller second push follows (the piston's stroke).
    """
    t = np.arange(int(8 * width_s * rate_hz) + 8) / rate_hz
    rise, fall = 0.12 * width_s, 0.45 * width_s
    flow = np.exp(-t / fall) - np.exp(-t / rise)
    flow += 0.25 * np.exp(-(((t - 2.2 * width_s) / (0.7 * width_s)) ** 2))
    pulse = np.diff(flow, prepend=0.0)
    return pulse / np.sqrt(np.sum(pulse**2))


def modes(freq_hz: ArrayLike, q: ArrayLike, gain: ArrayLike, rate_hz: float, direct: float = 1.0) -> np.ndarray:
    """Impulse response of damped resonances side by side with the direct sound; gains are linear peak gains."""
    freq, q, gain = (np.atleast_1d(np.asarray(x, float)) for x in (freq_hz, q, gain))
    decay = np.pi * freq / q
    n = int(min(0.35, 7 / decay.min()) * rate_hz) + 2
    t = np.arange(n) / rate_hz
    ring = gain[:, None] * 2 * decay[:, None] / rate_hz * np.exp(-decay[:, None] * t)
    out = np.sum(ring * np.sin(2 * np.pi * freq[:, None] * t), axis=0)
    out[0] += direct
    return out


def coloured(
    rng: np.random.Generator, n: int, rate_hz: float, tilt_db: float, low_hz: float, high_hz: float
) -> np.ndarray:
    """Noise of unit RMS between two soft edges (12 dB/octave) with a tilt in dB/octave. Shape (n,)."""
    from scipy.fft import irfft, next_fast_len, rfftfreq

    m = next_fast_len(n, real=True)
    f = np.maximum(rfftfreq(m, 1 / rate_hz), 1.0)
    shape = (f / 1000.0) ** (tilt_db / 6.0206) / (1 + (low_hz / f) ** 2) / (1 + (f / high_hz) ** 2)
    spec = (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) * shape
    out = irfft(spec, m)[:n]
    return out / (rms(out) + 1e-30)


def rms(x: np.ndarray) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(x)))) if len(x) else 0.0


def add(out: np.ndarray, piece: np.ndarray, at: int) -> None:
    """Add `piece` into the longer `out` from sample `at` on, cut at its end."""
    end = min(at + len(piece), len(out))
    if 0 <= at < end:
        out[at:end] += piece[: end - at]
