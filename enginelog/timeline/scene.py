"""How each moment compares with the same recording's own background and its own running engine.

Phones raise and lower the volume, so a level alone says little; how the spectrum sits against the recording's own
quiet and its own run says more. One frame each 50 ms, as in the track.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.ranks import quantiles
from enginelog.dsp.smoothing import moving_mean
from enginelog.model import RHYTHM, Track
from enginelog.timeline.activity import Activity

PATCH_S = 10.0  # templates follow the recording in patches of this length
FAR = 25.0  # no difference counts for more than this, dB

NAMES = (
    *(f"over_quiet_{b}" for b in range(10)),
    *(f"over_run_{b}" for b in range(10)),
    *(
        "engine_before",
        "engine",
        "engine_after",
        "pitch_off",
        "restless",
        "total",
        "runs_near",
        "fine_mid",
        "fine_high",
    ),
    *(f"{group}_{when}" for when in ("long_before", "before", "after", "long_after") for group in ("low", "high")),
)


def scene(activity: Activity, track: Track, engine_logit: np.ndarray) -> np.ndarray:
    """Features of each frame, shape (n, len(NAMES)), float32, from the levels and the logit that an engine is heard."""
    bands = frame_bands(activity, track.t_s)
    hop_s = float(track.t_s[1] - track.t_s[0]) if len(track.t_s) > 1 else 0.05
    quiet = template(bands, engine_logit < -0.5, hop_s, 30.0)
    run = template(bands, engine_logit > 1.0, hop_s, 50.0)
    over_quiet = np.clip(bands - quiet, -FAR, FAR)
    columns = [over_quiet, np.clip(bands - run, -FAR, FAR), rhythm_columns(track, engine_logit, hop_s)]
    columns += [fine_columns(activity, track.t_s), context(over_quiet)]
    return np.concatenate(columns, axis=1).astype(np.float32)


def frame_bands(activity: Activity, t_s: np.ndarray) -> np.ndarray:
    """Band levels in dB, shape (n, bands): mean of the levels within 25 ms of each of `t_s`."""
    smooth = moving_mean(activity.bands_db.astype(np.float32), 5)
    return smooth[nearest(activity, t_s)]


def nearest(activity: Activity, t_s: np.ndarray) -> np.ndarray:
    """Index of the 10 ms frame nearest to each of `t_s`."""
    place = np.round((t_s - activity.t_s[0]) / activity.hop_s).astype(int)
    return np.clip(place, 0, len(activity.t_s) - 1)


def template(bands: np.ndarray, chosen: np.ndarray, hop_s: float, percentile: float) -> np.ndarray:
    """A slowly changing typical spectrum of the chosen frames, shape of `bands`; of all frames where few are chosen."""
    return templates(bands, chosen, hop_s, (percentile,))[0]


def templates(bands: np.ndarray, chosen: np.ndarray, hop_s: float, percentiles: tuple[float, ...]) -> list[np.ndarray]:
    """As `template` for each of the percentiles, by sorting once."""
    size = max(1, int(PATCH_S / hop_s))
    centres, rows, shares = [], [], [percentile / 100 for percentile in percentiles]
    for first in range(0, len(bands), size):
        near = slice(max(0, first - size), first + 2 * size)
        mine = bands[near][chosen[near]]
        if len(mine) < 10:
            mine = bands[chosen] if chosen.sum() >= 10 else bands[near]
        centres.append(first + size / 2)
        rows.append(quantiles(mine, shares, axis=0))
    at = np.arange(len(bands))
    return [
        np.stack([np.interp(at, centres, column) for column in of_one.T], axis=1)
        for of_one in np.array(rows).transpose(1, 0, 2)
    ]


def rhythm_columns(track: Track, engine_logit: np.ndarray, hop_s: float) -> np.ndarray:
    """The logit 0.6 s before, at and after; pitch against the usual one; jumps; contrast; share of running near."""
    logit = np.clip(engine_logit, -8, 8)
    shift = max(1, int(0.6 / hop_s))
    padded = np.pad(logit, shift, mode="edge")
    rhythm = np.nan_to_num(np.asarray(track.rhythm, float))
    pitch = rhythm[:, RHYTHM.index("pitch")]
    likely = logit > 1.0
    usual = np.median(pitch[likely]) if likely.any() else np.median(pitch)
    near = moving_mean(likely.astype(float), max(3, int(8.0 / hop_s)))
    columns = [padded[: len(logit)], logit, padded[2 * shift :], np.clip(pitch - usual, -1.5, 1.5)]
    columns += [rhythm[:, RHYTHM.index("restless")], rhythm[:, :5].sum(axis=1), near]
    return np.stack(columns, axis=1)


def fine_columns(activity: Activity, t_s: np.ndarray) -> np.ndarray:
    """Spread of the fine envelopes within 0.2 s of each frame, dB."""
    fine = fine_parts(activity)
    mean, square = fine.mean(axis=0), (fine**2).mean(axis=0)
    spread = np.sqrt(np.maximum(moving_mean(square, 21) - moving_mean(mean, 21) ** 2, 0.0))
    return spread[nearest(activity, t_s)]


def fine_parts(activity: Activity) -> np.ndarray:
    """The fine envelopes, float32, each part of a frame by itself, (5, rows, 2): numpy adds long rows far faster than
    many short ones."""
    return np.ascontiguousarray(activity.fine_db.transpose(1, 0, 2), np.float32)


def context(over_quiet: np.ndarray) -> np.ndarray:
    """Low and high bands over quiet, shortly and longer before and after (0.15-0.5 s, 0.5-1.2 s)."""
    groups = np.stack([over_quiet[:, 1:5].mean(axis=1), over_quiet[:, 5:].mean(axis=1)], axis=1)
    short, wide = moving_mean(groups, 7), moving_mean(groups, 15)
    n = len(groups)
    columns = []
    for values, shift in ((wide, -17), (short, -6), (short, 6), (wide, 17)):
        columns.append(values[np.clip(np.arange(n) + shift, 0, n - 1)])
    return np.concatenate(columns, axis=1)
