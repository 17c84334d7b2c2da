"""What the tones of the sound do beside the lines of the speed that was tracked: an engine's tones turn with it.

Music has strong tones that no speed explains; they stand for a note's length and are then others, whatever the track
does. The lines of an engine are the same half a second later once the change of its speed is taken out of them.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.speed.evidence import FEATURES, frame_times, whitened_frames

WIDE = FEATURES[1]
WINDOW_S = 0.512
HOP_S = 0.25
LATER = 2  # rows of HOP_S from one spectrum to the one it is compared with
FROM_HZ = 60.0
TONE = 2.5  # times the local mean of the amplitudes from which on a place is a tone; noise reaches it in 0.7 %
REACH_BINS = 2.0  # a tone as near as this to a line belongs to it
FEW = 3.0  # added to the sum of the tones, so that next to none tell nothing
SMOOTH = 9  # rows averaged, 2.25 s
COLUMNS = ("tones_beside", "tones_on", "same", "same_turned")


def tone_columns(low: np.ndarray, times: np.ndarray, cycle_hz: np.ndarray) -> np.ndarray:
    """The columns COLUMNS of the rhythm for each of `times`, shape (len(times), 4).

    low: waveform at the rate of WIDE. cycle_hz: tracked cycle rate at `times`.
    tones_beside: logarithm of the tones that lie on no line of the cycle, and 1 more.
    tones_on: share of the tones that lies on lines, less the share of places that do.
    same, same_turned: correlation, -1..1, of the whitened spectrum with that of half a second before, as it was and
        with the change of speed taken out.
    """
    moments = frame_times(len(low) / WIDE.rate_hz, HOP_S)
    level, bin_hz = whitened_frames(low, WIDE, moments, WINDOW_S)
    hz = np.arange(level.shape[1]) * bin_hz
    rate = np.exp(np.interp(moments, times, np.log(cycle_hz)))
    first = int(np.searchsorted(hz, FROM_HZ))
    beside, on = _beside(np.maximum(level[:, first:] - TONE, 0.0), hz[first:], rate, bin_hz)
    columns = np.column_stack([beside, on, *_later(level, hz, rate, first)])
    smooth = moving_mean(columns, min(SMOOTH, len(columns)))
    return np.column_stack([np.interp(times, moments, column) for column in smooth.T])


def _beside(tones: np.ndarray, hz: np.ndarray, rate: np.ndarray, bin_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """The columns tones_beside and tones_on of each row."""
    place = hz / rate[:, None]
    place -= np.rint(place)
    near = np.abs(place, out=place) < REACH_BINS * bin_hz / rate[:, None]
    on = np.einsum("ij,ij->i", tones, near.astype(tones.dtype))
    beside = tones.sum(axis=1) - on
    return np.log1p(beside), on / (on + beside + FEW) - np.count_nonzero(near, axis=1) / near.shape[1]


def _later(level: np.ndarray, hz: np.ndarray, rate: np.ndarray, first: int) -> np.ndarray:
    """The columns same and same_turned from bin `first` on, shape (2, rows); the first rows are as the first
    compared."""
    if len(level) <= LATER:
        return np.zeros((2, len(level)))
    slower = rate[:-LATER] / rate[LATER:]
    turned = np.empty((len(slower), level.shape[1] - first), level.dtype)
    for row, (part, before) in enumerate(zip(slower, level[:-LATER], strict=True)):
        turned[row] = np.interp(hz[first:] * part, hz, before)
    heard, turned = _unit(level[:, first:]), _unit(turned)
    rows = np.stack([np.einsum("ij,ij->i", heard[LATER:], other) for other in (heard[:-LATER], turned)])
    return np.concatenate([np.repeat(rows[:, :1], LATER, axis=1), rows], axis=1)


def _unit(rows: np.ndarray) -> np.ndarray:
    """Each row less its mean and of length 1: the products of such rows are correlations."""
    rows = rows - rows.mean(axis=1, keepdims=True)
    rows /= np.sqrt(np.einsum("ij,ij->i", rows, rows) + 1e-9)[:, None]
    return rows
