"""What is kept of the sound for the timeline: levels a hundred times a second, small enough for many hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from enginelog.dsp.levels import FRAME_RATE_HZ, band_levels, fine_envelopes
from enginelog.dsp.signals import WORK_RATE_HZ, resample
from enginelog.limits import LimitSet
from enginelog.model import Clip

BANDS_HZ = (60.0, 125.0, 200.0, 320.0, 500.0, 800.0, 1250.0, 2000.0, 3150.0, 5000.0, 7600.0)


@dataclass(frozen=True)
class Activity:
    """Levels of one stretch of sound, one entry each 10 ms (arrays of equal length).

    t_s: middle of the frame in the recording, float64.
    bands_db: shape (n, 10), float16: level in dB of full scale in the bands between BANDS_HZ.
    flatness: float16, 0 (tones) to 1 (noise): geometric over arithmetic mean of the power from 400 to 5000 Hz.
    peak_db: float16, largest step from sample to sample in the frame, dB of full scale.
    fine_db: shape (n, 5, 2), float16: envelopes each 2 ms (middle and high frequencies), dB of full scale.
    """

    t_s: np.ndarray
    bands_db: np.ndarray
    flatness: np.ndarray
    peak_db: np.ndarray
    fine_db: np.ndarray

    @property
    def middle_db(self) -> np.ndarray:
        """Level of the loudest 2 ms of each frame in the middle frequencies, (n,), float16: a bang has most there."""
        return self.fine_db[:, :, 0].max(axis=1)

    @property
    def hop_s(self) -> float:
        return 1.0 / FRAME_RATE_HZ

    @property
    def start_s(self) -> float:
        """Middle of the first frame; 0 where there is none."""
        return float(self.t_s[0]) if len(self.t_s) else 0.0

    @property
    def rows(self) -> int:
        return len(self.t_s)

    @property
    def bands_every(self) -> int:
        """Of how many rows `bands_db` holds one."""
        return 1


def listen(clip: Clip, limits: LimitSet) -> Activity:
    """Levels of one block of sound. Any length; a block shorter than one frame gives empty arrays."""
    samples = resample(clip.samples, clip.rate_hz, WORK_RATE_HZ)
    levels = band_levels(samples, WORK_RATE_HZ, BANDS_HZ)
    fine = fine_envelopes(samples, WORK_RATE_HZ)
    times = clip.start_s + (np.arange(len(fine)) + 0.5) / FRAME_RATE_HZ
    return Activity(times, levels.bands_db, levels.flatness, levels.peak_db, fine)


def join(parts: Sequence[Activity], starts_s: Sequence[float]) -> Activity:
    """One activity from those of overlapping blocks; block i speaks from starts_s[i] until the next one starts."""
    ends = [*starts_s[1:], np.inf]
    masks = [(p.t_s >= low) & (p.t_s < high) for p, low, high in zip(parts, starts_s, ends, strict=True)]
    columns = (
        np.concatenate([getattr(part, field.name)[mask] for part, mask in zip(parts, masks, strict=True)])
        for field in fields(Activity)
    )
    return Activity(*columns)
