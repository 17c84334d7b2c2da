"""Verdicts on speed: against what was told, steadiness, blade tip, generator frequency."""

from __future__ import annotations

from dataclasses import dataclass, replace

from enginelog.findings import halved, speed_limits, top_verdicts
from enginelog.findings.doubt import UNREAD, next_of
from enginelog.findings.gather import Evidence
from enginelog.findings.steadiness import CLASSES, Band, class_met, slow_share
from enginelog.findings.words import (
    GOVERNOR,
    UNTOUCHED,
    cited,
    figure,
    graded,
    unknown,
    unsteady_advice,
    worst,
)
from enginelog.limits import Limit, LimitSet
from enginelog.limits.trade import formulas
from enginelog.model import Engine, Finding, Speed, nearer_rated
from enginelog.model.wording import IN_A_BAND, as_told, shares

HALF = "About half of it: it idled, or turned twice as fast and {}. Which, cannot be told."
TWICE = "{} shows twice its true speed, too: {} told right?"
TELL_RIGHT = ("strokes and cylinders by the data plate or manual", "tell the idle speed, or record it at full speed")
IDLED = "it idled, and then it feeds nothing"
IDLED_OR_LOST = "it idled, and then it feeds nothing, or it turned twice as fast ({hz:z.1f} Hz)"
AT_RATED = ("record it at its rated speed",)
GOVERNED_LIMITS = (*(name for _, name in CLASSES), "steady_fault_percent")


def all_findings(evidence: Evidence, speed: Speed, limits: LimitSet) -> list[Finding]:
    """speed and steadiness always; blade_speed and generator_frequency where the machine has one."""
    found = [judge_speed(evidence, speed, limits), judge_steadiness(evidence, speed, limits)]
    if evidence.engine.has_blade:
        found.append(top_verdicts.judge_blade(evidence, speed, limits))
    if evidence.engine.has_alternator:
        found.append(judge_frequency(evidence, speed, limits))
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
    return Finding("speed", verdict, text, rpm, "rpm", idle_rpm, cited(limit), next=advice)


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
    return Finding("steadiness", verdict, text, percent, "%", limit.value, cited(limit), *_extent(evidence), advice)


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


def judge_frequency(evidence: Evidence, speed: Speed, limits: LimitSet) -> Finding:
    """Frequency an alternator at crankshaft speed gives, against 50 or 60 Hz: what it gives at the told rated speed is
    nearer to one of them; where none was told, what it gives as heard. A set that only idled is not judged. What it
    gave for a while beside that is judged, too: appliances bear it as they bear the rest."""
    poles = evidence.engine.alternator_poles
    if poles is None:
        return unknown(
            "generator_frequency", "the number of the alternator's poles was not told (two at 3000 or 3600 rpm)"
        )
    rpm = speed.top_rpm  # idling, it feeds nothing
    if rpm is None:
        return unknown("generator_frequency", UNREAD)
    hz = speed_limits.alternator_hz(poles, rpm)
    if speed.or_rpm is not None and halved.at_half(speed, evidence.engine, limits):
        return unknown("generator_frequency", IDLED_OR_LOST.format(hz=2 * hz), next_of(evidence.engine))
    nominal = formulas.mains_hz(poles, rpm, evidence.engine.rated_rpm)
    full_rpm = evidence.engine.rated_rpm or formulas.alternator_rpm(poles, nominal)
    if evidence.engine.idle_rpm is not None and not nearer_rated(rpm, evidence.engine.idle_rpm, full_rpm):
        return unknown("generator_frequency", IDLED, AT_RATED)
    whole = _of_nominal(hz, nominal, limits)
    beside = _for_a_while(evidence, poles, whole, limits)
    far = max([whole, *beside], key=lambda one: one.far)
    # too low for a while is no fault: which load it bore then nobody told
    verdict = worst(
        graded(whole.far, 1.0, 2.0), *(graded(each.far, 1.0, 2.0 if each.off > 0 else None) for each in beside)
    )
    whiles = [f" For {limits.value('frequency_while_s'):z.0f} s or more it gave {one.words}." for one in beside]
    text = (
        f"{'The highest speed held, ' if speed.changed else ''}{rpm:z.0f} rpm with {poles} poles"
        f"{',' if speed.changed else ''} gives {whole.words}.{''.join(whiles)}"
        " Without load it stands above nominal, under full load a little below: measure it with a meter."
    )
    advice = ("measure frequency and voltage with a meter, loaded and not", *GOVERNOR[:1]) if verdict != "ok" else ()
    return Finding("generator_frequency", verdict, text, far.hz, "Hz", far.bound_hz, cited(far.limit), next=advice)


@dataclass(frozen=True)
class _Frequency:
    """A frequency against its nominal: off in per cent, far in widths of the limit of that side; in words."""

    hz: float
    nominal: float
    off: float
    far: float
    bound_hz: float
    limit: Limit
    words: str


def _of_nominal(hz: float, nominal: float, limits: LimitSet) -> _Frequency:
    off = 100 * (hz / nominal - 1)
    above = off >= 0
    limit = limits["frequency_high_percent" if above else "frequency_low_percent"]
    bound = nominal * (1 + (limit.value if above else -limit.value) / 100)
    words = f"{hz:z.1f} Hz, {abs(off):z.1f} % {'above' if above else 'below'} {nominal:z.0f} Hz"
    return _Frequency(hz, nominal, off, abs(off) / limit.value, bound, limit, words)


def _for_a_while(evidence: Evidence, poles: int, whole: _Frequency, limits: LimitSet) -> list[_Frequency]:
    """The lowest and the highest frequency held for a while, where it lies outside its limit and is another than that
    of the whole run. Not of a set that hunts, which is told of it as such, and not where it is too slow to feed
    anything."""
    if evidence.hunting.found is True:
        return []
    nominal = whole.nominal
    held = speed_limits.held_for(evidence.series, limits.value("frequency_while_s"), limits)
    found = [_of_nominal(speed_limits.alternator_hz(poles, rpm), nominal, limits) for rpm in held]
    feeds, other = limits.value("frequency_feeds_share") * nominal, limits.value("frequency_low_percent")
    return [one for one in found if one.far > 1.0 and one.hz >= feeds and abs(one.off - whole.off) > other]
