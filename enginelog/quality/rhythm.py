"""How regularly the sound beats: the part of it that repeats from firing to firing against the part that does not."""

from __future__ import annotations

import numpy as np

_EACH_S = 1.0  # one frame a second is enough for a middle over the recording


def repeats(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """How well each of some frames repeats after its best firing interval, the better of loudness and waveform.

    Loudness: |sample| averaged over half milliseconds, so that what a phone cuts off at low frequencies does not
    matter; intervals of 3.5 to 250 ms (firing 285 to 4 a second). Waveform: below 2 kHz; intervals of 8 to 110 ms.
    Shape (frames,), normalised autocorrelation, -1..1, of the measure whose middle is higher; empty where the samples
    are shorter than a frame. Rain reads .09 to .15 (what chance gives), real engines at work .27 to .99.
    """
    loudness = _repeats(_averaged(np.abs(samples), rate_hz, 2000.0), (0.75, 0.0035, 0.25))
    waveform = _repeats(_averaged(samples, rate_hz, 4000.0), (0.4, 0.008, 0.11))
    if not len(loudness) or (len(waveform) and np.median(waveform) > np.median(loudness)):
        return waveform
    return loudness


def _averaged(samples: np.ndarray, rate_hz: float, new_rate_hz: float) -> tuple[np.ndarray, float]:
    """Means of neighbouring samples, at about the new rate: crude, but frequencies are not what is asked for."""
    step = max(1, round(rate_hz / new_rate_hz))
    n = len(samples) // step
    means = samples[: n * step].reshape(n, step) @ np.full(step, 1.0 / step, np.float32)
    return means, rate_hz / step


def _repeats(signal: tuple[np.ndarray, float], timing_s: tuple[float, float, float]) -> np.ndarray:
    """The best normalised autocorrelation of each frame. timing_s: frame, shortest and longest interval."""
    from scipy.fft import irfft, rfft

    values, rate = signal
    length, first, last = (int(seconds * rate) for seconds in timing_s)
    if len(values) < length:
        return np.zeros(0, np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(values, length)[:: int(_EACH_S * rate)]
    frames = frames - frames.mean(axis=1, keepdims=True)
    size = 2 ** int(np.ceil(np.log2(length + last)))
    spectra = rfft(frames, size)
    lagged = irfft(np.square(spectra.real) + np.square(spectra.imag), size)[:, : last + 1]
    unbiased = lagged / (1 - np.arange(last + 1) / length)
    return (unbiased[:, first:].max(axis=1) / np.maximum(unbiased[:, 0], 1e-20)).astype(np.float32)
