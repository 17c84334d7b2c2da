"""The measures of all blocks of a recording, put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.quality import bands
from enginelog.quality.part import QualityPart


@dataclass(frozen=True)
class Measured:
    """The whole recording in a few numbers. quiet_db: None where it has no quiet stretch.
    hum_share: None where no block tells. offset: the largest of a block. silent_s: (start, end) in seconds of each
    stretch without sound, smear included, in order and apart."""

    seconds: float
    sounding_s: float
    peak: float
    loud_db: float
    quiet_db: float | None
    clipped_share: float
    gaps: int
    gap_s: float
    black_share: float
    holes_share: float
    repeat: float | None
    low_cut_hz: float | None
    top_hz: float | None
    wind: bool
    hum_share: float | None
    offset: float
    silent_s: tuple[tuple[float, float], ...]


def summed(parts: Sequence[QualityPart], seconds: float, limits: LimitSet) -> Measured:
    """Put the measures of all blocks together, each by its length."""
    weights = np.array([part.seconds for part in parts]) / max(sum(part.seconds for part in parts), 1e-9)
    levels = np.concatenate([part.levels_db for part in parts]) if parts else np.zeros(0)
    levels = levels if len(levels) else np.array([-120.0])
    every = np.concatenate([part.bands_db for part in parts])
    beats = np.concatenate([part.repeats for part in parts])
    black_share = float(weights @ [part.black_share for part in parts])
    loud_db, quiet_db = np.percentile(levels, 75), np.percentile(levels, 2)
    told = limits.value("quiet_depth_db") <= loud_db - quiet_db and quiet_db > limits.value("black_db")
    return Measured(
        seconds=seconds,
        sounding_s=seconds * (1 - black_share),
        peak=max(part.peak for part in parts),
        loud_db=float(loud_db),
        quiet_db=float(quiet_db) if told else None,
        clipped_share=float(weights @ [part.clipped_share for part in parts]),
        gaps=sum(part.gaps for part in parts),
        gap_s=sum(part.gap_s for part in parts),
        black_share=black_share,
        holes_share=float(weights @ [part.holes_share for part in parts]),
        repeat=float(np.median(beats)) if len(beats) else None,
        low_cut_hz=bands.low_cut_hz(every, limits),
        top_hz=bands.top_hz(every, max(part.rate_hz for part in parts), limits),
        wind=bands.windy(every, limits),
        hum_share=_hum_share(parts),
        offset=max((part.offset for part in parts), key=abs),
        silent_s=silences(parts, seconds, limits),
    )


def silences(parts: Sequence[QualityPart], seconds: float, limits: LimitSet) -> tuple[tuple[float, float], ...]:
    """The silent stretches of all parts in order, each with the smear of its edges, those that then meet as one."""
    smear_s, out = limits.value("hole_smear_s"), list[tuple[float, float]]()
    for start_s, end_s in sorted(stretch for part in parts for stretch in part.silent_s):
        start_s, end_s = max(start_s - smear_s, 0.0), min(end_s + smear_s, seconds)
        if out and start_s <= out[-1][1]:
            start_s, end_s = out[-1][0], max(end_s, out[-1][1])
            out.pop()
        out.append((start_s, end_s))
    return tuple(out)


def _hum_share(parts: Sequence[QualityPart]) -> float | None:
    """Mean over time of the share of the power that was mains hum; None where no block tells."""
    told = [part for part in parts if not np.isnan(part.hum_share)]
    if not told:
        return None
    return float(np.average([part.hum_share for part in told], weights=[part.seconds for part in told]))
