"""What may still be said where an engine that turns faster, or has a silent cylinder, sounds nearly the same."""

from __future__ import annotations

from dataclasses import replace
from math import log10

from enginelog.findings import halved, misfire, words
from enginelog.findings.gather import Evidence
from enginelog.limits import LimitSet
from enginelog.model import Engine, Finding, Speed, ThrottleMove, Timeline

OF_CYLINDERS = ("misfire", "cylinder_balance")
OF_SPEED = ("speed", "blade_speed", "generator_frequency")
HANG_ON_SPEED = (*OF_SPEED, *OF_CYLINDERS, "throttle")
LOOKED_FOR = ("hunting", "settling", "pops")  # good only where they are not there
READ_FROM_IT = (*OF_SPEED, "steadiness")
UNLIKE = "with a cylinder that is dead or unlike the others"
EACH_CYLINDER = ("check spark and compression of each cylinder",)
NEARER = ("record again, nearer to the exhaust side",)
BY_WORD = "nothing wrong was heard, but the sound does not show an engine: it is taken for one at your word"
UNREAD = "the speed could not be read from the sound"
UNSTEADY = "nowhere was the speed steady enough for a swing to show"
PERHAPS = "Not sure: other sounds can be like this one."
PERHAPS_NONE = "what was heard is perhaps no engine"
PERHAPS_MISREAD = "the speed is perhaps not read rightly"
MISREAD = "Not sure: the speed is perhaps not read rightly."
NO_PULL = "no pull of the starter stands out"
NEXT = ("tell its rated speed, or measure with a tachometer",)
NEXT_OF_RATED = ("record again where it is quieter, or measure with a tachometer",)
NEXT_OF_HALF = (
    "if it was left to idle, tell its idle speed; if its throttle was open, it loses every second firing",
    "record it again with the throttle open, or measure with a tachometer",
)
NEXT_OF_HALF_SET = (NEXT_OF_HALF[0], "measure the alternator's frequency with a meter: that of the true speed shows")
NEXT_OF_TWINS = ("tell its firing angles and its rated speed, or measure with a tachometer",)


def none_good_in_doubt(findings: list[Finding], engine: Engine, speed: Speed) -> list[Finding]:
    """Nothing that hangs on the speed is called good while another speed sounds nearly the same: at that one every
    second firing, or all of a cylinder, would be lost."""
    if speed.or_rpm is None:
        return findings
    other, how = other_reading(engine, speed)
    doubt = f"Not sure: {other}, {how}, sounds nearly the same."
    if halved.loses_every_second(engine, speed):
        doubt = f"Not sure: it idled, or it ran {'' if speed.changed else 'at '}{other} and lost every second firing."
    told = [_not_sure(one, doubt, next_of(engine)) if _hangs(one) else one for one in findings]
    return [_of_rated(one, speed, next_of(engine)) if engine.rated_rpm else one for one in told]


def _of_rated(finding: Finding, speed: Speed, again: tuple[str, ...]) -> Finding:
    """No band good that is told in per cent of the rated speed: at a faster speed it is as many times as wide."""
    assert speed.rpm is not None and speed.or_rpm is not None
    if finding.code != "steadiness" or finding.verdict != "ok" or speed.or_rpm <= speed.rpm:
        return finding
    return _not_sure(
        finding, f"Not sure: had it turned {speed.or_times} as fast, it would be {speed.or_times} as wide.", again
    )


def other_reading(engine: Engine, speed: Speed) -> tuple[str, str]:
    """The speed that sounds nearly the same, `5600 rpm` or (of a run at no one speed) `twice as fast`, and firing how.

    For a speed with `or_rpm`."""
    assert speed.rpm is not None and speed.or_rpm is not None
    how = "firing on every second turn only" if engine.cylinders == 1 else UNLIKE
    if halved.loses_every_second(engine, speed):
        how = "with every second firing lost"
    if engine.firing_open:
        how = "firing evenly" if speed.or_rpm < speed.rpm else f"firing unevenly, or {UNLIKE}"
    return f"{speed.or_times} as fast" if speed.changed else f"{speed.or_rpm:z.0f} rpm", how


def next_of(engine: Engine) -> tuple[str, ...]:
    """What settles which of two speeds it is."""
    if halved.is_single(engine):
        return NEXT_OF_HALF_SET if engine.alternator_poles else NEXT_OF_HALF
    return NEXT_OF_TWINS if engine.firing_open else NEXT


def none_good_if_just_twice(
    findings: list[Finding], just_twice: str | None, told: tuple[ThrottleMove, ...]
) -> list[Finding]:
    """No throttle is said to have been moved where the speed went to just twice or half, unheard. just_twice: why that
    is doubtful (see `doubling`), None where nothing is; told: the other movements."""
    if just_twice is None or told:
        return findings
    return [words.unknown(one.code, just_twice, NEXT) if one.code == "throttle" else one for one in findings]


def no_more_than_watched_if_misread(
    findings: list[Finding], engine: Engine, speed: Speed, limits: LimitSet, just_twice: str | None = None
) -> list[Finding]:
    """Of a speed that is told with "perhaps" nothing is called good, and nothing a fault: what is too fast is worth a
    look and a second reading. just_twice: as above."""
    if speed.rpm is None or speed.or_rpm is not None or speed.sure(limits.value("said_speed_confidence")):
        return findings
    again = NEXT if engine.rated_rpm is None else NEXT_OF_RATED
    why = MISREAD if just_twice is None else f"Not sure: {just_twice}."
    return [
        _misread(one, why, again) if one.code in READ_FROM_IT and one.value is not None else one for one in findings
    ]


def none_lost_told_if_misread(evidence: Evidence, speed: Speed, limits: LimitSet) -> Evidence:
    """No firing is told to be lost where the speed is not told surely: they were laid by it, and at a wrong speed some
    are missed where none is due. Where a faster speed sounds nearly the same, what was lost at the one read was lost
    at both."""
    at_both = speed.rpm is not None and speed.or_rpm is not None and speed.or_rpm > speed.rpm
    if at_both or (speed.rpm is not None and speed.sure(limits.value("said_speed_confidence"))):
        return evidence
    why = UNREAD if speed.rpm is None else PERHAPS_MISREAD
    return replace(evidence, misfire=misfire.without_lost(evidence.misfire, f"some seem to be lost, but {why}"))


def no_swing_denied_where_none_would_show(
    findings: list[Finding], speed: Speed, limits: LimitSet, just_twice: str | None = None
) -> list[Finding]:
    """No hunting is denied of a speed that is hardly known, or that nowhere was steady enough to have a band: a swing
    may be hidden in its course. Half and double the speed swing alike, in per cent of it: where nothing but that is
    open, what was searched stands. Of a speed that could not be read none is told either."""
    why = _why_no_swing_shows(findings, speed, limits, just_twice)
    if why is None:
        return findings
    denied = [one.code == "hunting" and (one.verdict == "ok" or speed.rpm is None) for one in findings]
    return [
        words.unknown("hunting", why, words.UNTOUCHED) if no else one for no, one in zip(denied, findings, strict=True)
    ]


def _why_no_swing_shows(findings: list[Finding], speed: Speed, limits: LimitSet, just_twice: str | None) -> str | None:
    """Why a swing of the speed would not show itself; None where it would."""
    if speed.rpm is None:
        return UNREAD
    if any(one.code == "steadiness" and one.value is None for one in findings):
        return UNSTEADY
    if speed.or_rpm is None and just_twice is None and not speed.sure(limits.value("said_speed_confidence")):
        return PERHAPS_MISREAD
    return None


def _misread(finding: Finding, why: str, again: tuple[str, ...]) -> Finding:
    if finding.verdict in ("fault", "watch"):
        return replace(finding, verdict="watch", text=f"{finding.text} {why}", next=(*again, *finding.next))
    return _not_sure(finding, why, again)


def _hangs(finding: Finding) -> bool:
    """Whether the doubt is said beside it: of the speed itself also where it is held against nothing."""
    told = ("ok", "unknown") if finding.code == "speed" else ("ok",)
    return finding.code in HANG_ON_SPEED and finding.verdict in told


def none_good_if_one_is_silent(
    findings: list[Finding], engine: Engine, cancelled_db: float | None, limits: LimitSet, too_loud: bool = False
) -> list[Finding]:
    """No cylinder is called good where the lines that equal cylinders cancel are there all the same (see `dsp.lines`).

    A cylinder that is silent throughout shows no firing weaker than its usual, and echoes of the others may stand where
    its own ought to be. cancelled_db: None where it could not be told. too_loud: as of `Evidence`.

    Of evenly firing ones the neighbours are the lines of the firings. Without one of c pulses a cancelled line has the
    strength of the missing one, 1, and a firing line that of the others, c - 1 (Fourier series).
    """
    limit_db = limits.value("cancelled_even_db" if engine.even_firing else "cancelled_uneven_db")
    if engine.even_firing and engine.cylinders > 2:
        limit_db -= 20 * log10(engine.cylinders - 1)
    if cancelled_db is None or cancelled_db < limit_db:
        return findings
    doubt = "Not sure: with one cylinder silent it would sound nearly the same."
    advice = EACH_CYLINDER if too_loud else (*EACH_CYLINDER, *NEARER)
    return [
        _not_sure(one, doubt, advice) if one.code in OF_CYLINDERS and one.verdict == "ok" else one for one in findings
    ]


def none_good_by_word(findings: list[Finding], timeline: Timeline) -> list[Finding]:
    """Nothing is called good of an engine that is told of only because somebody said that it ran: what was judged may
    be another sound."""
    if not timeline.by_word:
        return findings
    return [words.unknown(one.code, BY_WORD) if one.verdict == "ok" else one for one in findings]


def none_good_if_perhaps(findings: list[Finding], timeline: Timeline, limits: LimitSet) -> list[Finding]:
    """Nothing is called good of what was only perhaps an engine: the headline says that it cannot be judged."""
    if timeline.by_word or timeline.confidence >= limits.value("said_engine_confidence"):
        return findings
    return [_perhaps(one) if one.verdict == "ok" else one for one in findings]


def _perhaps(finding: Finding) -> Finding:
    """The finding no longer as good; of what was looked for and not found the doubt alone."""
    if finding.code == "start" and not finding.value:
        return words.unknown("start", NO_PULL)
    if finding.code in LOOKED_FOR:
        return words.unknown(finding.code, PERHAPS_NONE)
    return _not_sure(finding, PERHAPS, finding.next)


def _not_sure(finding: Finding, doubt: str, next_checks: tuple[str, ...]) -> Finding:
    """The finding with the doubt said behind it, no longer a verdict."""
    return replace(finding, verdict="unknown", text=f"{finding.text} {doubt}", next=next_checks)
