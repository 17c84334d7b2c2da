"""Verdicts on firing: misfire, balance of the cylinders, timing."""

from __future__ import annotations

from typing import NamedTuple

from enginelog.findings.gather import Evidence
from enginelog.findings.settling import SettlingStudy
from enginelog.findings.shares import clopper_pearson
from enginelog.findings.words import (
    BALANCE_TEST,
    DIED_AWAY,
    IGNITION,
    SOUND_ALONE,
    UNCOMPARED,
    UNDER_LOAD,
    WEAK_OR_FAR,
    deciding,
    graded,
    unknown,
)
from enginelog.limits import LimitSet
from enginelog.model import LOSSES, STRENGTH, Engine, Finding, FiringSummary
from enginelog.model.wording import percent, shares

PATTERNS = {
    "random": "They come singly, without order.",
    "burst": "They come in bursts.",
    "cylinder": "More than 90 % of them belong to one cylinder.",
    "every_second": "Every second firing is lost or weak; an unloaded two-stroke may do so in good health.",
}


# What came after a rough part, or lay beside it, by the course of the run.
AFTER = {"settles": "once it ran smoothly", "lessens": "after that", "passing": "before and after"}

TOLD_AS_TWO_STROKE = "A four-stroke told as a two-stroke sounds just so."
TOLD_AS_TWIN = "A single told as a twin sounds just so: how many cylinders has it?"
FARTHER = "A cylinder farther from the microphone also sounds weaker."
TAKING_TURNS = "an unloaded two-stroke may do so in good health"


class _Count(NamedTuple):
    """Firings lost; their share and its 95 % interval, per cent."""

    misfires: int
    percent: float
    low: float
    high: float


def _count(summary: FiringSummary) -> _Count | None:
    """The count; None where it is withheld (an interval may still be known)."""
    number, percent = summary.misfires, summary.misfire_percent
    low, high = summary.misfire_low, summary.misfire_high
    if number is None or percent is None or low is None or high is None:
        return None
    return _Count(number, percent, low, high)


def all_findings(evidence: Evidence, limits: LimitSet) -> list[Finding]:
    """misfire and timing always, cylinder_balance with two cylinders or more."""
    found = [judge_misfire(evidence, limits), judge_timing(evidence, limits)]
    if evidence.engine.cylinders > 1:
        found.append(judge_balance(evidence, limits))
    return found


def judge_misfire(evidence: Evidence, limits: LimitSet) -> Finding:
    """Share of firings lost; a fault only where the interval's lower end stands above the limit for watching."""
    study, summary = evidence.misfire, evidence.misfire.summary
    count = _count(summary)
    if count is None:
        return _without_count(evidence, limits)
    watch, fault = limits["misfire_watch_percent"], limits["misfire_fault_percent"]
    verdict = graded(count.percent, watch.value, fault.value)
    if verdict == "fault" and count.low < watch.value:
        verdict = "watch"
    if verdict == "watch" and (count.misfires < 2 or count.low < 0.1):
        verdict = "unknown"
    died_away = evidence.died_away(limits)
    if verdict == "fault" and (died_away or _told_otherwise(evidence, summary.pattern or "")):
        verdict = "watch"
    if verdict == "ok" and study.cut_out is not None:
        verdict = "watch"  # of a long recording a moment is a small share
    if count.misfires == 0 and count.high >= fault.value and not _by_length(count, summary):
        verdict = "unknown"  # as many sound weak enough to be lost as make a fault
    text = _misfire_text(evidence, count, verdict, died_away)
    advice = IGNITION if verdict in ("watch", "fault") else ()
    limit = deciding(verdict, watch, fault)
    return Finding(
        "misfire", verdict, text, count.percent, "%", limit.value, limit.cited, study.first_s, study.last_s, advice
    )


def _pattern_words(evidence: Evidence, pattern: str) -> str:
    """How the lost firings lie, and what else sounds so: see `_told_otherwise`."""
    return " ".join(said for said in (PATTERNS.get(pattern, ""), _told_otherwise(evidence, pattern)) if said)


def _told_otherwise(evidence: Evidence, pattern: str) -> str:
    """Which engine, told wrongly, sounds just as this pattern of lost firings in good health; empty where none does."""
    if pattern == "every_second" and evidence.engine.strokes == 2:
        return TOLD_AS_TWO_STROKE
    return TOLD_AS_TWIN if pattern == "cylinder" and evidence.misfire.as_single else ""


def _without_count(evidence: Evidence, limits: LimitSet) -> Finding:
    """No count: cannot tell, unless enough firings were lost without doubt."""
    study = evidence.misfire
    reason = study.reason or "the firings could not be judged"
    if study.weak_turns is not None:
        return unknown("misfire", f"{reason}; {TAKING_TURNS}", UNDER_LOAD)
    advice: tuple[str, ...] = ("record again, nearer to the exhaust side and out of the wind",)
    if study.faint is not None:
        advice = (*WEAK_OR_FAR, _balance_test(limits))
    elif evidence.too_loud:
        advice = ()
    watch, least = limits["misfire_watch_percent"], study.summary.misfire_low or 0.0
    if study.plainly_lost < limits.value("misfire_plain_least") or least < watch.value:
        return unknown("misfire", reason, advice)
    pattern = study.summary.pattern or ""
    own = f" {_pattern_words(evidence, pattern)}" if pattern in PATTERNS else ""
    text = (
        f"At least {study.plainly_lost} of {study.summary.events} firings lost ({percent(least)} %); how many in all"
        f" cannot be told: {reason}.{own} {SOUND_ALONE}"
    )
    return Finding(
        "misfire", "watch", text, least, "%", watch.value, watch.cited, study.first_s, study.last_s,
        (*advice, *IGNITION),
    )  # fmt: skip


def _by_length(count: _Count, summary: FiringSummary) -> bool:
    """Whether the upper end, with none lost, is about what the length of the recording alone makes it."""
    return count.high <= 1.5 * 100 * clopper_pearson(0, summary.events)[1]


def _misfire_text(evidence: Evidence, count: _Count, verdict: str, died_away: bool) -> str:
    study, summary = evidence.misfire, evidence.misfire.summary
    if count.misfires == 0:
        text = f"None of {summary.events} firings was lost; a recording of this length"
        if not _by_length(count, summary):
            text = f"None of {summary.events} firings was plainly lost; some sound as weak as lost ones, so that it"
            text = f"Not sure. {text}" if verdict == "unknown" else text
        text += f" cannot rule out less than {percent(count.high)} %."
        if study.alternation is not None:
            text += f" Strong and weak firings take turns (weak {100 * study.alternation:z.0f} % of strong)."
        return text
    text = (
        f"{count.misfires} of {summary.events} firings lost: {percent(count.percent)} %"
        f" (95 % interval {shares(count.low, count.high)} %)."
    )
    how = _pattern_words(evidence, summary.pattern or "")
    text += f" {how}" if how and count.misfires > 1 else ""
    text += f" {DIED_AWAY}" if died_away else ""
    text += "" if study.cut_out is None else f" {study.cut_out.words}"
    text += _of_the_rough_start(evidence.settling)
    for window in summary.windows:
        text += (
            f" Worst {window.revolutions:z.0f} revolutions: {percent(window.percent)} %"
            f" ({shares(window.low, window.high)} %), {window.start_s:z.1f} to {window.end_s:z.1f} s."
        )
    if verdict == "unknown":
        text = "Cannot tell: too few firings to be sure. " + text
    return text.strip() + (f" {SOUND_ALONE}" if verdict in ("watch", "fault") else "")


def _of_the_rough_start(study: SettlingStudy) -> str:
    """What share of the firings was lost in a rough start, or while it was rough, and what otherwise: that of the whole
    run is neither; empty without such."""
    rough, smooth = study.rough_misfire_percent, study.last_misfire_percent
    after = {"settles": "once it ran smoothly", "lessens": "after that", "passing": "before and after"}.get(
        study.course
    )
    if after is None or rough is None or smooth is None or rough <= smooth:
        return ""
    when = "for a while" if study.course == "passing" else "at first"
    return f" While rough {when} {rough:z.1f} % were lost, {smooth:z.1f} % {after}."


def judge_timing(evidence: Evidence, limits: LimitSet) -> Finding:
    """Spread of the firings' moments."""
    spread = evidence.misfire.summary.timing_spread_percent
    if spread is None:
        return unknown("timing", "too few firings in a row stand clear enough of the noise to time them")
    limit = limits["timing_watch_percent"]
    text = f"Firings come evenly to {percent(spread)} % of the interval between them (measurement noise included)."
    return Finding("timing", graded(spread, limit.value), text, spread, "%", limit.value, limit.cited)


def judge_balance(evidence: Evidence, limits: LimitSet) -> Finding:
    """Cylinders against each other: by what one of them loses, where that is a fault or it alone is amiss, else by
    the level of the weakest. Value and limit are those of what was judged."""
    summary = evidence.misfire.summary
    if evidence.misfire.faint is not None:
        return _faint_cylinder(evidence.engine, evidence.misfire.faint, limits)
    told = [
        (one.relative_strength, one.misfire_percent)
        for one in summary.cylinders
        if one.relative_strength is not None and one.misfire_percent is not None
    ]
    if summary.misfires is None:
        return unknown("cylinder_balance", UNCOMPARED)
    if len(told) < len(summary.cylinders):
        return unknown("cylinder_balance", "the cylinders could not be told apart in this recording")
    by_one, as_single = summary.pattern == "cylinder", evidence.misfire.as_single
    level, most = min(strength for strength, _ in told), max(lost for _, lost in told)
    watch, fault = limits["misfire_watch_percent"], limits["misfire_fault_percent"]
    limit = limits["weak_cylinder_level"]
    listing = ", ".join(f"{100 * strength:z.0f} % strong with {percent(lost)} % lost" for strength, lost in told)
    text = f"In order of firing: {listing}. Which cylinder is which cannot be heard."
    advice = (_balance_test(limits), *IGNITION)
    lost_by_one = graded(most, watch.value, fault.value) if by_one else "ok"
    if lost_by_one == "fault" and as_single:
        lost_by_one = "watch"
    if lost_by_one == "fault" or (lost_by_one == "watch" and level >= limit.value):
        text += f" {TOLD_AS_TWIN}" if as_single else f" One of them loses {percent(most)} % of its own firings."
        decided = deciding(lost_by_one, watch, fault)
        return Finding(
            "cylinder_balance", lost_by_one, text, most, "%", decided.value, decided.cited, next=advice, of=LOSSES
        )  # fmt: skip
    if level >= limit.value:
        return Finding("cylinder_balance", "ok", text, 100 * level, "%", 100 * limit.value, limit.cited, of=STRENGTH)
    text += f" {TOLD_AS_TWIN if by_one and as_single else FARTHER}"
    return Finding(
        "cylinder_balance", "watch", text, 100 * level, "%", 100 * limit.value, limit.cited, next=advice, of=STRENGTH
    )  # fmt: skip


def _balance_test(limits: LimitSet) -> str:
    return BALANCE_TEST.format(rpm=limits.value("balance_rpm"))


def _faint_cylinder(engine: Engine, level: float, limits: LimitSet) -> Finding:
    """One cylinder is quieter than it ought to be, 0..1 of the strongest, and why cannot be told. No limit stands
    beside a level that is within it: there it is to be watched because it never seems to fire."""
    limit = limits["weak_cylinder_level"]
    text = (
        f"One cylinder sounds {100 * level:z.0f} % as strong as the strongest: it burns weakly, or not at all, or is"
        " only heard less, being farther from the microphone. Which of these cannot be told by sound."
    )
    if engine.cylinders == 2 and engine.even_firing:
        text += f" {TOLD_AS_TWIN}"
    advice = (*WEAK_OR_FAR, _balance_test(limits), *IGNITION)
    if level >= limit.value:
        return Finding("cylinder_balance", "watch", text, next=advice)
    return Finding(
        "cylinder_balance", "watch", text, 100 * level, "%", 100 * limit.value, limit.cited, next=advice, of=STRENGTH
    )
