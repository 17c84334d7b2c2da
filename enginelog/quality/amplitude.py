"""What the samples themselves tell: how they are spread over the range, and where they are missing."""

from __future__ import annotations

import numpy as np

from enginelog.dsp.masks import rows_of_true

HISTOGRAM_BINS = 200  # of |sample| relative to the peak; the last bin is the peak itself
LEVEL_HOP_S = 0.005
_EVERY = 5  # one sample in five is enough for a histogram and keeps its cost at 2 ms a minute
SILENT_DB = -120.0  # the least level told


def histogram(samples: np.ndarray, peak: float) -> np.ndarray:
    """How often each size occurs: counts of |sample| / peak in HISTOGRAM_BINS equal bins, of one sample in five."""
    if peak <= 0:
        return np.zeros(HISTOGRAM_BINS, np.int64)
    bins = (np.abs(samples[::_EVERY]) * np.float32(HISTOGRAM_BINS / peak)).astype(np.int16)
    return np.bincount(np.minimum(bins, HISTOGRAM_BINS - 1), minlength=HISTOGRAM_BINS)


def offset(samples: np.ndarray, least: float) -> float:
    """The constant level on which the samples stand, such as a dead input gives: their median, of one sample in five.

    0 where it is below `least`, or below the RMS of the samples about it: that is what uneven swings of a sound do,
    and where these pause, nothing is left of it.

    A median is never farther from the mean than a standard deviation s (Hotelling and Solomons 1932). It can then only
    exceed the RMS about it where the mean exceeds (sqrt(2) - 1) s, so that mostly none need be found.
    """
    if not len(samples):
        return 0.0
    part = np.ascontiguousarray(samples[::_EVERY])
    mean, square = float(part.mean()), float(part @ part) / len(part)
    if abs(mean) < 0.4 * np.sqrt(max(square - mean**2, 0.0)):
        return 0.0
    level = float(np.median(part))
    if abs(level) < least:
        return 0.0
    return level if abs(level) > float(np.sqrt(np.mean(np.square(part - np.float32(level))))) else 0.0


def at_ceiling(samples: np.ndarray, ceiling: float) -> int:
    """How many samples reach a ceiling, on either side."""
    return int(np.count_nonzero(samples >= ceiling) + np.count_nonzero(samples <= -ceiling))


def largest(samples: np.ndarray, peak: float, share: float, length: int) -> np.ndarray:
    """Where the largest samples lie: how many of the `share` of them with the largest |sample|, to a tenth or to a bin
    of `histogram`, are in each `length` samples; shape (ceil(n / length),), uint16, or (0,) where `share` is 0."""
    if share <= 0 or not len(samples):
        return np.zeros(0, np.uint16)
    counts = histogram(samples, peak)
    least = int(np.flatnonzero(np.cumsum(counts[::-1])[::-1] >= 0.9 * share * counts.sum())[-1]) * peak / HISTOGRAM_BINS
    at = np.flatnonzero((samples >= least) | (samples <= -least)) // length
    return np.bincount(at, minlength=-(-len(samples) // length)).astype(np.uint16)


def hop(rate_hz: float) -> int:
    """Samples of LEVEL_HOP_S, at least one."""
    return max(1, round(LEVEL_HOP_S * rate_hz))


def levels_db(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """RMS level of each whole LEVEL_HOP_S in dB of full scale, not below -120; shape (frames,), float32."""
    length = hop(rate_hz)
    n = len(samples) // length
    frames = samples[: n * length].reshape(n, length)
    power = np.einsum("ij,ij->i", frames, frames) / length
    return (10 * np.log10(np.maximum(power, 10 ** (SILENT_DB / 10)))).astype(np.float32)


def torn(levels: np.ndarray, silent_db: float, loud_db: float, longest_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Holes of (digital) silence inside sound: index of the first frame of each, and index past its last.

    A hole is a row of frames below `silent_db`, at most `longest_s` long, with a frame above `loud_db` on either side.
    """
    starts, ends = rows_of_true(levels < silent_db)
    inside = (starts > 0) & (ends < len(levels)) & ((ends - starts) * LEVEL_HOP_S <= longest_s)
    starts, ends = starts[inside], ends[inside]
    near = 4  # frames: those at the edge itself may be half silent, and codecs round it off
    before = np.max([levels[np.maximum(starts - back, 0)] for back in range(1, near + 1)], axis=0)
    after = np.max([levels[np.minimum(ends + on, len(levels) - 1)] for on in range(near)], axis=0)
    loud = (before > loud_db) & (after > loud_db)
    return starts[loud], ends[loud]


def blacked(levels: np.ndarray, black_db: float, least_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows of frames below `black_db` that last `least_s` and more, at the ends of the sound too: index of the first
    frame of each, and index past its last."""
    starts, ends = rows_of_true(levels < black_db)
    long = (ends - starts) * LEVEL_HOP_S >= least_s
    return starts[long], ends[long]
