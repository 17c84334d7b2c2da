"""Verdicts on an engine's run, each with its evidence: the front door is `judge`."""

from __future__ import annotations

from dataclasses import replace

from enginelog.findings import (
    beside,
    doubling,
    doubt,
    drift,
    faster,
    firing_verdicts,
    halved,
    in_turns,
    run_verdicts,
    speed_verdicts,
    startstop_verdicts,
    words,
)
from enginelog.findings.gather import Evidence, gather
from enginelog.findings.held import told_speed
from enginelog.findings.steadiness import Band
from enginelog.limits import LimitSet
from enginelog.model import (
    DRIFT,
    Beside,
    CylinderFiring,
    Engine,
    Finding,
    Firings,
    FiringSummary,
    Hunting,
    Measures,
    Quality,
    Settling,
    Speed,
    Timeline,
    Track,
)
from enginelog.model.wording import begun_small

CODES = (
    "speed",
    "steadiness",
    "misfire",
    "hunting",
    "settling",
    "start",
    "stop",
    "load",
    "throttle",
    "pops",
    "blade_speed",
    "generator_frequency",
    "cylinder_balance",
    "timing",
)

__all__ = ["CODES", "judge"]


def judge(
    engine: Engine,
    quality: Quality,
    timeline: Timeline,
    speed: Speed,
    track: Track,
    firings: Firings,
    limits: LimitSet,
    cancelled_db: float | None = None,
    other: Beside | None = None,
) -> Measures:
    """Measure misfire, hunting, settling, loads and the rest, and give one finding for each code that applies.

    `speed` is handed through, its `band_percent` filled in where the finding on steadiness gives it, and what it held
    where it was not one speed. What a finding of verdict `unknown` withholds is None in the parts as well. `limits`:
    topic `findings`. `cancelled_db`: level of the lines that equal cylinders cancel, None where it is not known. Where
    no engine was heard or the recording is unusable every finding is `unknown` and says why (but a failed start is
    still told), and of an unusable one no speed is told.
    `other`: the engine heard beside, where one was.
    """
    blocked = _blocked(quality, timeline, limits)
    evidence = None if blocked else gather(engine, quality, timeline, track, firings, limits)
    if evidence is None:
        speed = speed if speed.told and _can_be_used(quality, limits) else Speed.unknown()
        return _nothing(engine, timeline, speed, blocked or "no stretch of running was found", limits)
    measured, evidence = evidence, beside.withheld(evidence, other, limits)
    hunts, most = evidence.hunting.found is True, timeline.confidence
    moves = evidence.loads.told
    slow = [] if hunts else drift.drifts(evidence.settled, engine, limits)
    speed = told_speed(speed, track, evidence.settled, moves, hunts, quality.trust, most, limits, slow)
    speed = in_turns.doubted_in_turns(halved.doubted_as_half(speed, engine, limits), evidence.turns, limits)
    speed = beside.doubted(speed, other, limits)
    doubted = doubling.doubted(speed.held, moves, track, limits) if speed.rpm is not None else ()
    evidence = evidence if speed.rpm is not None else evidence.without_speed()
    evidence = doubt.none_lost_told_if_misread(evidence, speed, limits)
    evidence = doubling.without_moves(faster.without_shares(evidence, speed), doubted)
    why = beside.why_doubted(engine, other)
    found = _findings(evidence, speed, cancelled_db, doubted, slow, limits, why)
    findings = tuple(sorted(beside.told(found, measured, evidence, other, limits), key=_place))
    told = {one.code: one for one in findings}
    steady = told["steadiness"]
    of_band = steady.value is not None and steady.of != DRIFT
    return Measures(
        speed=_with_band(speed, evidence.band if of_band else None),
        firing=faster.withheld(evidence.misfire.summary, speed, told),
        hunting=_hunting(evidence, told["hunting"]),
        settling=_settling(evidence, told["settling"]),
        loads=evidence.loads.taken,
        findings=findings,
        releases=evidence.loads.released,
        throttle=evidence.loads.told,
        surges=evidence.surges,
    )


def _with_band(speed: Speed, band: Band | None) -> Speed:
    if band is None:
        return replace(speed, band_percent=None)
    return replace(speed, band_percent=band.percent, band_low_percent=band.low, band_high_percent=band.high)


def _blocked(quality: Quality, timeline: Timeline, limits: LimitSet) -> str | None:
    """Why nothing can be judged; None where it can."""
    if not _can_be_used(quality, limits):
        first = quality.problems[0].text if quality.problems else "the recording is too poor"
        return f"the recording cannot be used ({first.rstrip('.')})"
    if not timeline.engine_heard:
        return begun_small((timeline.reason or "no engine running by itself was heard").rstrip("."))
    return None


def _can_be_used(quality: Quality, limits: LimitSet) -> bool:
    return quality.usable and quality.trust >= limits.value("least_trust")


def _findings(
    evidence: Evidence,
    speed: Speed,
    cancelled: float | None,
    doubted: tuple[doubling.Change, ...],
    slow: list[drift.Drift],
    limits: LimitSet,
    why: str | None = None,
) -> list[Finding]:
    found = [
        *speed_verdicts.all_findings(evidence, speed, limits),
        *firing_verdicts.all_findings(evidence, limits),
        *run_verdicts.all_findings(evidence, limits),
    ]
    found = faster.told(found, evidence.misfire.summary, evidence.engine, speed, limits)
    found = doubt.none_good_in_doubt(found, evidence.engine, speed)
    just = doubted[0].why if doubted else None
    found = doubt.none_good_if_just_twice(found, just, evidence.loads.told)
    why = why or (just if just is not None or evidence.turns is None else evidence.turns.why)
    found = doubt.no_more_than_watched_if_misread(found, evidence.engine, speed, limits, why)
    found = doubt.no_swing_denied_where_none_would_show(found, speed, limits, just)
    found = drift.told(found, slow, evidence.loads.moves, evidence.engine, speed, limits)
    found = doubt.none_good_if_one_is_silent(found, evidence.engine, cancelled, limits, evidence.too_loud)
    found = doubt.none_good_by_word(found, evidence.timeline)
    found = doubt.none_good_if_perhaps(found, evidence.timeline, limits)
    return found


def _place(finding: Finding) -> int:
    return CODES.index(finding.code)


def _hunting(evidence: Evidence, told: Finding) -> Hunting:
    swing = evidence.hunting.hunts
    if swing is None or told.verdict == "unknown":
        return Hunting(None if told.verdict == "unknown" else evidence.hunting.found)
    return Hunting(True, swing.rate_hz, swing.swing_rpm, swing.swing_percent, *swing.between_percent)


def _settling(evidence: Evidence, told: Finding) -> Settling:
    study = evidence.settling
    if told.verdict == "unknown":
        return Settling(None)
    if study.course != "settles":
        return Settling(False, course=study.course)
    low_s, high_s = study.between_s or (None, None)
    lost, swing = study.rough_misfire_percent, study.rough_swing_rpm
    return Settling(True, study.settle_s, lost, swing, low_s, high_s, study.course)


def _nothing(engine: Engine, timeline: Timeline, speed: Speed, why: str, limits: LimitSet) -> Measures:
    """The answer where nothing can be judged."""
    cylinders = tuple(CylinderFiring(k, None, None) for k in range(engine.cylinders))
    summary = FiringSummary(0, None, None, None, None, None, None, None, cylinders)
    skipped = {"load", "throttle", "blade_speed", "generator_frequency", "cylinder_balance"}
    codes = [code for code in CODES if code not in skipped and code != "start"]
    found = [words.unknown(code, why) for code in codes]
    found.append(startstop_verdicts.failed_start(timeline, why, limits))
    found.sort(key=_place)
    return Measures(speed, summary, Hunting(None), Settling(None), (), tuple(found))
