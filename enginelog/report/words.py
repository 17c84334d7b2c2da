"""Numbers, verdicts and codes in plain words, the same on the page and in the summary."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta

from enginelog import limits
from enginelog.model import Engine, Finding, Problem, Run, Speed, Timeline, wording
from enginelog.model.stamps import in_utc
from enginelog.model.wording import GAP, begun_large, begun_small, figure, fixed, lasted
from enginelog.model.wording import counted as count

SURE_95 = f"95{GAP}%"
CANNOT_TELL = "cannot tell"
SURE_SPEED = 0.5  # confidence from which a speed is said without "perhaps"
# Confidence from which an engine is said to have been heard without "perhaps". Of made-up recordings (tuning seeds)
# 1 of 65 ordinary ones and 32 of 138 as noisy as the engine lie below, and 18 of 19 other sounds taken for one.
SURE_ENGINE = 0.7
TAKEN_AT_WORD = "It is taken for one at your word; the sound alone does not show it."
RECORD_AGAIN = (
    "Please record again: at least ten seconds of running, the phone still, about two metres away and out of the wind."
)
CLOCKS_APART = timedelta(minutes=10)  # of a phone and a computer that both are set
VERDICTS = {"fault": "Fault", "watch": "Watch", "unknown": "Cannot tell", "ok": "Good"}
NOT_JUDGED = "Not judged"  # in place of "cannot tell" where a figure is told, but no verdict on it
SIGNS = {"fault": "\u2715", "watch": "!", "unknown": "?", "ok": "\u2713"}
WORST_FIRST = ("fault", "watch", "unknown", "ok")
KINDS = {
    "quiet": "no engine heard",
    "pull": "pull of the starter",
    "run": "running",
    "rundown": "run-down, ignition off",
}
# Units of the record that count something: one of it and several, as a report calls them.
COUNTS = {"pops": ("bang", "bangs"), "pulls": ("pull", "pulls")}
PATTERNS = {
    "none": "",
    "random": "spread at random",
    "burst": "in bursts",
    "cylinder": "nearly all on one cylinder",
    "every_second": "every second firing",
}

# Titles by the first letters of a finding's code; the group puts a measure and its findings together.
TITLES = (
    ("misfire", "misfire", "Misfires"),
    ("hunting", "hunting", "Hunting"),
    ("surg", "hunting", "Surges"),
    ("stead", "steadiness", "Steadiness"),
    ("settl", "settling", "Rough start"),
    ("start", "starting", "Starting"),
    ("pull", "starting", "Starting"),
    ("blade_stop", "stopping", "Blade stop"),
    ("stop", "stopping", "Stopping"),
    ("rundown", "stopping", "Run-down"),
    ("load", "loads", "Taking load"),
    ("droop", "loads", "Droop"),
    ("throttle", "throttle", "Throttle"),
    ("pop", "pops", "Bangs"),
    ("backfire", "pops", "Backfire"),
    ("afterfire", "pops", "Afterfire"),
    ("blade_speed", "blade_speed", "Blade tip speed"),
    ("speed", "speed", "Speed"),
    ("idle", "speed", "Idle speed"),
    ("firing", "evenness", "Evenness of firing"),
    ("timing", "evenness", "Evenness of timing"),
    ("cylinder", "misfire", "Cylinders"),
)

LATER = ("passing", "worsens")  # courses of settling that are no rough start


@dataclass(frozen=True)
class Headline:
    """The answer first: the worst verdict, a title of one line, a sentence or two. measured: as of `verdict_word`."""

    verdict: str
    title: str
    text: str
    measured: bool = False

    @property
    def word(self) -> str:
        return verdict_word(self.verdict, self.measured)


def clean(text: str) -> str:
    """`text` without control, direction and other unprintable characters (each becomes an escape in plain letters)."""
    return "".join(
        " " if c in "\n\r\t" else c if unicodedata.category(c)[0] != "C" else c.encode("unicode_escape").decode()
        for c in text
    )


def glued(text: str) -> str:
    """`text` with a no-break space between each number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:%|rpm|Hz|dB|mm|min|s)(?!\w))", GAP, text)


def sentence(text: str) -> str:
    """`text` cleaned, with a capital at the start and a full stop at the end, so that texts can stand in a row."""
    plain = begun_large(clean(text).strip())
    return plain if not plain or plain[-1] in ".!?" else plain + "."


def lines_of(text: str) -> tuple[str, ...]:
    """The lines of what somebody wrote, each a matter of its own; empty ones left out."""
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def amount(value: float | None, unit: str | None) -> str:
    """A number with its unit; empty where there is none. One of what is counted stands in the singular."""
    if value is None:
        return ""
    one, more = COUNTS.get(unit or "", (unit or "", unit or ""))
    return f"{figure(value)}{GAP}{one if value == 1 else more}".strip()


def measured(finding: Finding) -> str:
    """A finding's value with its unit, to the digits to which its text says it, so that one does not seem more exact
    than the other; where the text does not say it, as any number. Empty where there is no value."""
    if finding.value is None:
        return ""
    unit, said = finding.unit or "", finding.text.replace(GAP, " ")
    for digits in (fixed(finding.value, decimals) for decimals in (4, 3, 2, 1, 0)):
        if unit and re.search(rf"(?<![\d.]){re.escape(f'{digits} {unit}')}(?!\w)", said):
            return f"{digits}{GAP}{unit}"
    return amount(finding.value, finding.unit)


def percent(value: float) -> str:
    """A share with its sign, to the digits that matter."""
    return f"{wording.percent(value)}{GAP}%"


def interval(low: float, high: float) -> str:
    """Two percentages to the same number of decimals, with their sign."""
    return f"{wording.shares(low, high)}{GAP}%"


def rpm(value: float) -> str:
    """A speed in whole revolutions per minute with its unit."""
    return f"{fixed(value, 0)}{GAP}rpm"


def seconds(value: float) -> str:
    """A length of time: 0.8 s, 34 s, 2 min 5 s, 1 h 59 min."""
    if value < 59.95:
        return f"{lasted(value)}{GAP}s"
    whole = int(round(value))
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def moment(value: float, longest_s: float) -> str:
    """A moment of the recording: 12.3 s up to two minutes, 0:14:05 or 14:05 beyond."""
    if longest_s <= 120:
        return f"{fixed(value, 1)}{GAP}s"
    minutes, rest = divmod(int(round(value)), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}" if longest_s >= 3600 else f"{minutes}:{rest:02d}"


def date(stamp: str) -> str:
    """An ISO 8601 time as date, time of day and zone; whatever else it is as it stands."""
    try:
        at = datetime.fromisoformat(stamp)
    except ValueError:
        return clean(stamp)
    zone = (
        ""
        if at.tzinfo is None
        else " UTC"
        if not at.utcoffset()
        else f" UTC{at.strftime('%z')[:3]}:{at.strftime('%z')[3:5]}"
    )
    return f"{at:%Y-%m-%d %H:%M}{zone}"


def recorded(run: Run) -> str | None:
    """When its file says that a run was recorded, None where it does not; with a remark where that is after it was
    analysed, which no two clocks that are right can say."""
    stamp = run.clip.recorded_at
    if not stamp:
        return None
    made, analysed = in_utc(stamp), in_utc(run.analysed_at)
    ahead = made is not None and analysed is not None and made - analysed > CLOCKS_APART
    return f"{date(stamp)} (after it was analysed: a clock was wrong)" if ahead else date(stamp)


def title(code: str, of: str = "") -> str:
    """A finding's code as a title. of: `Finding.of`, by which a rough start is told from roughness that came later."""
    if of in LATER:
        return "Roughness over time"
    plain = clean(code).replace("_", " ").strip()
    return next((name for start, _, name in TITLES if code.startswith(start)), begun_large(plain))


def listed(titles: list[str]) -> str:
    """Titles in a row, only the first with its capital."""
    return ", ".join([titles[0], *map(begun_small, titles[1:])])


def verdict_word(verdict: str, measured: bool = False) -> str:
    """A verdict in a word or two. measured: a figure stands beside it, so that "cannot tell" would deny it."""
    return NOT_JUDGED if verdict == "unknown" and measured else VERDICTS[verdict]


def group(code: str) -> str:
    """Which measure a finding belongs to (its own code where none)."""
    return next((name for start, name, _ in TITLES if code.startswith(start)), code)


def ranked(findings: tuple[Finding, ...]) -> list[Finding]:
    """Findings, the worst verdict first, otherwise in their order."""
    return sorted(findings, key=lambda finding: WORST_FIRST.index(finding.verdict))


def engine_words(engine: Engine) -> str:
    """The engine as it was taken: 'four-stroke, 2 cylinders (270/450 degrees apart), mower'."""
    parts = ["two-stroke" if engine.strokes == 2 else "four-stroke", count(engine.cylinders, "cylinder")]
    if engine.cylinders > 1:
        angles = sorted(angle % engine.cycle_deg for angle in engine.firing_angles_deg)
        gaps = [b - a for a, b in zip(angles, [*angles[1:], angles[0] + engine.cycle_deg], strict=True)]
        parts[1] += f" firing {'/'.join(f'{gap:z.0f}' for gap in gaps)} degrees apart"
    return ", ".join(parts + ([clean(engine.machine)] if engine.machine else []))


def assumed_words(engine: Engine) -> str | None:
    """What was taken as usual because nobody said it; None where all was told."""
    firing = "even firing" if engine.even_firing else "uneven firing"
    firing += ", which fits the sound best" if engine.firing_open else ""
    names = {
        "strokes": f"{engine.strokes} strokes",
        "cylinders": count(engine.cylinders, "cylinder"),
        "firing_angles_deg": firing if engine.cylinders > 1 else "",
    }
    taken = [words for name, words in names.items() if name in engine.assumed and words]
    return " and ".join(taken) if taken else None


def pulls(line: Timeline) -> str:
    """`1 pull`, `3 pulls`, `2 to 3 pulls`."""
    return count(line.pulls, "pull") if line.pulls_sure else f"{line.pulls_words} pulls"


def sure_engine(run: Run) -> bool:
    """Whether what was heard is said to be an engine without "perhaps"."""
    return run.timeline.confidence >= SURE_ENGINE


def ran_words(run: Run) -> str:
    """What was heard in one sentence: pulls, running and speed, stopping."""
    runs = [span for span in run.timeline.spans if span.kind == "run"]
    length = sum(span.end_s - span.start_s for span in runs)
    text = f"{'The engine' if sure_engine(run) else 'What may be an engine'} ran for {seconds(length)}"
    if len(runs) > 1:
        text += f" in {len(runs)} runs"
    started = f", after {pulls(run.timeline)} of the starter" if run.timeline.pulls_bounded else ""
    vain = run.timeline.vain_words
    end = f". Then it stopped; {vain}, and it did not start again." if vain else "."
    if run.measures.speed.changed:
        return f"{text}{started}{_at_speed(run.measures.speed)}{end}"
    return f"{text}{_at_speed(run.measures.speed)}{started}{end}"


def one_speed(speed: Speed) -> str:
    """The one speed of a run as surely as the headline says it: `3000 rpm`, `perhaps about 3000 rpm`; empty where it is
    not known. Another speed that sounds nearly the same is for the caller to say."""
    if speed.rpm is None:
        return ""
    sure = speed.or_rpm is not None or speed.sure(SURE_SPEED)
    return f"{'' if sure else 'perhaps '}{_about(speed)}{rpm(speed.rpm)}"


def is_one_speed(speed: Speed) -> bool:
    """Whether the interval is so narrow that the run was at one speed, and that enough of it was read."""
    if speed.rpm is None or speed.rpm_low is None or speed.rpm_high is None:
        return True
    within = limits.load("speed").value("one_speed_within")
    return speed.rpm_high - speed.rpm_low <= 2 * within * speed.rpm


def _about(speed: Speed) -> str:
    return "" if is_one_speed(speed) else "about "


def other_speed(speed: Speed) -> str:
    """The speed that sounds nearly the same, as exactly as the one read: `6000 rpm`; empty where there is none."""
    return "" if speed.or_rpm is None else f"{_about(speed)}{rpm(speed.or_rpm)}"


def said_above(run: Run) -> str | None:
    """The reason for which nothing could be judged, as it stands in the headline already; None where it was judged."""
    if not run.quality.usable:
        return run.quality.problems[0].text.rstrip(".") if run.quality.problems else None
    return None if run.timeline.engine_heard else (run.timeline.reason or "").rstrip(".") or None


def problem_words(run: Run, problem: Problem) -> tuple[str, str]:
    """What is wrong with a recording, empty where the headline says it already, and how to record better."""
    first = not run.quality.usable and problem == run.quality.problems[0]
    return "" if first else sentence(problem.text), sentence(problem.advice)


def held(speed: Speed) -> str:
    """The speeds a run held, with the doubt where there is some."""
    said = speed.held_words.replace(" rpm", f"{GAP}rpm")
    said = said if speed.sure(SURE_SPEED) else f"perhaps {said}"
    if speed.or_rpm is not None and speed.rpm is not None:
        said += f", or {speed.or_times} as fast, which sounds nearly the same"
    return said


def _at_speed(speed: Speed) -> str:
    """` at 3000 rpm`, with the doubt where there is some."""
    if speed.rpm is None:
        return ""
    if speed.changed:
        return f"; the speed changed: {held(speed)}"
    if speed.or_rpm is not None:
        return f" at {_about(speed)}{rpm(speed.rpm)}, or at {other_speed(speed)}, which sounds nearly the same"
    at = f"at {_about(speed)}{rpm(speed.rpm)}"
    return f" {at}" if speed.confidence >= SURE_SPEED else f", perhaps {at}"
