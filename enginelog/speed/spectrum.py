"""Average spectrum against engine order (1 = once a crank revolution), read along the tracked speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp import lines
from enginelog.dsp.signals import band, resample
from enginelog.model import Clip, Engine, Spectrum, Track
from enginelog.speed.orders import read_at, warp_of

REVS = 16
TOP_ORDER = 48
PER_REV = 128
RATE_HZ = 8000.0


@dataclass(frozen=True)
class OrderPower:
    """Mean power of one block's frames against order, and how many frames it is the mean of."""

    power: np.ndarray
    frames: int


def order_power(clip: Clip, track: Track, engine: Engine) -> OrderPower:
    """Mean power over frames of 16 revolutions in which the speed is known throughout."""
    empty = OrderPower(np.zeros(REVS * TOP_ORDER + 1), 0)
    known = np.isfinite(track.rpm)
    if known.sum() < 10:
        return empty
    times = track.t_s - clip.start_s
    rate_hz = np.exp(np.interp(times, times[known], np.log(track.rpm[known] / 60.0)))
    signal = band(resample(clip.samples, clip.rate_hz, RATE_HZ), RATE_HZ, 15.0, RATE_HZ)
    warp = warp_of(times, rate_hz, times[0], min(times[-1], clip.seconds))
    places = np.arange(0.0, warp.total, 1.0 / PER_REV)
    moments = warp.time_at(places)
    samples = read_at(signal, moments * RATE_HZ)
    length = REVS * PER_REV
    if len(samples) < length:
        return empty
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[:: length // 2]
    middles = moments[length // 2 :: length // 2][: len(frames)]
    sure = np.interp(middles, times, known.astype(float)) > 0.9
    return _mean_power(frames[: len(middles)][sure]) if sure.any() else empty


def _mean_power(frames: np.ndarray) -> OrderPower:
    from scipy.fft import rfft

    window = np.hanning(frames.shape[1] + 1)[:-1].astype(np.float32)
    spectra = rfft(frames * window, axis=1)[:, : REVS * TOP_ORDER + 1]
    power = (spectra.real**2 + spectra.imag**2).astype(float)
    return OrderPower((power / power.sum(axis=1, keepdims=True).clip(1e-30)).mean(axis=0), len(frames))


def added(total: OrderPower | None, part: OrderPower) -> OrderPower:
    """Mean power over all frames of `total` (None: no block yet) and of one more block."""
    if total is None or not total.frames:
        return part
    frames = total.frames + part.frames
    return OrderPower((total.power * total.frames + part.power * part.frames) / frames, frames)


def spectrum_of(total: OrderPower) -> Spectrum | None:
    """The spectrum of the whole recording in dB below its strongest line; None where no frame could be read."""
    if total.frames == 0:
        return None
    level = 10 * np.log10(np.maximum(total.power / total.power.max(), 1e-8))
    return Spectrum(np.arange(len(total.power)) / REVS, level)


def cancelled_db(spectrum: Spectrum | None, engine: Engine) -> float | None:
    """How high the lines stand that equal firings cancel (`dsp.lines`); None where it cannot be told."""
    if spectrum is None:
        return None
    return lines.cancelled_db(spectrum.order, spectrum.level_db, engine.firing_places, 1.0 / engine.revs_per_cycle)
