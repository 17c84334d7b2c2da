"""A signal split into neighbouring frequency bands, each as a slow complex signal, by one long transform.

The analytic signal of every band is moved to zero frequency and sampled just fast enough for its width, which makes a
bank of ten bands cost little more than the one transform of the input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Bands:
    """Band signals at one common rate.

    signals: complex64, shape (bands, m): the analytic signal of each band, moved down by its centre frequency.
    rate_hz: samples a second of `signals`.
    centres_hz: shape (bands,), the frequency by which each band was moved down.
    """

    signals: np.ndarray
    rate_hz: float
    centres_hz: np.ndarray


def split(samples: np.ndarray, rate_hz: float, edges_hz: np.ndarray, out_rate_hz: float) -> Bands:
    """Split `samples` (real, shape (n,)) at `edges_hz` (rising, (bands + 1,)) into `Bands` of about `out_rate_hz`.

    The skirts of neighbouring bands cross at the edges (raised cosine, a tenth of each band wide), and their squares
    add up to one. `out_rate_hz` must exceed 1.1 times the width of the widest band; ValueError if not.
    """
    from scipy import fft

    edges = np.asarray(edges_hz, float)
    if 1.1 * np.diff(edges).max() > out_rate_hz:
        raise ValueError(f"out_rate_hz {out_rate_hz:g} is too low for a band {np.diff(edges).max():g} Hz wide")
    n = len(samples)
    size = fft.next_fast_len(n + int(0.02 * rate_hz), real=True)
    out_size = fft.next_fast_len(int(np.ceil(size * out_rate_hz / rate_hz)))
    bins_hz = rate_hz / size
    top = edges[-1] + 0.05 * (edges[-1] - edges[-2])
    spectrum = low_bins(np.asarray(samples, np.float32), size, int(top / bins_hz) + 2)
    spectrum *= np.float32(2 / size)
    m = int(np.floor(n * out_size / size))
    moved = np.zeros((len(edges) - 1, out_size), np.complex64)
    centres = np.empty(len(edges) - 1)
    for b, (low, high) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        centres[b] = bins_hz * _one_band(spectrum, low / bins_hz, high / bins_hz, moved[b])
    signals = fft.ifft(moved, norm="forward", overwrite_x=True)[:, :m]  # "forward": the division is done already
    return Bands(signals, rate_hz * out_size / size, centres)


def low_bins(samples: np.ndarray, size: int, count: int) -> np.ndarray:
    """The first `count` bins, or all there are, of the transform of real `samples`, float32, lengthened to `size`.

    By a complex transform of half the length, pairs of samples packed into one number (textbook): of more than a
    million samples it takes half the time of scipy's real one.
    """
    from scipy import fft

    half = size // 2
    if size % 2 or not 1 < count <= half:
        return fft.rfft(samples, size)[:count]
    padded = np.zeros(size, np.float32)
    padded[: len(samples)] = samples
    packed = fft.fft(padded.view(np.complex64), overwrite_x=True)
    mirrored = np.conj(np.concatenate([packed[:1], packed[: half - count : -1]]))
    angle = np.arange(count, dtype=np.float32) * np.float32(2 * np.pi / size)
    turn = np.empty(count, np.complex64)
    turn.real, turn.imag = -np.sin(angle), -np.cos(angle)  # -1j exp(-1j angle)
    even = packed[:count] + mirrored
    odd = packed[:count] - mirrored
    odd *= turn
    even += odd
    even *= np.float32(0.5)
    return even


def _one_band(spectrum: np.ndarray, low: float, high: float, out: np.ndarray) -> int:
    """Bins of one band, weighted by its skirts, into `out`, zeros in the order of an inverse transform; returns the
    bin that became the first."""
    skirt = 0.05 * (high - low)
    first = max(int(np.ceil(low - skirt)), 1)
    last = min(int(np.floor(high + skirt)), len(spectrum) - 1)
    centre = (first + last) // 2
    band = spectrum[first : last + 1].copy()
    width = min(int(2 * skirt) + 1, len(band))  # bins of a skirt; the weight of those between is one
    for some in (slice(0, width), slice(max(len(band) - width, width), None)):
        bins = np.arange(first, last + 1)[some]
        rise = np.clip((bins - low + skirt) / (2 * skirt), 0, 1)
        fall = np.clip((high + skirt - bins) / (2 * skirt), 0, 1)
        band[some] *= (np.sin(0.5 * np.pi * rise) * np.sin(0.5 * np.pi * fall)).astype(np.float32)
    out[: last + 1 - centre] = band[centre - first :]
    out[len(out) - (centre - first) :] = band[: centre - first]
    return centre
