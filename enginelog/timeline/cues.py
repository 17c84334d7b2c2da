"""What each moment says about whether an engine runs: firing rhythm along the tracked path, and how the level behaves.

An engine has a broad sound in a rhythm that several bands share, that does not jump, and whose level is steady over a
tenth of a second and restless within it. Talk and music have rhythm in snatches and a level that moves; hum and whine
have lines but no beat in the envelopes, or no wander at all; a clock has silence between its ticks.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.logistic import held_logit
from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Engine, Track
from enginelog.timeline.activity import Activity

BLOCK = 10  # frames of 10 ms in a block of 0.1 s
LONG = 101  # frames of 50 ms
TONES = ("tones_beside", "tones_on", "same", "same_turned")

NAMES = (
    *("low", "wide", "env_low", "env_mid", "env_high", "octave_margin", "other_margin", "coherence", "noise"),
    *("restless", "too_slow", "too_fast", "total_2s", "total_least", "wander"),
    *("tones_beside", "tones_on", "tones_stay", "tones_last", "total_5s"),
    *("flatness", "flatness_moves", "slow_db", "fast_db", "dip_db", "rise_db", "shape_db", "middle_db", "high_db"),
    "gap",
    *("read", "whole"),
)
READING = slice(len(NAMES) - 2, len(NAMES))  # columns of how surely a speed is read
SURE = 0.003  # confidences are held this far from 0 and 1
READ_FROM, WHOLE_FROM = -1.0, 3.0  # log-odds from which a speed counts as read, and as that very one


def cues(activity: Activity, track: Track, engine: Engine, limits: LimitSet) -> np.ndarray:
    """Cues for each frame of `track` (which kept its rhythm), shape (n, len(NAMES)), float32."""
    if len(track.t_s) == 0:
        return np.zeros((0, len(NAMES)), np.float32)
    columns = [rhythm_cues(track, engine, limits), level_cues(activity, track.t_s), reading_cues(track)]
    return np.concatenate(columns, axis=1).astype(np.float32)


def rhythm_cues(track: Track, engine: Engine, limits: LimitSet) -> np.ndarray:
    """The first 20 columns of NAMES.

    How far the speed lies outside what such engines run at is a cue; where it lies within is none: that would teach the
    ways of the recordings learned from. Tones that stay where they are while the track moves are a cue; tones that move
    with it are none (they last as others do): how fast a speed changes is a way of those recordings, too.
    """
    rhythm = np.nan_to_num(np.asarray(track.rhythm, float), nan=0.0)
    pitch = rhythm[:, RHYTHM.index("pitch")]
    smooth = moving_mean(rhythm, 21)
    total = rhythm[:, :5].sum(axis=1)
    speed = smooth[:, RHYTHM.index("pitch")]
    columns = [smooth[:, i] for i in range(10)]
    rpm = speed + np.log(60.0 * engine.revs_per_cycle)
    kind = "two_stroke" if engine.strokes == 2 else "four_stroke"
    slowest, fastest = (np.log(limits.value(f"runs_{end}_rpm_{kind}")) for end in ("from", "to"))
    columns += [np.clip(slowest - rpm, 0.0, 1.0), np.clip(rpm - fastest, 0.0, 1.0)]
    columns += [moving_mean(total, 41), moving_least(moving_mean(total, 11), 31)]
    columns += [np.log(moving_spread(np.diff(pitch, prepend=pitch[:1]), 41) + 1e-4)]
    beside, on, same, turned = (rhythm[:, RHYTHM.index(name)] for name in TONES)
    columns += [beside, on, np.minimum(turned - same, 0.0), np.maximum(turned, same), moving_mean(total, LONG)]
    return np.stack(columns, axis=1)


def reading_cues(track: Track) -> np.ndarray:
    """The last 2 columns of NAMES: how surely a speed is read, and by how much the lines of the whole recording speak
    for that very speed.

    Both are 0 where none is surely read in each second within one and a half: an engine told as another than it is may
    hide its speed and is one all the same, and what is read before a cut says nothing of what comes after it.
    """
    sure = held_logit(np.nan_to_num(track.confidence), SURE)
    assert track.rhythm is not None
    whole = np.nan_to_num(track.rhythm[:, RHYTHM.index("whole_odds")].astype(float))
    return surely(np.column_stack([moving_least(moving_mean(sure, 21), 41), whole]))


def surely(told: np.ndarray) -> np.ndarray:
    """Log-odds (n, 2), of the reading and of the whole recording, as far as they speak for an engine."""
    read = np.maximum(told[:, 0] - READ_FROM, 0.0) / 3.0
    return np.column_stack([read, np.clip(told[:, 1] - WHOLE_FROM, 0.0, 5.0) / 2.5 * np.minimum(read, 1.0)])


def level_cues(activity: Activity, t_s: np.ndarray) -> np.ndarray:
    """The 10 columns of NAMES after those of the rhythm, over one second about each of `t_s`."""
    blocks = block_levels(activity)
    if len(blocks) == 0:
        return np.zeros((len(t_s), 10))
    level, slope, shape, flat, flat_moves, middle, high = blocks.T
    columns = [
        *(moving_mean(flat, 11), moving_spread(flat, 11) + moving_mean(flat_moves, 11)),
        *(moving_spread(level, 11), moving_mean(slope, 11)),
        *(moving_mean(level, 11) - moving_least(level, 11), moving_most(level, 11) - moving_mean(level, 11)),
        *(moving_mean(shape, 11), moving_mean(middle, 11), moving_mean(high, 11)),
        gaps(activity)[BLOCK // 2 :: BLOCK][: len(blocks)],
    ]
    centres = activity.t_s[0] + 0.1 * (np.arange(len(blocks)) + 0.5)
    return np.stack([np.interp(t_s, centres, column) for column in columns], axis=1)


def block_levels(activity: Activity) -> np.ndarray:
    """Per 0.1 s: level, its spread, change of the spectrum, flatness, its spread, spreads of the fine envelopes."""
    count = len(activity.t_s) // BLOCK
    bands = activity.bands_db[: count * BLOCK].astype(np.float32).reshape(count, BLOCK, -1)
    level = level_of(bands)
    mean_bands = bands.mean(axis=1)
    form = mean_bands - mean_bands.mean(axis=1, keepdims=True)
    change = np.abs(np.diff(form, axis=0, prepend=form[:1])).mean(axis=1)
    flat = activity.flatness[: count * BLOCK].astype(np.float32).reshape(count, BLOCK)
    fine = activity.fine_db[: count * BLOCK].astype(np.float32).reshape(count, -1, 2).std(axis=1)
    return np.stack(
        [level.mean(axis=1), level.std(axis=1), change, flat.mean(axis=1), flat.std(axis=1), fine[:, 0], fine[:, 1]],
        axis=1,
    )


def level_of(bands_db: np.ndarray) -> np.ndarray:
    """Level in dB of bands (..., 10) together, shape (...), without the lowest two."""
    return 10 * np.log10(np.sum(10 ** (bands_db[..., 2:] / 10), axis=-1) + 1e-12)


def gaps(activity: Activity) -> np.ndarray:
    """Logarithm of the longest lull within half a second of each 10 ms, shape (rows,), seconds and 10 ms more.

    A lull is below the middle between the least and the greatest level of that second. Between the firings of an engine
    it is short, however short the firings; between the ticks of a clock it is not.
    """
    level = level_of(activity.bands_db.astype(np.float32))
    low = level < (moving_least(level, 101) + moving_most(level, 101)) / 2
    place = np.arange(len(level))
    since = place - np.maximum.accumulate(np.where(low, -1, place))  # rows since the last one that was loud
    return np.log(0.01 * moving_most(since.astype(np.float32), 101) + 0.01)


def moving_spread(values: np.ndarray, width: int) -> np.ndarray:
    """Centred standard deviation over `width` entries."""
    centred = values - np.mean(values)
    return np.sqrt(np.maximum(moving_mean(centred**2, width) - moving_mean(centred, width) ** 2, 0.0))


def moving_least(values: np.ndarray, width: int) -> np.ndarray:
    """Centred minimum over `width` entries, edges repeated."""
    from scipy.ndimage import minimum_filter1d

    return minimum_filter1d(values, width, mode="nearest")


def moving_most(values: np.ndarray, width: int) -> np.ndarray:
    """Centred maximum over `width` entries, edges repeated."""
    from scipy.ndimage import maximum_filter1d

    return maximum_filter1d(values, width, mode="nearest")
