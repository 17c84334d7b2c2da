"""What is left of a count of lost firings where the engine may turn faster than its speed was read.

Firing on every second turn only, or in one cylinder alone, it would lose all the firings between those that were heard:
where s of those heard are lost, 1 - (1 - s) / t of t times as many (by the definition of a share). So no share is told,
only between which it lies.
"""

from __future__ import annotations

from dataclasses import replace

from enginelog.findings import doubt
from enginelog.findings.gather import Evidence
from enginelog.findings.words import SOUND_ALONE, UNCOMPARED, unknown
from enginelog.limits import LimitSet
from enginelog.model import Engine, Finding, FiringSummary, Speed
from enginelog.model.wording import begun_large, counted, percent


def ratio(speed: Speed) -> float | None:
    """How many times as fast it may have turned, above 1; None where no faster speed sounds nearly the same."""
    if speed.rpm is None or speed.or_rpm is None or speed.or_rpm <= speed.rpm:
        return None
    return speed.or_rpm / speed.rpm


def share_percent(lost_percent: float, times: float) -> float:
    """Share lost of `times` as many firings, per cent, where of those heard `lost_percent` are: 50 of 0 at twice."""
    return 100 - (100 - lost_percent) / times


def without_shares(evidence: Evidence, speed: Speed) -> Evidence:
    """The evidence without the shares lost in a rough start and after it, where it may have turned faster."""
    if ratio(speed) is None:
        return evidence
    bare = replace(evidence.settling, rough_misfire_percent=None, last_misfire_percent=None)
    return replace(evidence, settling=bare)


def withheld(summary: FiringSummary, speed: Speed, findings: dict[str, Finding]) -> FiringSummary:
    """The summary without its count, where it may have turned faster. findings: by code, those of `told`; where that on
    misfires is amiss the lower end stands alone (so many at least), else the interval reaches up to the share at that
    speed. How strong each cylinder is stays where the finding on it is amiss."""
    times = ratio(speed)
    if times is None or summary.misfire_high is None:
        return summary
    amiss = {code for code, one in findings.items() if one.verdict in ("watch", "fault")}
    high = None if "misfire" in amiss else share_percent(summary.misfire_high, times)
    cylinders = tuple(replace(one, misfire_percent=None) for one in summary.cylinders)
    if "cylinder_balance" not in amiss:
        cylinders = tuple(replace(one, relative_strength=None) for one in cylinders)
    return replace(summary, misfires=None, misfire_percent=None, misfire_high=high, pattern=None,
                   cylinders=cylinders, windows=())  # fmt: skip


def told(
    findings: list[Finding], summary: FiringSummary, engine: Engine, speed: Speed, limits: LimitSet
) -> list[Finding]:
    """The findings without a share of lost firings, where it may have turned faster; where there was none, but an
    interval of it, with what it reaches up to there."""
    times = ratio(speed)
    if times is None or summary.misfire_high is None:
        return findings
    if summary.misfire_percent is None:
        more = _up_to(summary.misfire_high, engine, speed, times)
        return [_with_more(one, more, engine) if one.code == "misfire" else one for one in findings]
    known = _at_both(summary, engine, speed, times)
    return [_told(one, summary, known, engine, limits) for one in findings]


def _told(finding: Finding, summary: FiringSummary, known: str, engine: Engine, limits: LimitSet) -> Finding:
    advice = doubt.next_of(engine)
    if finding.code == "cylinder_balance" and finding.verdict == "ok":
        return unknown(finding.code, UNCOMPARED, advice)
    if finding.code != "misfire":
        return finding
    if finding.verdict not in ("watch", "fault"):
        return unknown(finding.code, known, advice)
    least = summary.misfire_low or 0.0
    text = f"At least {percent(least)} % of the firings lost: {known}. {SOUND_ALONE}"
    value = least if least > limits.value("misfire_watch_percent") else None
    return replace(finding, text=text, value=value, next=(*advice, *finding.next))


def _with_more(finding: Finding, more: str, engine: Engine) -> Finding:
    return replace(finding, text=f"{finding.text} {more}", next=(*doubt.next_of(engine), *finding.next))


def _up_to(high_percent: float, engine: Engine, speed: Speed, times: float) -> str:
    """Which share may be lost at the faster speed, where up to `high_percent` is at the one read."""
    other, how = doubt.other_reading(engine, speed)
    there = other if speed.changed else f"at {other}"
    share = f"{share_percent(high_percent, times):z.0f} %"
    return f"{begun_large(there)}, {how}, which sounds nearly the same, up to {share} would be lost."


def _at_both(summary: FiringSummary, engine: Engine, speed: Speed, times: float) -> str:
    """How many were lost at the speed read, and what share would be at the faster one."""
    other, how = doubt.other_reading(engine, speed)
    lost = summary.misfires or 0
    count = f"{lost or 'none'} of {counted(summary.events, 'firing')} {'were' if lost > 1 else 'was'} lost"
    at, there = ("at the speed read", other) if speed.changed else (f"at {speed.rpm:z.0f} rpm", f"at {other}")
    up_to = "" if engine.cylinders == 1 else "up to "
    share = f"{up_to}{share_percent(summary.misfire_percent or 0.0, times):z.0f} %"
    return f"{at} {count}, but {there}, {how}, which sounds nearly the same, {share} would be"
