"""What a recording still shows, in the words of whoever owns the machine: no intervals, no bench terms."""

from __future__ import annotations

from collections.abc import Callable

from enginelog.model import Finding, Run, is_over_rated
from enginelog.report import words
from enginelog.report.facts import rougher_first


def for_owner(run: Run, finding: Finding) -> str:
    """One finding in plain words; the finding's own text where it is plain already."""
    if is_over_rated(run, finding):
        return _too_fast(run, finding)
    if finding.code == "stop" and finding.value is not None and finding.limit is not None:
        return _slow_stop(finding.value, finding.limit, finding.verdict == "fault")
    if finding.code == "blade_speed" and finding.value is not None and finding.limit is not None:
        return _fast_blade(finding.value, finding.limit, run.measures.speed.sure(words.SURE_SPEED))
    say = _PLAIN.get(finding.code)
    return say(run) if say else f"{words.title(finding.code)}: {words.sentence(finding.text)}"


def _too_fast(run: Run, finding: Finding) -> str:
    if not run.measures.speed.sure(words.SURE_SPEED):
        return (
            f"It is perhaps too fast: it seemed to turn at up to {finding.value:z.0f} rpm, and is rated for"
            f" {run.engine.rated_rpm:z.0f}. Have its top speed measured before it is used."
        )
    return (
        f"Do not use it until its top speed has been set by the manual: it turned at up to {finding.value:z.0f} rpm,"
        f" and is rated for {run.engine.rated_rpm:z.0f}."
    )


def _fast_blade(rpm: float, limit_rpm: float, sure: bool) -> str:
    if not sure:
        return (
            f"It is perhaps too fast for its blade, which may turn at {limit_rpm:z.0f} rpm at most: it seemed to turn"
            f" at up to {rpm:z.0f}. Have its top speed measured before it is used."
        )
    return (
        f"Do not use it until its top speed has been set by the manual: its blade may turn at {limit_rpm:z.0f} rpm"
        f" at most, and it turned at up to {rpm:z.0f}."
    )


def _slow_stop(seconds: float, limit_s: float, sure: bool) -> str:
    near = "Have its blade brake seen to before it is used again"
    do = "Do not use it until its blade brake has been seen to" if sure else near
    within = "" if sure else ", which by ear may be in time or not"
    return (
        f"{do}: it took about {seconds:z.1f}{words.GAP}s to stand still after the ignition was cut{within}; "
        f"a mower's blade may take {limit_s:z.1f}{words.GAP}s."
    )


def _misfires(run: Run) -> str:
    share = run.measures.firing.misfire_percent
    if share is None:
        return "Some firings fail; how many could not be counted."
    few = "one or two of 100" if share >= 0.75 else "fewer than one of 100"
    many = f"about {share:z.0f} of 100" if share >= 1.5 else few
    first = ", more of them at first" if rougher_first(run) else ""
    return f"Some firings fail: {many} while it was recorded{first}."


def _cylinders(run: Run) -> str:
    firing = run.measures.firing
    if firing.pattern == "cylinder" and firing.misfires is not None:
        return "One cylinder works less than another."
    return "One cylinder sounds weaker than another: it works less, or is only farther from the microphone."


def _rough(run: Run) -> str:
    found = run.measures.settling
    if not found.found:
        return "It runs rough, and had not become smooth by the end of the recording."
    if found.settle_s is None:
        return "It runs rough after starting, then smoothly."
    return f"It runs rough for about {max(found.settle_s, 1.0):z.0f}{words.GAP}s after starting, then smoothly."


def _hunts(run: Run) -> str:
    swing = run.measures.hunting.swing_percent
    by = "" if swing is None else f", by about {words.percent(swing)}"
    return f"Its speed goes up and down by itself{by}."


def _wanders(run: Run) -> str:
    """How far the speed wanders; "a little" only where that is no fault."""
    found = next((one for one in run.measures.findings if one.code == "steadiness"), None)
    if found is not None and run.measures.speed.band_percent is None:
        return f"Its speed changed slowly, by {words.measured(found)}, while it ran."
    little = "" if found is not None and found.verdict == "fault" else "a little "
    size = words.measured(found) if found is not None else ""
    return f"Its speed wanders {little}where it should stand still{f', within a band {size} wide' if size else ''}."


def said_by_another(run: Run, finding: Finding) -> bool:
    """Whether another finding says it already to the owner, and no more mildly: a speed that goes up and down by itself
    wanders by that."""
    as_bad = ("fault",) if finding.verdict == "fault" else ("fault", "watch")
    hunts = any(one.code == "hunting" and one.verdict in as_bad for one in run.measures.findings)
    return finding.code == "steadiness" and hunts and run.measures.hunting.found is True


def _starts(run: Run) -> str:
    line = run.timeline
    if line.pulls_after:
        return "It stopped, and did not start again when it was pulled."
    again = sum(span.kind == "run" for span in line.spans) > 1
    parts = [f"It took {words.pulls(line)} of the starter until it ran."] if line.pulls else []
    parts += ["It stopped, and was started again."] if again else []
    return " ".join(parts) or "It did not start as it should."


_PLAIN: dict[str, Callable[[Run], str]] = {
    "start": _starts,
    "misfire": _misfires,
    "settling": _rough,
    "hunting": _hunts,
    "steadiness": _wanders,
    "timing": lambda run: "Its firings do not come quite evenly.",
    "cylinder_balance": _cylinders,
}
