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


def levels_db(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """RMS level of each whole LEVEL_HOP_S in dB of full scale, not below -120; shape (frames,), float32."""
    hop = max(1, round(LEVEL_HOP_S * rate_hz))
    n = len(samples) // hop
    frames = samples[: n * hop].reshape(n, hop)
    power = np.einsum("ij,ij->i", frames, frames) / hop
    return (10 * np.log10(np.maximum(power, 10 ** (SILENT_DB / 10)))).astype(np.float32)


def dropouts(levels: np.ndarray, silent_db: float, loud_db: float, longest_s: float) -> tuple[int, float]:
    """Holes of (digital) silence inside sound: how many, and how many seconds in all.

    A hole is a row of frames below `silent_db`, at most `longest_s` long, with a frame above `loud_db` on either side.
    """
    starts, ends = torn(levels, silent_db, loud_db, longest_s)
    return len(starts), float((ends - starts).sum() * LEVEL_HOP_S)


def torn(levels: np.ndarray, silent_db: float, loud_db: float, longest_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The holes of `dropouts`: index of the first frame of each, and index past its last."""
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
