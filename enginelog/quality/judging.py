"""From the measures of all blocks to one judgement of the recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from enginelog.limits import LimitSet
from enginelog.model import Beside, Problem, Quality, Span
from enginelog.quality import words
from enginelog.quality.part import QualityPart
from enginelog.quality.whole import judged, summed


def judge(
    parts: Sequence[QualityPart],
    seconds: float,
    limits: LimitSet,
    extra: Sequence[Problem] = (),
    spans: Sequence[Span] = (),
    floats: bool = False,
    filled: Sequence[tuple[float, float]] = (),
) -> Quality:
    """Judge a recording by the measures of its blocks.

    parts: one for each block, at least one. seconds: length of the recording. limits: of the topic `quality`.
    extra: what was wrong with the file itself, from reading it. spans: of its timeline; where they tell of a run, that
    one is judged, and not what was quiet before and after it. floats: the file holds its samples as floats uncoded,
    which may reach beyond full scale without being cut off there. filled: (start, end) in seconds of the silence that
    was put in for what is damaged: no fault of the phone.

    snr_db: loud parts (75th percentile of 50 ms levels) over the quietest (2nd percentile), where they are at least
        `quiet_depth_db` apart: how far the engine stands above what was heard before or after it. A phone's volume
        control makes it smaller. None where the recording has no quiet stretch (or one that was silenced by a
        program): what an engine itself does irregularly cannot be told from noise.
    clipped_percent: of the samples. low_cut_hz: where a phone's high-pass filter begins, to about a third; else None.
    hum_percent: share of the power that was mains hum, 0 where none was found; it lowers no trust, since it is taken
        out before the speed is looked for. None where the recording is too short to tell.
    silent_s: where a program left no sound, smear included: nothing that happened is judged there.
    usable: False only where nothing can be read: shorter than `shortest_s`, silent, or destroyed by clipping or gaps,
        all of it or what is heard of the engine.
    trust: 0..1, the product of one factor for each problem; 0 where not usable.
    """
    if floats and max(part.peak for part in parts) > limits.value("full_scale_most"):
        parts = [replace(part, clipped_share=part.piled_share) for part in parts]
    entire = summed(parts, seconds, limits)
    whole = judged(entire, parts, spans, tuple(filled), limits)
    fatal = words.fatal(entire, limits, bool(filled)) or words.fatal(whole, limits)
    found = words.problems(whole, limits)
    problems = (*fatal, *extra, *found)
    if any(problem.code == "silent" for problem in fatal):  # what made it silent goes before that it is
        problems = tuple(sorted(problems, key=lambda problem: problem.code != "non_finite"))
    trust = 0.0 if fatal else math.prod((_trust(problem, limits) for problem in problems), start=1.0)
    return Quality(
        usable=not fatal,
        snr_db=None if fatal or whole.quiet_db is None else whole.loud_db - whole.quiet_db,
        clipped_percent=100.0 * whole.clipped_share,
        low_cut_hz=whole.low_cut_hz,
        problems=problems,
        trust=trust,
        hum_percent=None if fatal or whole.hum_share is None else 100.0 * whole.hum_share,
        silent_s=whole.silent_s,
    )


def nothing_read(quality: Quality, limits: LimitSet) -> Quality:
    """The same judgement, once no engine and no pull could be heard in the recording.

    A good recording without an engine stays usable: there was none. Below `trust_of_silence` nobody can tell whether an
    engine was missing or drowned, so nothing can be read from it, and that is said.
    """
    if not quality.usable or quality.trust >= limits.value("trust_of_silence"):
        return quality
    return replace(quality, usable=False, trust=0.0, problems=(words.NOTHING_READ, *quality.problems))


def with_beside(quality: Quality, other: Beside | None) -> Quality:
    """The same judgement, with the other engine that was heard beside, where there was one."""
    if other is None or not quality.usable:
        return quality
    return replace(quality, problems=(*quality.problems, words.beside(other)))


def _trust(problem: Problem, limits: LimitSet) -> float:
    """The factor by which a problem lowers trust; 1 for one that has none."""
    name = f"trust_{problem.code}"
    return limits.value(name) if name in limits else 1.0
