"""Pulls of a starter: short bursts of ratchet noise and compression puffs that stand out of the recording's quiet.

Judged from levels alone, each moment against the quiet about it and against the second before and after.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.timeline.activity import Activity
from enginelog.timeline.cues import moving_most
from enginelog.timeline.lifts import WIDTHS, lifts
from enginelog.timeline.scene import FAR, fine_parts, frame_bands, nearest, template

OFFSETS = (-20, -14, -9, -5, -2, 0, 2, 5, 9, 14, 20)  # frames of 50 ms
GROUPS = ("low", "middle", "high", "knock")

NAMES = (
    *(f"over_quiet_{b}" for b in range(10)),
    *("flatness", "fine_mid", "fine_high", "peaks_mid", "peaks_high", "spread"),
    *(f"{group}_{offset}" for group in GROUPS for offset in OFFSETS),
    *(f"lift_{width}_{offset}" for width in WIDTHS for offset in OFFSETS),
    *(f"lift_{width}_{group}" for width in WIDTHS for group in GROUPS[:3]),
)


def burst_features(activity: Activity, t_s: np.ndarray, running: np.ndarray) -> np.ndarray:
    """Features of each frame, shape (n, len(NAMES)), float32. `running`: where an engine surely runs."""
    hop_s = float(t_s[1] - t_s[0]) if len(t_s) > 1 else 0.05
    bands = frame_bands(activity, t_s)
    over = np.clip(bands - template(bands, ~running, hop_s, 40.0), -FAR, FAR)
    at = nearest(activity, t_s)
    peak = moving_most(activity.peak_db.astype(np.float32), 5)[at][:, None]
    knock = np.clip(peak - template(peak, ~running, hop_s, 40.0), -FAR, FAR)
    groups = np.concatenate([mean_of(over, 1, 4), mean_of(over, 4, 7), mean_of(over, 7, 10), knock], axis=1)
    above = [lifts(activity, t_s, running, width) for width in WIDTHS]
    columns = [over, small_structure(activity)[at], spread(over), shifted(groups)]
    columns += [*(shifted(one[:, :1]) for one in above), *(one[:, 1:] for one in above)]
    return np.concatenate(columns, axis=1).astype(np.float32)


def mean_of(over: np.ndarray, first: int, last: int) -> np.ndarray:
    """Mean over bands `first` to before `last`, shape (n, 1)."""
    return over[:, first:last].mean(axis=1, keepdims=True)


def spread(over: np.ndarray) -> np.ndarray:
    """Standard deviation over the bands, shape (n, 1)."""
    return over.std(axis=1, keepdims=True)


def small_structure(activity: Activity) -> np.ndarray:
    """Flatness, spread and peakiness of the fine envelopes over 0.3 s, for each 10 ms frame: shape (m, 5)."""
    fine = fine_parts(activity)
    mean, square, most = fine.mean(axis=0), (fine**2).mean(axis=0), fine.max(axis=0)
    slow = moving_mean(mean, 31)
    wide = np.sqrt(np.maximum(moving_mean(square, 31) - slow**2, 0.0))
    peaky = np.stack([moving_most(column, 31) for column in most.T], axis=1) - slow
    return np.concatenate([moving_mean(activity.flatness.astype(np.float32), 21)[:, None], wide, peaky], axis=1)


def shifted(groups: np.ndarray) -> np.ndarray:
    """The groups at OFFSETS before and after each frame, edges repeated."""
    rows = np.clip(np.arange(len(groups))[:, None] + np.asarray(OFFSETS), 0, len(groups) - 1)
    return groups[rows].transpose(0, 2, 1).reshape(len(groups), -1)
