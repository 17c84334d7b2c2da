"""What a comparison says, in plain words."""

from __future__ import annotations

from enginelog.compare.estimate import Estimate
from enginelog.compare.measures import ONE_EVENT, Measure
from enginelog.compare.running_on import lengths
from enginelog.limits import LimitSet
from enginelog.model import Difference, Run, Speed, Timeline
from enginelog.model.wording import (
    GAP,
    begun_large,
    begun_small,
    counted,
    figure,
    fixed,
    joined,
    lasted,
    often,
    significant,
)

VERDICTS = {
    "better": "Better",
    "worse": "Worse",
    "same": "Same",
    "changed": "Changed",
    "cannot_tell": "Cannot tell",
    "mixed": "Mixed",
}
NOT_SURE = "Not sure"  # in place of "cannot tell" where both values are known
ASKED = ("misfire", "hunting", "speed")  # what everyone asks for; while one is open, no run is said to be as before
NOT_ALIKE = (*ASKED, "stops")  # nor is one that may have died, or be dying now
MOST_LISTED = 3  # runs that are told one by one
INTERVALS = (
    "Intervals: in 95 of 100 such pairs all of them together hold the true differences. They alone decide: better,"
    " worse or changed where zero lies outside and the difference is large enough to matter, the same where the whole"
    " interval is too small to matter."
)


def number(value: float, unit: str) -> str:
    """A figure without its unit: whole rpm and pulls, else about three digits."""
    if unit in ("rpm", "pulls"):
        return fixed(value, 0)
    return figure(value) if abs(value) < 1 or abs(value) >= 10 else figure(value, 2)


def amount(value: float, unit: str) -> str:
    """A figure with its unit."""
    if unit == "pulls":
        return counted(round(value), "pull").replace(" ", GAP)
    return f"{number(value, unit)}{GAP}{unit}"


def shown(one: Estimate, measure: Measure) -> str:
    """One run's value in words."""
    if one.value is None:
        return "cannot tell"
    return measure.none if measure.none and not one.heard else f"{measure.lead}{amount(one.value, measure.unit)}"


def apart(value: float, unit: str, signed: bool = True) -> str:
    """A difference in words: '+1.2 points'. Between percentages it is in points."""
    sign = "+" if signed and value > 0 else ""
    text = f"{sign}{number(value, unit)}".replace("-", "\u2212")
    name = {"%": "points", "pulls": "pulls"}.get(unit, unit)
    return f"{text}{GAP}{name[:-1] if name in ('points', 'pulls') and text.lstrip('+') == '1' else name}"


def matters(least: float, unit: str) -> str:
    """The smallest difference that matters, in words, to three digits: '1.25 points'."""
    if unit in ("rpm", "pulls"):
        return apart(least, unit, signed=False)
    name = {"%": "points"}.get(unit, unit)
    return f"{significant(least, 3)}{GAP}{'point' if name == 'points' and least == 1 else name}"


def interval(ends: tuple[float, float], unit: str) -> str:
    """The interval of a difference: '+1.2 to +3.4 points (95 % interval, all measures together)'."""
    low = apart(ends[0], unit).split(GAP)[0]
    return f"{low} to {apart(ends[1], unit)} (95{GAP}% interval, all measures together)"


def both(measure: Measure, before: Estimate, after: Estimate) -> str:
    """Both values in a few words."""
    if before.known and after.known and not before.heard and not after.heard:
        return f"{measure.none} before or after"
    return f"{shown(before, measure)} before, {shown(after, measure)} after"


def once_smooth(text: str, so: bool) -> str:
    """A sentence on two values, or both values, with that they are those once the rough start was over: a recording's
    own report counts the start in. text as it is where it is not so."""
    if not so:
        return text
    return f"{'Once' if text[0].isupper() else 'once'} smooth, {begun_small(text)}"


def told(measure: Measure, before: Estimate, after: Estimate, verdict: str, ends: tuple[float, float]) -> str:
    """The sentence for a measure that has a verdict."""
    change = both(measure, before, after)
    if before.known and not before.heard and not after.heard:
        return f"{begun_large(change)}."
    tail = {"same": "; too little to matter", "changed": "; neither way is better by itself"}.get(verdict, "")
    return f"{begun_large(change)}; difference {interval(ends, measure.unit)}{tail}."


def doubtful(measure: Measure, before: Estimate, after: Estimate, ends: tuple[float, float], least: float) -> str:
    """Why two known values give no verdict."""
    change = both(measure, before, after)
    advice = "One event each shows no more." if measure.code in ONE_EVENT else "A longer recording of each narrows it."
    return (
        f"{begun_large(change)}; difference {interval(ends, measure.unit)}, where"
        f" {matters(least, measure.unit)} would matter. {advice}"
    )


def by_load(measure: Measure, before: Estimate, after: Estimate) -> str:
    """Both values where one was taken under load and the other was not."""
    return f"{begun_large(both(measure, before, after))}; but only one of the two ran under load."


def missing(before: Estimate, after: Estimate) -> str:
    """Why a measure is not known in one run or both."""
    if before.value is None and after.value is None:
        same = before.reason == after.reason
        return f"Neither run: {before.reason}." if same else f"Before: {before.reason}; after: {after.reason}."
    which, one = ("Before", before) if before.value is None else ("After", after)
    return f"{which}: {one.reason}."


def pulls(line: Timeline) -> str:
    """`1 pull`, `3 pulls`, `2 to 3 pulls`: no surer than the recording's own report."""
    return amount(line.pulls, "pulls") if line.pulls_sure else f"{line.pulls_words}{GAP}pulls"


def in_vain(line: Timeline) -> str:
    """`pulled 3 times without starting`, of the sure pulls after the last run; empty where there was none."""
    count = line.pulls_after
    more = " or more" if line.vain_words.endswith("more") else ""
    return f"pulled {often(count)}{more} without starting" if count else ""


def ran_s(run: Run) -> float:
    """Seconds for which it ran, in all."""
    return sum(span.end_s - span.start_s for span in run.timeline.spans if span.kind == "run")


def seconds(length: float) -> str:
    """`4.2 s`."""
    return f"{lasted(length)}{GAP}s"


def ran(run: Run) -> str:
    """`ran 16 s`; of one that stopped and ran again each run by itself, since together they would seem to be one:
    `ran twice (4.2 s and 3.9 s)`."""
    runs = lengths(run)
    if len(runs) < 2:
        return f"ran {seconds(ran_s(run))}"
    return f"ran {often(len(runs))} ({each_run(runs)})"


def each_run(runs: list[float]) -> str:
    """`4.2 s and 3.9 s`; of many `8.0 s at most, 1.2 s in the end`."""
    if len(runs) <= MOST_LISTED:
        return joined([seconds(one) for one in runs])
    return f"{seconds(max(runs))} at most, {seconds(runs[-1])} in the end"


def heard(run: Run, limits: LimitSet) -> str:
    """What one recording holds, in a few words."""
    line = run.timeline
    if not run.quality.usable:
        return "recording unusable"
    if not line.engine_heard:
        return f"did not start, {pulls(line)}" if line.pulls else "no engine heard"
    perhaps = "" if sure_engine(run, limits) else "perhaps "
    return perhaps + ran(run) + _at_speed(run.measures.speed, limits)


def _at_speed(speed: Speed, limits: LimitSet) -> str:
    """` at 3000 rpm`, as surely as the recording's own report says it."""
    if speed.changed:
        return ", not at one speed"
    if speed.rpm is None:
        return ""
    if speed.or_rpm is not None:
        return f" at {speed.rpm:z.0f} or {speed.or_rpm:z.0f}{GAP}rpm"
    doubt = "" if speed.confidence >= limits.value("said_speed_confidence") else ", perhaps"
    return f"{doubt} at {speed.rpm:z.0f}{GAP}rpm"


def sure_engine(run: Run, limits: LimitSet) -> bool:
    """Whether what was heard running is said to be an engine without "perhaps"."""
    return run.timeline.confidence >= limits.value("said_engine_confidence")


def worth_saying(measure: Difference) -> bool:
    """True for a doubt that belongs in the answer: two known values, or a measure everyone asks for."""
    return both_known(measure) or measure.code in ASKED


def both_known(measure: Difference) -> bool:
    """Whether both runs have a value of it."""
    return measure.before is not None and measure.after is not None


def overall(measures: tuple[Difference, ...]) -> tuple[str, str, str]:
    """The verdict over all measures, the answer in a sentence or two, and the same in short: without what stayed the
    same, where anything changed, and without what is open."""
    names = {kind: [begun_small(m.label) for m in measures if m.verdict == kind] for kind in VERDICTS}
    better, worse = names["better"], names["worse"]
    parts = []
    if better:
        parts.append(f"Better: {joined(better)}.")
    if worse:
        parts.append(f"Worse: {joined(worse)}.")
    if names["changed"]:
        parts.append(f"Changed: {joined(names['changed'])}.")
    short = list(parts)
    if names["same"]:
        same_words = "The same: " if parts else "No difference that matters in "
        parts.append(f"{same_words}{joined(names['same'])}.")
        short = short or list(parts)
    doubts = [m for m in measures if m.verdict == "cannot_tell" and worth_saying(m)]
    for word, known in ((NOT_SURE, True), (VERDICTS["cannot_tell"], False)):
        open_ = [begun_small(m.label) for m in doubts if both_known(m) == known]
        if open_:
            parts.append(f"{word}: {joined(open_)}.")
    if better or worse:
        verdict = "mixed" if better and worse else "better" if better else "worse"
    else:
        stopped = any(m.verdict == "changed" and m.code == "stops" for m in measures)
        asked = stopped or any(m.verdict == "cannot_tell" and m.code in NOT_ALIKE for m in measures)
        same = "cannot_tell" if asked else "same"
        verdict = "changed" if len(names["changed"]) > stopped else same if names["same"] else "cannot_tell"
    text = " ".join(parts) or "Nothing could be compared."
    return verdict, text, " ".join(short)
