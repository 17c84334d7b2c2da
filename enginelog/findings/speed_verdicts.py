"""Verdicts on speed: against what was told, steadiness."""

from __future__ import annotations

from dataclasses import replace

from enginelog.findings import frequency, halved, top_verdicts
from enginelog.findings.doubt import UNREAD
from enginelog.findings.gather import Evidence
from enginelog.findings.steadiness import CLASSES, Band, class_met, slow_share
from enginelog.findings.words import (
    UNTOUCHED,
    figure,
    graded,
    unknown,
    unsteady_advice,
)
from enginelog.limits import LimitSet
from enginelog.model import BAND, IDLE, Engine, Finding, Speed, nearer_rated
from enginelog.model.wording import IN_A_BAND, as_told, shares

HALF = "About half of it: it idled, or turned twice as fast and {}. Which, cannot be told."
TWICE = "{} shows twice its true speed, too: {} told right?"
TELL_RIGHT = ("strokes and cylinders by the data plate or manual", "tell the idle speed, or record it at full speed")
GOVERNED_LIMITS = (*(name for _, name in CLASSES), "steady_fault_percent")


def all_findings(evidence: Evidence, speed: Speed, limits: LimitSet) -> list[Finding]:
    """speed and steadiness always; blade_speed and generator_frequency where the machine has one."""
    found = [judge_speed(evidence, speed, limits), judge_steadiness(evidence, speed, limits)]
    if evidence.engine.has_blade:
        found.append(top_verdicts.judge_blade(evidence, speed, limits))
    if evidence.engine.has_alternator:
        found.append(frequency.judge_frequency(evidence, speed, limits))
    return found


def judge_speed(evidence: Evidence, speed: Speed, limits: LimitSet) -> Finding:
    """Speed against the told rated or idle speed, whichever it is nearer to; the highest and the lowest speed held
    where the run was not at one."""
    rated_rpm, idle_rpm = evidence.engine.rated_rpm, evidence.engine.idle_rpm
    if speed.rpm is None:
        return unknown("speed", UNREAD)
    low_rpm = min((one.rpm for one in speed.held), default=speed.rpm)
    if rated_rpm is None:
        return _against_nothing(speed) if idle_rpm is None else _against_idle(speed, low_rpm, idle_rpm, limits)
    top = _if_told_wrong(evidence, top_verdicts.against_rated(evidence, speed, rated_rpm, limits), limits)
    # Too fast is told in any case: it is the one that hurts.
    if idle_rpm is None or nearer_rated(low_rpm, idle_rpm, rated_rpm) or top.verdict != "ok":
        return top
    if halved.loses_every_second(evidence.engine, speed):
        return top
    idle = _against_idle(speed, low_rpm, idle_rpm, limits)
    if not speed.changed:
        return idle
    reached = f" Highest held for a second {top.value:z.0f} rpm; told rated speed {rated_rpm:z.0f} rpm."
    return replace(idle, text=idle.text + reached)


def _against_nothing(speed: Speed) -> Finding:
    text = "No rated or idle speed was told, so it cannot be judged."
    advice = ("compare with the machine's data plate or manual",)
    return Finding("speed", "unknown", text, speed.top_rpm, "rpm", next=advice)


def _against_idle(speed: Speed, rpm: float, idle_rpm: float, limits: LimitSet) -> Finding:
    off = 100 * (rpm / idle_rpm - 1)
    limit = limits["idle_watch_percent"]
    lead = f"{top_verdicts.ran_at(speed)}; idles" if speed.changed else "Idles"
    text = (
        f"{lead} at {rpm:z.0f} rpm, {abs(off):z.1f} % {'above' if off > 0 else 'below'} the told {idle_rpm:z.0f} rpm."
    )
    verdict = graded(abs(off), limit.value)
    advice = ("idle adjustment, by the machine's manual",) if verdict != "ok" else ()
    return Finding("speed", verdict, text, rpm, "rpm", idle_rpm, limit.cited, next=advice, of=IDLE)


def _if_told_wrong(evidence: Evidence, found: Finding, limits: LimitSet) -> Finding:
    """A speed of half or twice the rated one that another layout than the one told would make the rated one: a speed of
    half of it is not called good then, and one of twice as much stays as bad as it is, since it can hurt."""
    engine = evidence.engine
    if found.value is None or engine.rated_rpm is None:
        return found
    ratio, near = found.value / engine.rated_rpm, limits.value("told_wrong_percent") / 100
    if abs(ratio / 2 - 1) <= near and found.verdict != "ok":
        return replace(found, text=f"{found.text} {_shows_twice(engine)}")
    wrong = ["is a four-stroke told as a two-stroke"] if engine.strokes == 2 else []
    wrong += ["has fewer cylinders than told"] if engine.cylinders > 1 else []
    if abs(ratio * 2 - 1) > near or engine.idle_rpm is not None or not wrong or found.verdict != "ok":
        return found
    text = f"{found.text} {HALF.format(' or '.join(wrong))}"
    return replace(found, verdict="unknown", text=text, next=TELL_RIGHT)


def _shows_twice(engine: Engine) -> str:
    """Which engine, told as this one, fires as often as this one does at twice its speed, and what to look up."""
    if engine.strokes == 2:
        return TWICE.format("An engine with more cylinders than told", "was their number")
    other = "A two-stroke told as a four-stroke, or an engine with more cylinders than told,"
    return TWICE.format(other, "were strokes, cylinders and firing angles")


def judge_steadiness(evidence: Evidence, speed: Speed, limits: LimitSet) -> Finding:
    """Width of the speed's envelope at constant load; a wide one tells nothing of a run that was at no one speed."""
    band = evidence.band
    if band is None:
        return unknown("steadiness", "less than three seconds of running at constant load were heard")
    if speed.rpm is None:
        return unknown("steadiness", UNREAD)
    percent = band.percent
    if _was_moved(evidence, percent, limits):
        why = f"the speed went slowly through {percent:z.0f} %, as it does where throttle or load is moved"
        return unknown("steadiness", why, UNTOUCHED)
    engine = evidence.engine
    if engine.governed:
        limit, fault = limits["steady_g1_percent"], limits.value("steady_fault_percent")
    else:
        limit, fault = limits["steady_ungoverned_percent"], None
    verdict = graded(percent, limit.value, fault)
    if verdict != "ok" and not evidence.hunting.found and _no_one_speed(speed, limits):
        return unknown("steadiness", "no one speed was held, or too little of it could be read", UNTOUCHED)
    if verdict == "fault" and band.low <= limits.value("steady_fault_percent"):
        verdict = "watch"  # wide without doubt, a fault perhaps
    if verdict == "fault":
        limit = limits["steady_fault_percent"]
    elif band.holds(limit.value):
        verdict = "unknown"
    text = _band_words(evidence, band, limits)
    text += (
        f". The limit of {as_told(limit.value)} % lies within that interval: whether it is kept cannot be told."
        if verdict == "unknown"
        else _likened(band, engine, limits)
    )
    advice = {"ok": (), "unknown": UNTOUCHED}.get(verdict, unsteady_advice(engine))
    return Finding(
        "steadiness", verdict, text, percent, "%", limit.value, limit.cited, *_extent(evidence), advice, BAND
    )


def _band_words(evidence: Evidence, band: Band, limits: LimitSet) -> str:
    """How wide the band is, how well that is known, and of what."""
    told = evidence.engine.rated_rpm
    basis = f"the told rated {told:z.0f} rpm" if told else "the mean speed"
    names = GOVERNED_LIMITS if evidence.engine.governed else ("steady_ungoverned_percent",)
    width = figure(band.percent, *(limits.value(name) for name in names))
    between = f"95 % interval {shares(band.low, band.high)} %"
    return f"At constant load {IN_A_BAND} {width} % wide ({between}; of {basis})"


def _likened(band: Band, engine: Engine, limits: LimitSet) -> str:
    """What such a band is like, all of its interval: the end of the sentence on it."""
    if not engine.governed:
        return f". A {engine.machine} has no governor to hold its speed, so it wanders more than other engines."
    name = class_met(band.high, limits)
    yardstick = f"as narrow as class {name}" if name else "wider than class G1"
    return f", {yardstick} of ISO 8528-5 asks of generating sets; a yardstick only."


def _was_moved(evidence: Evidence, percent: float, limits: LimitSet) -> bool:
    """True where a very wide band is mostly slow movement: then it says nothing of the governor."""
    steady = evidence.steady
    if steady is None or percent <= limits.value("steady_fault_percent") or evidence.hunting.found:
        return False
    return slow_share(steady, percent, evidence.engine.rated_rpm) > limits.value("steady_moved_share")


def _no_one_speed(speed: Speed, limits: LimitSet) -> bool:
    """Whether the run's own interval is so wide that it was at no one speed, or that it was hardly read."""
    if speed.rpm is None or speed.rpm_low is None or speed.rpm_high is None:
        return speed.changed
    return speed.changed or (speed.rpm_high - speed.rpm_low) / 2 > limits.value("steady_one_speed") * speed.rpm


def _extent(evidence: Evidence) -> tuple[float | None, float | None]:
    steady = evidence.steady
    return (None, None) if steady is None else (float(steady.t_s[0]), float(steady.t_s[-1]))
