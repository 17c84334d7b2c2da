"""The track of a block, and of the blocks of a recording put together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine, Track
from enginelog.speed.confidence import confidence_of
from enginelog.speed.tracking import pursue


def track(clip: Clip, engine: Engine, limits: LimitSet) -> Track:
    """Speed of the crankshaft through one block of sound, a frame every `frame_hop_s`.

    Frames whose confidence falls short of `least_confidence` keep their confidence but have no speed (NaN).
    """
    found = pursue(clip, engine, limits)
    rpm_per_hz = 60.0 * engine.revs_per_cycle
    confidence = confidence_of(found.shown)
    known = confidence >= limits.value("least_confidence")
    blank = np.where(known, 1.0, np.nan)
    std = np.maximum(found.std_hz * rpm_per_hz, limits.value("least_std_rpm"))
    return Track(found.t_s, found.cycle_hz * rpm_per_hz * blank, confidence, std * blank, found.shown)


def join(tracks: Sequence[Track], starts_s: Sequence[float]) -> Track:
    """One track from those of overlapping blocks; block i speaks from starts_s[i] until the next one starts."""
    ends = list(starts_s[1:]) + [np.inf]
    masks = [(t.t_s >= low) & (t.t_s < high) for t, low, high in zip(tracks, starts_s, ends, strict=True)]

    def together(name: str) -> np.ndarray:
        return np.concatenate([getattr(t, name)[mask] for t, mask in zip(tracks, masks, strict=True)])

    return Track(*(together(name) for name in ("t_s", "rpm", "confidence", "rpm_std", "rhythm")))
