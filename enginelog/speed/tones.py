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
    beside, on = _beside(np.where(hz < FROM_HZ, 0.0, np.maximum(level - TONE, 0.0)), hz, rate, bin_hz)
    columns = np.column_stack([beside, on, *_later(level, hz, rate)])
    smooth = moving_mean(columns, min(SMOOTH, len(columns)))
    return np.column_stack([np.interp(times, moments, column) for column in smooth.T])


def _beside(tones: np.ndarray, hz: np.ndarray, rate: np.ndarray, bin_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """The columns tones_beside and tones_on of each row."""
    aside = np.abs((hz / rate[:, None] + 0.5) % 1.0 - 0.5) * rate[:, None]
    near = aside < REACH_BINS * bin_hz
    on = np.sum(tones, axis=1, where=near)
    beside = tones.sum(axis=1) - on
    return np.log1p(beside), on / (on + beside + FEW) - near[:, hz >= FROM_HZ].mean(axis=1)


def _later(level: np.ndarray, hz: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """The columns same and same_turned, shape (2, rows); the first rows are as the first compared."""
    heard = level[:, hz >= FROM_HZ]
    if len(heard) <= LATER:
        return np.zeros((2, len(heard)))
    now, before = heard[LATER:], heard[:-LATER]
    slower = rate[:-LATER] / rate[LATER:]
    places = hz[hz >= FROM_HZ]
    turned = np.stack([np.interp(places * part, hz, row) for part, row in zip(slower, level[:-LATER], strict=True)])
    rows = np.stack([_correlation(now, before), _correlation(now, turned)])
    return np.concatenate([np.repeat(rows[:, :1], LATER, axis=1), rows], axis=1)


def _correlation(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Correlation of each row of `one` with that of `other`."""
    one = one - one.mean(axis=1, keepdims=True)
    other = other - other.mean(axis=1, keepdims=True)
    return np.sum(one * other, axis=1) / np.sqrt(np.sum(one**2, axis=1) * np.sum(other**2, axis=1) + 1e-9)
