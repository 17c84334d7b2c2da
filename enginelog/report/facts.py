"""What was measured, each as a label, a value in words, and what stands behind it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from enginelog.limits.trade import formulas
from enginelog.model import MOST_HELD, Finding, FiringSummary, Run, nearer_rated, over_rated
from enginelog.model.wording import begun_small, is_wide, joined
from enginelog.plots import cylinder_letter
from enginelog.report.words import (
    CANNOT_TELL,
    GAP,
    PATTERNS,
    SURE_95,
    assumed_words,
    count,
    figure,
    group,
    held,
    interval,
    is_one_speed,
    measured,
    moment,
    one_speed,
    other_speed,
    percent,
    pulls,
    rpm,
    seconds,
    sentence,
    title,
)

EVENTS = ("starting", "stopping")
UNHEARD = ("not heard", "not clear", "not timed")


@dataclass(frozen=True)
class Fact:
    """One measure. `group` ties it to its findings; `value` in words; `behind`: interval, basis or more detail."""

    group: str
    label: str
    value: str
    behind: str = ""

    @property
    def known(self) -> bool:
        return self.value != CANNOT_TELL


def facts(run: Run) -> list[Fact]:
    """All measures of a run in which an engine was heard; of another only what still makes sense."""
    makers: list[Callable[[Run], Fact | None]] = [starting]
    if run.timeline.engine_heard:
        makers = [speed, steadiness, misfires, evenness, cylinders, hunting, settling, starting, stopping, loads, pops]
    return [fact for maker in makers if (fact := maker(run)) is not None]


def why_unknown(run: Run, fact: Fact) -> str:
    """Why a measure is not known, from the finding that says so; general words where none does."""
    texts = [f.text for f in run.measures.findings if f.verdict == "unknown" and speaks_of(f, fact)]
    said = [sentence(reason_alone(text)) for text in texts]
    return said[0] if said else sentence(fact.behind) or "The recording does not carry it."


def speaks_of(finding: Finding, fact: Fact) -> bool:
    """Whether a finding is about this measure; one on a twin's cylinders is not about its misfires in all."""
    if finding.code.startswith("cylinder"):
        return fact.group == "cylinders"
    return group(finding.code) == fact.group


def is_measured(found: Sequence[Fact], finding: Finding) -> bool:
    """Whether a figure is told of what a finding is about, by itself or by a measure; then a finding without a verdict
    is not judged, and not unknown. Of starting and stopping, "not heard" is no figure."""
    if finding.value is not None or finding.code == "timing":  # how strong each firing is says nothing of its moment
        return finding.value is not None
    return any(fact.known and fact.group not in EVENTS and speaks_of(finding, fact) for fact in found)


def reason_alone(text: str) -> str:
    """A finding's text without a leading "cannot tell", for places that say so themselves."""
    lead = "cannot tell: "
    return text[len(lead) :] if text.lower().startswith(lead) else text


def limit_of(run: Run, fact: Fact) -> Finding | None:
    """The first finding of this measure that names a limit."""
    return next((f for f in run.measures.findings if speaks_of(f, fact) and f.limit is not None), None)


def speed(run: Run) -> Fact:
    """Median speed with its interval and confidence."""
    found = run.measures.speed
    if found.rpm is None:
        return Fact("speed", "Speed", CANNOT_TELL)
    if found.changed:
        return _changed_speed(run)
    behind = "middle value of the run"
    if found.rpm_low is not None and found.rpm_high is not None:
        behind = f"{SURE_95} interval {found.rpm_low:z.0f} to {rpm(found.rpm_high)}"
        if not is_one_speed(found):
            behind += "; no one speed, or too little of it heard"
    if found.or_rpm is not None:
        behind = f"or {other_speed(found)}, which sounds nearly the same; {behind}"
    told = [] if found.or_rpm is not None else _against_what_was_told(run, found.rpm)
    sure = f"confidence {found.confidence:z.2f} of 1"
    return Fact("speed", "Speed", one_speed(found), "; ".join([behind, sure, *told, *_if_assumed(run)]))


def _if_assumed(run: Run) -> list[str]:
    """On what the speed rests that nobody told: another layout would make it another speed, as surely."""
    taken = (assumed_words(run.engine) or "").replace(", which fits the sound best", " as it sounds")
    return [f"if {taken}, which nobody told"] if taken else []


def _changed_speed(run: Run) -> Fact:
    """The speeds held by a run that was not at one; its middle value would say nothing."""
    found = run.measures.speed
    lengths = [f"{one.end_s - one.start_s:z.1f}" for one in found.held]
    behind = [f"for {', '.join(lengths)}{GAP}s"] if 1 < len(lengths) <= MOST_HELD else []
    behind.append(f"confidence {found.confidence:z.2f} of 1")
    told = [] if found.or_rpm is not None or found.top_rpm is None else _against_what_was_told(run, found.top_rpm)
    behind += [f"the highest: {', '.join(told)}"] if told else []
    behind += _if_assumed(run)
    return Fact("speed", "Speed", f"changed: {held(found)}", "; ".join(behind))


def _against_what_was_told(run: Run, speed_rpm: float) -> list[str]:
    """The frequency where the poles were told, and how far the rated speed told, or the idle speed told where that is
    nearer, is away where that is 1 % or more; of an engine found to be too fast the speed that was judged, not the
    middle one, as exactly as its finding says it."""
    poles, rated, fast = run.engine.alternator_poles, run.engine.rated_rpm, over_rated(run)
    said = [f"{formulas.alternator_hz(poles, speed_rpm):z.1f}{GAP}Hz with {poles} poles"] if poles else []
    if rated and fast is not None and fast.value is not None:
        over = f"{100 * (fast.value / rated - 1):z.1f}{GAP}%"
        said.append(f"{over} above the rated {rated:z.0f} at the highest held for a second")
        return said
    idle = run.engine.idle_rpm
    at_rated = idle is None or (rated is not None and nearer_rated(speed_rpm, idle, rated))
    name, told = ("rated", rated) if at_rated else ("idle", idle)
    if told and abs(speed_rpm / told - 1) >= 0.01:
        side = "above" if speed_rpm > told else "below"
        said.append(f"{percent(100 * abs(speed_rpm / told - 1))} {side} the {name} {told:z.0f}")
    return said


def steadiness(run: Run) -> Fact:
    """Width of the band the speed stays in, with its interval."""
    found = run.measures.speed
    band, low, high = found.band_percent, found.band_low_percent, found.band_high_percent
    said = next((f for f in run.measures.findings if f.code == "steadiness"), None)
    if band is None and said is not None and said.value is not None and said.verdict in ("watch", "fault"):
        return Fact("steadiness", "Steadiness", f"no one speed: it changed slowly by {measured(said)}")
    if band is None or (said is not None and said.verdict == "unknown" and said.value is None):
        return Fact(
            "steadiness", "Steadiness", CANNOT_TELL
        )  # records of earlier versions keep a band that says nothing
    base = "rated" if run.engine.rated_rpm and "rated_rpm" not in run.engine.assumed else "mean"
    between = "" if low is None or high is None else f"{SURE_95} interval {interval(low, high)}; "
    behind = f"{between}of {base} speed, measured as in ISO 8528-5"
    if run.measures.speed.changed and said is not None and said.start_s is not None and said.end_s is not None:
        at = [moment(at_s, run.clip.seconds) for at_s in (said.start_s, said.end_s)]
        behind += f"; where it stayed longest at one speed, {at[0]} to {at[1]}"
    # To the digits of the finding's sentence.
    width = percent(band) if said is None or said.value is None else measured(said)
    doubt = "not sure: " if said is not None and said.verdict == "unknown" and not _on_the_limit(run, said) else ""
    return Fact("steadiness", "Steadiness", f"{doubt}within a band {width} wide", behind)


def _on_the_limit(run: Run, found: Finding) -> bool:
    """Whether the band is not judged only because its interval holds the limit."""
    low, high = run.measures.speed.band_low_percent, run.measures.speed.band_high_percent
    if found.limit is None or low is None or high is None:
        return False
    return low <= found.limit <= high


def misfires(run: Run) -> Fact:
    """Share of firings lost with its interval; where none was heard, how many could have gone unheard all the same."""
    firing = run.measures.firing
    if firing.misfires is None or firing.misfire_percent is None:
        return _uncounted(firing)
    firings = count(firing.events, "firing")
    if firing.misfires == 0:
        high = firing.misfire_high
        behind = "" if high is None else f"up to {percent(high)} cannot be ruled out ({SURE_95})"
        return Fact("misfire", "Misfires", f"{_doubted(run, 'misfire')}none heard in {firings}", behind)
    parts = []
    if firing.misfire_low is not None and firing.misfire_high is not None:
        parts.append(f"{SURE_95} interval {interval(firing.misfire_low, firing.misfire_high)}")
    first = ["more at first, while rough"] if rougher_first(run) else []
    pattern = "" if first and firing.pattern == "random" else PATTERNS.get(firing.pattern or "", "")
    parts += [*([pattern] if pattern else []), *first]
    value = f"{percent(firing.misfire_percent)}: {firing.misfires} of {firings}"
    return Fact("misfire", "Misfires", value, "; ".join(parts))


def rougher_first(run: Run) -> bool:
    """Whether more firings were lost in a rough start than in the whole run, so that their share is of no one time."""
    rough, whole = run.measures.settling, run.measures.firing.misfire_percent
    lost = rough.rough_misfire_percent
    return bool(rough.found and lost is not None and whole is not None and lost > whole)


def _doubted(run: Run, code: str) -> str:
    """What is said before a figure whose own finding says that it is not sure."""
    return "not sure: " if _judged(run, code, "unknown") else ""


def _judged(run: Run, code: str, verdict: str) -> bool:
    """Whether a finding of this code has this verdict."""
    return any(f.code == code and f.verdict == verdict for f in run.measures.findings)


def _uncounted(firing: FiringSummary) -> Fact:
    """Misfires whose count is withheld: how many at least, or between which shares, where that is known."""
    low, high = firing.misfire_low, firing.misfire_high
    if low is not None and high is None:
        value = f"at least {percent(low)} of {count(firing.events, 'firing')}"
        return Fact("misfire", "Misfires", value, "how many in all cannot be told")
    unsure = (
        "" if low is None or high is None else f"between {low:z.0f} and {high:z.0f}{GAP}%: too unsure to state a count"
    )
    return Fact("misfire", "Misfires", CANNOT_TELL, unsure)


def evenness(run: Run) -> Fact | None:
    """Spread of strength and timing from firing to firing."""
    firing = run.measures.firing
    parts = []
    if firing.strength_spread_percent is not None:
        parts.append(f"strength {percent(firing.strength_spread_percent)}")
    if firing.timing_spread_percent is not None:
        parts.append(f"timing {percent(firing.timing_spread_percent)} of the time between two")
    if not parts:
        untold = any(finding.code == "timing" for finding in run.measures.findings)
        return Fact("evenness", "Evenness", CANNOT_TELL) if untold else None
    return Fact("evenness", "Evenness", "; ".join(parts), "how far single firings stray")


def cylinders(run: Run) -> Fact | None:
    """Strength of each cylinder, in order of firing."""
    found = run.measures.firing.cylinders
    if len(found) < 2:
        return None
    value = ", ".join(
        f"{cylinder_letter(c.index)} {CANNOT_TELL if c.relative_strength is None else f'{c.relative_strength:z.2f}'}"
        for c in found
    )
    if all(c.relative_strength is None for c in found):
        return Fact("cylinders", "Cylinders", CANNOT_TELL)
    behind = "1 is the mean of all; which is which cannot be heard"
    return Fact("cylinders", "Cylinders", f"{_doubted(run, 'cylinder_balance')}strength {value}", behind)


def hunting(run: Run) -> Fact:
    """Swing and rate of a lasting oscillation of the speed."""
    found = run.measures.hunting
    if found.found is None:
        return Fact("hunting", "Hunting", CANNOT_TELL)
    if not found.found:
        return Fact("hunting", "Hunting", "none heard", "no lasting swing of the speed")
    swing = [] if found.swing_rpm is None else [f"{rpm(found.swing_rpm)} from top to bottom"]
    swing += [] if found.rate_hz is None else [f"{figure(found.rate_hz)} times a second"]
    behind = "" if found.swing_percent is None else f"{percent(found.swing_percent)} of the speed"
    behind += between(found.swing_percent, found.swing_low_percent, found.swing_high_percent, "%")
    return Fact("hunting", "Hunting", ", ".join(swing) or "the speed swings to and fro", behind)


# What is said of a run that was rough, but not at first alone.
OTHER_COURSES = {
    "rough": ("does not clear", "rough to the end of what was recorded"),
    "lessens": ("clears in part", "less rough after a while, but not smooth"),
    "worsens": ("none at first", "it gets rougher as it runs"),
    "passing": ("none at first", "rough for a while later on"),
}


def settling(run: Run) -> Fact:
    """When a rough start became smooth."""
    found = run.measures.settling
    if found.found is None:
        return Fact("settling", "Rough start", CANNOT_TELL)
    if not found.found:
        if _judged(run, "settling", "watch"):
            return Fact("settling", "Rough start", *OTHER_COURSES.get(found.course or "rough", OTHER_COURSES["rough"]))
        return Fact("settling", "Rough start", "none heard", "no change from rough to smooth")
    value = "settles" if found.settle_s is None else f"smooth after {seconds(found.settle_s)}"
    longest_s = max((span.end_s - span.start_s for span in run.timeline.spans if span.kind == "run"), default=0.0)
    if found.settle_low_s is not None and found.settle_high_s is not None and found.settle_high_s > longest_s:
        value += f" ({found.settle_low_s:z.1f}{GAP}s to past the end of the run)"
    else:
        value += between(found.settle_s, found.settle_low_s, found.settle_high_s, "s")
    rough = found.rough_misfire_percent
    return Fact("settling", "Rough start", value, "" if rough is None else f"{percent(rough)} of firings lost at first")


def between(value: float | None, low: float | None, high: float | None, unit: str) -> str:
    """The interval in brackets, where it is wide."""
    if value is None or low is None or high is None or not is_wide(value, low, high):
        return ""
    return f" ({low:z.1f} to {high:z.1f} {unit})"


def starting(run: Run) -> Fact | None:
    """Pulls of the starter and time to running by itself."""
    line = run.timeline
    if not line.pulls and not line.engine_heard:
        return None
    if not line.pulls and line.vain_words:
        return Fact(
            "starting", "Starting", "not heard", f"after it stopped {line.vain_words}, and it did not start again"
        )
    if not line.pulls and line.seconds_to_run is None:
        return _event_untold(run, Fact("starting", "Starting", "not heard", "no pull of the starter in the recording"))
    if line.engine_heard and not line.pulls_bounded:
        return _event_untold(run, Fact("starting", "Starting", "not clear", line.pulls_reason or ""))
    value, speed = f"{pulls(line)} of the starter", _pull_speed(run)
    if not line.engine_heard:
        return Fact("starting", "Starting", value, f"the engine did not run by itself{speed}")
    behind = "" if line.seconds_to_run is None else f"ran by itself {seconds(line.seconds_to_run)} after the first"
    return Fact("starting", "Starting", value, (behind + speed).removeprefix(", "))


def _event_untold(run: Run, fact: Fact) -> Fact:
    """A start or stop that was not heard with the reason of its finding, which says more than that it is not there."""
    said = next((f.text for f in run.measures.findings if f.verdict == "unknown" and says_why(f, fact)), "")
    reason = begun_small(reason_alone(said).strip().rstrip("."))
    return replace(fact, behind=reason) if reason else fact


def says_why(finding: Finding, fact: Fact) -> bool:
    """Whether a finding without a verdict is of this very start or stop that was not heard, so that the fact gives its
    reason; one on the time a blade takes to stop is not."""
    return fact.value in UNHEARD and title(finding.code) == fact.label


def _pull_speed(run: Run) -> str:
    """Range of the pulls' crank speed, to ten turns a minute, and of how many it is not known; empty where of none."""
    pulled = run.timeline.start_pulls
    known = [round(span.rpm, -1) for span in pulled if span.rpm is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    heard = len(pulled)
    left = f" ({heard - len(known)} of {heard} not told)" if heard > len(known) else ""
    return f", pulled at about {low:z.0f}{f' to {high:z.0f}' if high > low else ''} rpm{left}"


def stopping(run: Run) -> Fact:
    """Time from ignition off to standstill."""
    line = run.timeline
    if line.rundown_s is None and (line.cut_s is not None or line.last_rundown is not None):
        return _event_untold(run, Fact("stopping", "Stopping", "not timed", line.rundown_reason or ""))
    if line.rundown_s is None:
        return _event_untold(
            run, Fact("stopping", "Stopping", "not heard", "no run-down to standstill in the recording")
        )
    end = "it fired last" if line.vain_words else "ignition off"
    return Fact("stopping", "Stopping", f"stood still {seconds(line.rundown_s)} after {end}")


def loads(run: Run) -> Fact | None:
    """The deepest dip of all load steps."""
    steps = run.measures.loads
    if not steps:
        return None
    worst = max(steps, key=lambda step: step.dip_percent)
    value = ("dips by " if worst.dip_percent >= 0 else "rises by ") + percent(abs(worst.dip_percent))
    behind = [f"at {moment(worst.at_s, run.clip.seconds)}"]
    behind += [] if worst.recovery_s is None else [f"steady again after {seconds(worst.recovery_s)}"]
    behind += [] if worst.droop_percent is None else [f"stays {percent(worst.droop_percent)} lower"]
    label = "Load step" if len(steps) == 1 else f"Load, worst of {len(steps)}"
    return Fact("loads", label, value, ", ".join(behind))


def pops(run: Run) -> Fact | None:
    """Loud bangs beside the regular firing."""
    found = run.timeline.pops
    if not found:
        return None
    where = {"running": "while running", "slowing": "while slowing", "after_cut": "after ignition off"}
    told: dict[str, list[str]] = {}
    for pop in found[:3]:
        told.setdefault(where[pop.where], []).append(moment(pop.at_s, run.clip.seconds))
    behind = "; ".join(f"{said} at {joined(at)}" for said, at in told.items())
    return Fact("pops", "Bangs", count(len(found), "loud bang"), behind + (" and more" if len(found) > 3 else ""))
