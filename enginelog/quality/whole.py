"""The measures of all blocks of a recording, put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span
from enginelog.quality import bands, places
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
    gaps_s = [gap for part in parts for gap in part.gaps_s]
    return Measured(
        seconds=seconds,
        sounding_s=seconds * (1 - black_share),
        peak=max(part.peak for part in parts),
        loud_db=float(loud_db),
        quiet_db=_quiet_db(float(quiet_db), float(loud_db), limits),
        clipped_share=float(weights @ [part.clipped_share for part in parts]),
        gaps=len(gaps_s),
        gap_s=sum(end_s - start_s for start_s, end_s in gaps_s),
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


def judged(
    whole: Measured, parts: Sequence[QualityPart], spans: Sequence[Span], filled: places.Stretches, limits: LimitSet
) -> Measured:
    """What the recording is judged by: where its `spans` (of the timeline) tell of a run, how that one sounds, and what
    is missing between the first thing heard of the engine and the last; else all of it. What was `filled` in is left
    out. How long the recording is, and how loud what was heard beside the engine, are the whole's."""
    everything = ((0.0, whole.seconds),)
    running = places.running(spans, whole.seconds, limits.value("heard_least_s"))
    if not running and not filled:
        return whole
    filled = places.joined(filled, limits.value("hole_smear_s"), whole.seconds)
    present, own, around = (
        places.all_within(parts, places.without(stretches, filled))
        for stretches in (
            everything,
            running or everything,
            places.from_start_to_stop(spans) if running else everything,
        )
    )
    if not own:
        return whole
    all_s = sum(part.seconds for part in parts)
    heard = summed(own, whole.seconds * sum(part.seconds for part in own) / all_s, limits)
    missing = summed(around, whole.seconds * sum(part.seconds for part in around) / all_s, limits)
    lowest_db = float(np.percentile(np.concatenate([part.levels_db for part in present]), 2))
    return replace(
        heard,
        seconds=missing.seconds,
        sounding_s=whole.sounding_s,
        peak=whole.peak,
        quiet_db=_quiet_db(lowest_db, heard.loud_db, limits),
        gaps=missing.gaps,
        gap_s=missing.gap_s,
        black_share=missing.black_share,
        offset=whole.offset,
        silent_s=whole.silent_s,
    )


def _quiet_db(quiet_db: float, loud_db: float, limits: LimitSet) -> float | None:
    """The level of the quietest, where it tells of what was heard beside the engine."""
    told = limits.value("quiet_depth_db") <= loud_db - quiet_db and quiet_db > limits.value("black_db")
    return quiet_db if told else None


def silences(parts: Sequence[QualityPart], seconds: float, limits: LimitSet) -> places.Stretches:
    """The silent stretches of all parts in order, each with the smear of its edges, those that then meet as one."""
    stretches = (stretch for part in parts for stretch in part.silent_s)
    return places.joined(stretches, limits.value("hole_smear_s"), seconds)


def _hum_share(parts: Sequence[QualityPart]) -> float | None:
    """Mean over time of the share of the power that was mains hum; None where no block tells."""
    told = [part for part in parts if not np.isnan(part.hum_share)]
    if not told:
        return None
    return float(np.average([part.hum_share for part in told], weights=[part.seconds for part in told]))
