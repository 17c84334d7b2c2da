"""Verdicts on firing: misfire, balance of the cylinders, timing."""

from __future__ import annotations

from enginelog.findings.gather import Evidence
from enginelog.findings.words import IGNITION, SOUND_ALONE, cited, graded, unknown
from enginelog.limits import LimitSet
from enginelog.model import Finding

PATTERNS = {
    "random": "They come singly, without order.",
    "burst": "They come in bursts.",
    "cylinder": "More than 90 % of them belong to one cylinder.",
    "every_second": "Every second firing is lost or weak; an unloaded two-stroke may do so in good health.",
}


def all_findings(evidence: Evidence, limits: LimitSet) -> list[Finding]:
    """misfire and timing always, cylinder_balance with two cylinders or more."""
    found = [judge_misfire(evidence, limits), judge_timing(evidence, limits)]
    if evidence.engine.cylinders > 1:
        found.append(judge_balance(evidence, limits))
    return found


def judge_misfire(evidence: Evidence, limits: LimitSet) -> Finding:
    """Share of firings lost; a fault only where the interval's lower end stands above the limit for watching."""
    study, summary = evidence.misfire, evidence.misfire.summary
    if summary.misfires is None:
        return _without_count(evidence, limits)
    watch, fault = limits["misfire_watch_percent"], limits["misfire_fault_percent"]
    percent = summary.misfire_percent
    verdict = graded(percent, watch.value, fault.value)
    if verdict == "fault" and summary.misfire_low < watch.value:
        verdict = "watch"
    if verdict == "watch" and (summary.misfires < 2 or summary.misfire_low < 0.1):
        verdict = "ok" if percent < watch.value else "unknown"
    if verdict == "fault" and summary.pattern == "every_second" and evidence.engine.strokes == 2:
        verdict = "watch"
    text = _misfire_text(evidence, verdict, limits)
    advice = IGNITION if verdict in ("watch", "fault") else ()
    return Finding(
        "misfire", verdict, text, percent, "%", watch.value, cited(watch), study.first_s, study.last_s, advice
    )


def _without_count(evidence: Evidence, limits: LimitSet) -> Finding:
    """No count: cannot tell, unless enough firings were lost without doubt."""
    study = evidence.misfire
    reason = study.reason or "the firings could not be judged"
    advice = ("record again, nearer to the exhaust side and out of the wind",)
    watch, least = limits["misfire_watch_percent"], study.summary.misfire_low or 0.0
    if study.plainly_lost < limits.value("misfire_plain_least") or least < watch.value:
        return unknown("misfire", reason, advice)
    own = f" {PATTERNS['cylinder']}" if study.of_one_cylinder else ""
    text = (
        f"At least {study.plainly_lost} of {study.summary.events} firings lost ({least:.2g} %); how many in all cannot"
        f" be told: {reason}.{own} {SOUND_ALONE}"
    )
    return Finding(
        "misfire", "watch", text, least, "%", watch.value, cited(watch), study.first_s, study.last_s,
        (*advice, *IGNITION),
    )  # fmt: skip


def _misfire_text(evidence: Evidence, verdict: str, limits: LimitSet) -> str:
    study, summary = evidence.misfire, evidence.misfire.summary
    if summary.misfires == 0:
        text = (
            f"None of {summary.events} firings was lost; a recording of this length cannot rule out"
            f" less than {summary.misfire_high:.2g} %."
        )
        if study.alternation is not None:
            text += f" Strong and weak firings take turns (weak {100 * study.alternation:.0f} % of strong)."
        return text
    text = (
        f"{summary.misfires} of {summary.events} firings lost: {summary.misfire_percent:.2g} %"
        f" (95 % interval {summary.misfire_low:.2g} to {summary.misfire_high:.2g} %)."
        f" {PATTERNS.get(summary.pattern, '')}"
    )
    for window in summary.windows:
        text += (
            f" Worst {window.revolutions:.0f} revolutions: {window.percent:.2g} % ({window.low:.2g} to"
            f" {window.high:.2g} %), {window.start_s:.1f} to {window.end_s:.1f} s."
        )
    if verdict == "unknown":
        text = "Cannot tell: too few firings to be sure. " + text
    return text.strip() + (f" {SOUND_ALONE}" if verdict in ("watch", "fault") else "")


def judge_timing(evidence: Evidence, limits: LimitSet) -> Finding:
    """Spread of the firings' moments."""
    spread = evidence.misfire.summary.timing_spread_percent
    if spread is None:
        return unknown("timing", "too few firings in a row stand clear enough of the noise to time them")
    limit = limits["timing_watch_percent"]
    text = f"Firings come evenly to {spread:.1f} % of the interval between them (measurement noise included)."
    return Finding("timing", graded(spread, limit.value), text, spread, "%", limit.value, cited(limit))


def judge_balance(evidence: Evidence, limits: LimitSet) -> Finding:
    """Cylinders against each other: level and lost firings."""
    cylinders = evidence.misfire.summary.cylinders
    levels = [one.relative_strength for one in cylinders]
    if evidence.misfire.summary.misfires is None or any(level is None for level in levels):
        return unknown("cylinder_balance", "the cylinders could not be told apart in this recording")
    weakest = min(cylinders, key=lambda one: (-round(one.misfire_percent, 1), one.relative_strength))
    level = min(levels)
    limit = limits["weak_cylinder_level"]
    listing = ", ".join(
        f"{100 * one.relative_strength:.0f} % strong with {one.misfire_percent:.2g} % lost" for one in cylinders
    )
    text = f"In order of firing: {listing}. Which cylinder is which cannot be heard."
    owns = evidence.misfire.summary.pattern == "cylinder" and weakest.misfire_percent > limits.value(
        "misfire_fault_percent"
    )
    verdict = (
        "fault"
        if owns
        else ("watch" if level < limit.value or evidence.misfire.summary.pattern == "cylinder" else "ok")
    )
    if verdict == "watch":
        text += " A cylinder farther from the microphone also sounds weaker."
    advice = (
        "balance test by the manual: ground one plug after the other; more than"
        f" {limits.value('balance_rpm'):.0f} rpm apart counts",
        *IGNITION,
    )
    value = 100 * level
    return Finding(
        "cylinder_balance",
        verdict,
        text,
        value,
        "%",
        100 * limit.value,
        cited(limit),
        next=advice if verdict != "ok" else (),
    )
