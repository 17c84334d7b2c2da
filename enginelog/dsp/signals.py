"""Feature signals at low rates: the band-limited waveform, and the envelopes of several bands."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

WORK_RATE_HZ = 16_000.0  # at which timeline, speed and firing work
SETTLING_CYCLES = 4.0  # of the lowest edge, after which a filter of order 2 has forgotten what was before (1e-7)

IN_CACHE = 1 << 16  # samples transformed at a time
FRAME_OVER_LOST, LEAST_FRAME = 6, 4096  # samples of a frame over those that an end of it loses; and at least


def resample(samples: np.ndarray, rate_hz: float, new_rate_hz: float) -> np.ndarray:
    """Resample float32 samples, shape (n,), to `new_rate_hz` (linear phase, aligned in time)."""
    import soxr

    if rate_hz == new_rate_hz or len(samples) == 0:
        return np.asarray(samples, np.float32)
    return soxr.resample(np.asarray(samples, np.float32), rate_hz, new_rate_hz, quality="MQ").astype(np.float32)


def band(samples: np.ndarray, rate_hz: float, low_hz: float, high_hz: float, order: int = 2) -> np.ndarray:
    """Zero-phase Butterworth band-pass; `high_hz` at or above half the rate makes it a high-pass."""
    return bands(samples, rate_hz, ((low_hz, high_hz),), order)[0]


def bands(
    samples: np.ndarray, rate_hz: float, edges_hz: Sequence[tuple[float, float]], order: int = 2
) -> list[np.ndarray]:
    """`band` of the same samples for each pair of edges, all from the same transforms.

    Equals filtering forward and backward with the digital filter of `order` (bilinear transform). The ends are turned
    over (odd reflection) so far that what a transform joins there has died away. Long stretches are transformed in
    frames that overlap as far (overlap-save), of which a processor does several at once, without leaving its cache.
    Stretches under 64 samples give zeros.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    count = len(samples)
    if count < 64:
        return [np.zeros_like(samples) for _ in edges_hz]
    sides = min(count - 1, int(SETTLING_CYCLES * rate_hz / min(low for low, _ in edges_hz)))
    padded = np.pad(np.asarray(samples, np.float32), sides, mode="reflect", reflect_type="odd")
    lost = 2 * sides  # of a frame, at either end: the double of what reaches the ends' neighbours
    size = 1 << int(np.ceil(np.log2(max(FRAME_OVER_LOST * lost, LEAST_FRAME))))
    hop = size - 2 * lost
    if len(padded) < 2 * size:
        size, hop, lost = next_fast_len(len(padded), real=True), count, sides
    frames = -(-count // hop)
    padded = np.pad(padded, (lost - sides, max((frames - 1) * hop + size - len(padded) - lost + sides, 0)))
    view = np.lib.stride_tricks.sliding_window_view(padded, size)[: frames * hop : hop]
    gains = _power_gains(size, rate_hz, tuple(edges_hz), order)
    found = np.empty((len(gains), frames, hop), np.float32)
    at_once = max(IN_CACHE // size, 4)
    for first in range(0, frames, at_once):
        some = slice(first, first + at_once)
        spectra = rfft(view[some], axis=1)
        for out, gain in zip(found, gains, strict=True):
            out[some] = irfft(spectra * gain, size, axis=1, overwrite_x=True)[:, lost : lost + hop]
    return [out.reshape(-1)[:count] for out in found]


@lru_cache(maxsize=3)
def _power_gains(size: int, rate_hz: float, edges_hz: tuple[tuple[float, float], ...], order: int) -> list[np.ndarray]:
    """Squared gains at the bins of a transform of `size`: abs(H)^2 = 1 / (1 + x^(2 order)) (Butterworth 1930)."""
    at = np.tan(np.pi / size * np.minimum(np.arange(size // 2 + 1), 0.4999999 * size)).clip(1e-12)
    gains = []
    for low_hz, high_hz in edges_hz:
        low, high = (np.tan(np.pi * min(edge, 0.499 * rate_hz) / rate_hz) for edge in (low_hz, high_hz))
        off = low / at if high_hz >= 0.49 * rate_hz else (at - low * high / at) / (high - low)
        gains.append((1.0 / (1.0 + np.square(off) ** order)).astype(np.float32))
    return gains


def envelope(samples: np.ndarray, rate_hz: float, new_rate_hz: float) -> np.ndarray:
    """Square root of the rectified signal, low-passed by resampling: an envelope with its peaks tamed.

    samples: (n,) at `rate_hz`; returns float32, about n * new_rate_hz / rate_hz values, at `new_rate_hz`.
    """
    smooth = resample(np.abs(samples), rate_hz, new_rate_hz)
    return np.sqrt(np.maximum(smooth, 0.0)).astype(np.float32)
