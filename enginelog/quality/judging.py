"""From the measures of all blocks to one judgement of the recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Problem, Quality
from enginelog.quality import bands, words
from enginelog.quality.part import QualityPart


@dataclass(frozen=True)
class Measured:
    """The whole recording in a few numbers. quiet_db: None where it has no quiet stretch."""

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


def judge(parts: Sequence[QualityPart], seconds: float, limits: LimitSet, extra: Sequence[Problem] = ()) -> Quality:
    """Judge a recording by the measures of its blocks.

    parts: one for each block, at least one. seconds: length of the recording. limits: of the topic `quality`.
    extra: what was wrong with the file itself, from reading it.

    snr_db: loud parts (75th percentile of 50 ms levels) over the quietest (2nd percentile), where they are at least
        `quiet_depth_db` apart: how far the engine stands above what was heard before or after it. A phone's volume
        control makes it smaller. None where the recording has no quiet stretch (or one that was silenced by a
        program): what an engine itself does irregularly cannot be told from noise.
    clipped_percent: of all samples. low_cut_hz: where a phone's high-pass filter begins, to about a third; else None.
    usable: False only where nothing can be read: shorter than `shortest_s`, silent, or destroyed by clipping or gaps.
    trust: 0..1, the product of one factor for each problem; 0 where not usable.
    """
    whole = summed(parts, seconds, limits)
    fatal, found = words.fatal(whole, limits), words.problems(whole, limits)
    problems = (*fatal, *extra, *found)
    trust = 0.0 if fatal else float(np.prod([_trust(problem, limits) for problem in problems]))
    return Quality(
        usable=not fatal,
        snr_db=None if fatal or whole.quiet_db is None else whole.loud_db - whole.quiet_db,
        clipped_percent=100.0 * whole.clipped_share,
        low_cut_hz=whole.low_cut_hz,
        problems=problems,
        trust=trust,
    )


def nothing_read(quality: Quality, limits: LimitSet) -> Quality:
    """The same judgement, once no engine and no pull could be heard in the recording.

    A good recording without an engine stays usable: there was none. Below `trust_of_silence` nobody can tell whether an
    engine was missing or drowned, so nothing can be read from it, and that is said.
    """
    if not quality.usable or quality.trust >= limits.value("trust_of_silence"):
        return quality
    return replace(quality, usable=False, trust=0.0, problems=(words.NOTHING_READ, *quality.problems))


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
    )


def _trust(problem: Problem, limits: LimitSet) -> float:
    """The factor by which a problem lowers trust; 1 for one that has none."""
    name = f"trust_{problem.code}"
    return limits.value(name) if name in limits else 1.0
