"""Feature signals at low rates: the band-limited waveform, and the envelopes of several bands."""

from __future__ import annotations

import numpy as np


def resample(samples: np.ndarray, rate_hz: float, new_rate_hz: float) -> np.ndarray:
    """Resample float32 samples, shape (n,), to `new_rate_hz` (linear phase, aligned in time)."""
    import soxr

    if rate_hz == new_rate_hz or len(samples) == 0:
        return np.asarray(samples, np.float32)
    return soxr.resample(np.asarray(samples, np.float32), rate_hz, new_rate_hz, quality="MQ").astype(np.float32)


def band(samples: np.ndarray, rate_hz: float, low_hz: float, high_hz: float, order: int = 2) -> np.ndarray:
    """Zero-phase Butterworth band-pass; `high_hz` at or above half the rate makes it a high-pass."""
    from scipy.signal import butter, sosfiltfilt

    if high_hz >= 0.49 * rate_hz:
        sos = butter(order, low_hz, "highpass", fs=rate_hz, output="sos")
    else:
        sos = butter(order, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    if len(samples) < 64:
        return np.zeros_like(samples)
    return sosfiltfilt(sos, samples).astype(np.float32)


def envelope(samples: np.ndarray, rate_hz: float, new_rate_hz: float) -> np.ndarray:
    """Square root of the rectified signal, low-passed by resampling: an envelope with its peaks tamed."""
    smooth = resample(np.abs(samples), rate_hz, new_rate_hz)
    return np.sqrt(np.maximum(smooth, 0.0)).astype(np.float32)
