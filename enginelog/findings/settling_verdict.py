"""Verdict on how smoothly it ran over time: rough at first then smooth, rough for a while, rougher, or never smooth."""

from __future__ import annotations

from enginelog.findings.doubt import UNREAD
from enginelog.findings.gather import Evidence
from enginelog.findings.settling import UNHEARD, SettlingStudy
from enginelog.findings.words import IGNITION, SOUND_ALONE, unknown
from enginelog.limits import LimitSet
from enginelog.model import Finding
from enginelog.model.wording import is_wide

ROUGH_START = (
    "record a cold start and a warm one for comparison",
    "valves: free movement and clearance, by the manual",
    *IGNITION[:1],
)
FOR_A_WHILE = (
    "record it again without load, then in its work: does it come with the load?",
    "plug lead, cap and stop-switch wire: does it come when they are moved by the vibration?",
)
RAN_DRY = "So it went on until it stopped: one whose fuel is shut off, or runs out, dies away so."
BY_ITS_SWITCH = ("is the fuel shut off to stop it? Then record it again, stopped by its switch", "fuel in the tank")
AT_ONCE_S = 2.0  # a load taken on so near to when it became rough came with it


def judge_settling(evidence: Evidence, limits: LimitSet) -> Finding:
    """Rough at first then clean, never clean, or getting worse."""
    study, span = evidence.settling, evidence.span
    ran_s = span.end_s - span.start_s
    if study.course == "unknown":
        return unknown("settling", _why_settling_unknown(study, ran_s, limits))
    if study.course != "steady" and not study.told:
        return unknown("settling", UNREAD)
    verdict = "ok" if study.course == "steady" else "watch"
    text = _settling_text(study, ran_s, evidence.misfire.summary.misfire_percent, span.start_s)
    if verdict == "ok" and evidence.hunting.hunts and evidence.in_a_part(evidence.hunting.hunts):
        text = "Runs alike from first to last but for the hunting; no rough start."
    settled_s = None if study.settle_s is None else span.start_s + study.settle_s
    begun_s = span.start_s
    advice = () if verdict == "ok" else FOR_A_WHILE if study.course == "passing" else ROUGH_START
    if study.course == "passing" and study.between_s is not None:
        begun_s, settled_s = (span.start_s + each for each in study.between_s)
        text += _under_load(begun_s, evidence)
    if evidence.died_away(limits):
        text, advice = f"{text} {RAN_DRY}", BY_ITS_SWITCH
    # No limit beside the value: the limit is a share of firings, the value a time.
    source = limits["settling_least_percent"].cited
    return Finding(
        "settling", verdict, text, study.settle_s, "s", None, source, begun_s, settled_s or span.end_s, advice,
        of=study.course,
    )  # fmt: skip


def _under_load(begun_s: float, evidence: Evidence) -> str:
    """That a load was taken on as it began, where one was heard."""
    taken = [step.at_s for step in evidence.loads.taken if abs(step.at_s - begun_s) <= AT_ONCE_S]
    return f" A load was taken on then, at {taken[0]:z.1f} s." if taken else ""


def _why_settling_unknown(study: SettlingStudy, ran_s: float, limits: LimitSet) -> str:
    """Why no course can be told of a run heard for `ran_s`."""
    least_s = limits.value("settling_least_s")
    if ran_s < least_s + 1:
        return f"the run was heard for {ran_s:z.1f} s; at least {least_s + 1:z.0f} s are needed"
    return study.reason or UNHEARD


def _settling_text(study: SettlingStudy, ran_s: float, counted_percent: float | None, start_s: float = 0.0) -> str:
    """What is said of a known course of a run that begins at start_s. counted_percent: of firings lost in the whole
    run, None where not counted: one that was rough throughout lost so many, and not a little more or less. Where the
    study has no share, none is told."""
    if study.course == "steady":
        return "Runs alike from first to last; no rough start."
    first = _level(study.rough_misfire_percent, study.rough_swing_rpm, study.rough_uneven_percent)
    last = _level(study.last_misfire_percent, study.last_swing_rpm, study.last_uneven_percent)
    if study.course == "worsens":
        return f"Gets rougher. At first: {first}; at last: {last}. {SOUND_ALONE}"
    if study.course == "passing" and study.between_s is not None:
        from_s, to_s = (start_s + each for each in study.between_s)
        return (
            f"Rough for a while, from {from_s:z.1f} to {to_s:z.1f} s: {first}; before and after: {last}. {SOUND_ALONE}"
        )
    if study.course == "lessens":
        return f"Rough at first: {first}. After {_about(study, ran_s)} less so, but not smooth: {last}. {SOUND_ALONE}"
    if study.course == "rough":
        untold = counted_percent is None or study.last_misfire_percent is None
        lost_percent = study.last_misfire_percent if untold else counted_percent
        throughout = _level(lost_percent, study.last_swing_rpm, study.last_uneven_percent)
        return f"Rough throughout ({throughout}); it did not settle while recorded."
    return (
        f"Rough at first: {first}. Settled after {_about(study, ran_s)}: {last}. A rough start that clears can come"
        f" from a sticking valve, among other causes. {SOUND_ALONE}"
    )


def _about(study: SettlingStudy, ran_s: float) -> str:
    """When it settled, with its interval where that is wide; ran_s: how long the run was heard."""
    settle_s, (low_s, high_s) = study.settle_s or 0.0, study.between_s or (0.0, 0.0)
    told = f"{settle_s:z.1f} s"
    if high_s > ran_s:
        return f"about {told} ({low_s:z.1f} s to past the end of the run)"
    return f"about {told} ({low_s:z.1f} to {high_s:z.1f} s)" if is_wide(settle_s, low_s, high_s) else told


def _level(misfire_percent: float | None, swing_rpm: float | None, uneven_percent: float | None) -> str:
    parts = [] if misfire_percent is None else [f"{misfire_percent:z.1f} % of firings lost"]
    parts += [] if uneven_percent is None else [f"strength of firings spread by {uneven_percent:z.0f} %"]
    parts += [] if swing_rpm is None else [f"swings of {swing_rpm:z.0f} rpm"]
    return ", ".join(parts) or "not measured"
