"""Short-time levels: band powers, flatness and peaks of frames 10 ms apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

FRAME_RATE_HZ = 100.0
FINE_PER_FRAME = 5
FLAT_HZ = (400.0, 5000.0)
FLOOR = 1e-12


@dataclass(frozen=True)
class Levels:
    """Arrays of one entry each 10 ms. bands_db: (n, bands) and peak_db in dB of full scale; flatness 0..1."""

    bands_db: np.ndarray
    flatness: np.ndarray
    peak_db: np.ndarray


def band_levels(samples: np.ndarray, rate_hz: float, edges_hz: Sequence[float]) -> Levels:
    """Levels of `samples`, float32 (n,), between neighbouring `edges_hz`, from Hann frames of 20 ms.

    A full-scale sine has 0 dB in its band. Flatness is the geometric over the arithmetic mean of the power between
    FLAT_HZ. `peak_db` is the largest step from one sample to the next in the frame's own 10 ms.
    """
    hop, length = int(rate_hz / FRAME_RATE_HZ), int(2 * rate_hz / FRAME_RATE_HZ)
    count = len(samples) // hop
    parts = [
        _some_levels(samples, first, min(first + 512, count), hop, length, edges_hz, rate_hz)
        for first in range(0, count, 512)
    ]
    if not parts:
        empty = np.zeros(0, np.float16)
        return Levels(np.zeros((0, len(edges_hz) - 1), np.float16), empty, empty)
    return Levels(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def fine_envelopes(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Envelopes each 2 ms in dB of full scale, float16, shape (n frames of 10 ms, FINE_PER_FRAME, 2).

    Column 0 hears about 250 to 750 Hz (differences over a millisecond of the sound averaged in quarters of one), column
    1 the high frequencies (differences from sample to sample). Differences cost next to nothing and lose no timing.
    """
    step = int(rate_hz / FRAME_RATE_HZ / FINE_PER_FRAME)
    count = len(samples) // (step * FINE_PER_FRAME) * FINE_PER_FRAME
    kept = np.asarray(samples[: count * step], np.float32)
    quarter = int(rate_hz / 4000)
    if count == 0:
        return np.zeros((0, FINE_PER_FRAME, 2), np.float16)
    slow = _means(kept, quarter)
    middle = np.abs(slow[4:] - slow[:-4])
    middle = np.pad(middle, (4, 0), mode="edge")
    high = np.abs(np.diff(kept, prepend=kept[:1]))
    both = np.stack([_means(middle, len(middle) // count), _means(high, len(high) // count)], axis=1)
    return (20 * np.log10(both + np.float32(1e-6))).astype(np.float16).reshape(-1, FINE_PER_FRAME, 2)


def _means(values: np.ndarray, each: int) -> np.ndarray:
    """Means of `each` neighbours, float32; as a product, which a processor does far faster than many short sums."""
    return values.reshape(-1, each) @ np.full(each, 1.0 / each, np.float32)


def _some_levels(samples, first: int, last: int, hop: int, length: int, edges_hz, rate_hz: float) -> tuple:
    """Frames `first` to `last` as (bands_db, flatness, peak_db), float16."""
    from scipy.fft import rfft

    begin, end = first * hop - hop // 2, last * hop + hop - hop // 2
    piece = np.asarray(samples[max(begin, 0) : end], np.float32)
    piece = np.pad(piece, (max(-begin, 0), max(end - len(samples), 0)))
    frames = np.lib.stride_tricks.sliding_window_view(piece, length)[::hop]
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    size = 1 << int(np.ceil(np.log2(length)))
    spectra = rfft(frames * window, size, axis=1)
    power = spectra.real**2 + spectra.imag**2
    power *= np.float32(4.0 / (window.sum() ** 2 * 1.5 * size / length))
    hz = rate_hz / size
    at = [int(round(edge / hz)) for edge in edges_hz]
    bands = np.add.reduceat(power[:, : at[-1]], at[:-1], axis=1)
    flat = power[:, int(FLAT_HZ[0] / hz) : int(FLAT_HZ[1] / hz)] + np.float32(FLOOR)
    flatness = np.exp(np.log(flat).mean(axis=1)) / flat.mean(axis=1)
    steps = np.abs(np.diff(piece[hop // 2 : hop // 2 + (last - first) * hop], prepend=piece[hop // 2]))
    peak = steps.reshape(last - first, hop).max(axis=1)
    return (
        (10 * np.log10(bands + FLOOR)).astype(np.float16),
        flatness.astype(np.float16),
        (20 * np.log10(peak + 1e-6)).astype(np.float16),
    )
