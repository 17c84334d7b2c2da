"""What a recording still shows, in the words of whoever owns the machine: no intervals, no bench terms."""

from __future__ import annotations

from collections.abc import Callable

from enginelog.model import Finding, Run, is_over_rated
from enginelog.model.wording import counted, joined
from enginelog.report import words
from enginelog.report.facts import rougher_first


def for_owner(run: Run, finding: Finding) -> str:
    """One finding in plain words; the finding's own text where it is plain already."""
    if is_in_doubt(finding):
        return _perhaps_too_fast(finding)
    if is_over_rated(run, finding):
        return _too_fast(run, finding)
    if finding.code == "stop" and finding.value is not None and finding.limit is not None:
        return _slow_stop(finding.value, finding.limit, finding.verdict == "fault")
    if finding.code == "blade_speed" and finding.value is not None and finding.limit is not None:
        return _fast_blade(finding.value, finding.limit, run.measures.speed.sure(words.SURE_SPEED))
    if finding.code == "speed" and finding.value and finding.limit and finding.limit == run.engine.idle_rpm:
        return _idles(finding.value, finding.limit)
    if finding.code == "generator_frequency" and finding.value is not None and finding.limit is not None:
        return _current(finding.value, finding.limit)
    say = _PLAIN.get(finding.code)
    return say(run) if say else f"{words.title(finding.code, finding.of)}: {words.sentence(finding.text)}"


def is_in_doubt(finding: Finding) -> bool:
    """Whether a highest speed was held against its limit, and whether it keeps that could not be told; not of a moment
    as load was released, which has its times."""
    known = finding.value is not None and finding.limit is not None and finding.start_s is None
    return finding.code in ("speed", "blade_speed") and finding.verdict == "unknown" and known


def _perhaps_too_fast(finding: Finding) -> str:
    of = "its blade" if finding.code == "blade_speed" else "it"
    return (
        f"Whether it is too fast could not be told: it turned at up to about {finding.value:z.0f} rpm, and {of} may"
        f" turn at {finding.limit:z.0f} at most. Have its top speed measured."
    )


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


def _idles(rpm: float, told_rpm: float) -> str:
    how = "fast" if rpm > told_rpm else "slowly"
    return f"It idles too {how}: at about {rpm:z.0f} rpm, where {told_rpm:z.0f} is right."


def _current(hz: float, bound_hz: float) -> str:
    side = "most" if hz > bound_hz else "least"
    fast = "fast" if hz > bound_hz else "slowly"
    return (
        f"It runs too {fast} for the current it makes, by its sound at {hz:z.1f}{words.GAP}Hz, where {bound_hz:z.1f} is"
        f" the {side} allowed: what is plugged in may be damaged. Have it measured before anything is plugged in."
    )


def _under_load(run: Run) -> str:
    """What its speed does as work is asked of it: of the hardest time how far it falls, and how long it takes."""
    steps, surges = run.measures.loads, run.measures.surges
    many = surges is not None and surges.count > run.limits_used.get("findings.surges_many", float("inf"))
    swings = " Its speed then swings several times before it is steady." if many else ""
    if not steps:
        return swings.replace(" then", ", once disturbed,").strip() or "Its speed is slow to settle as work changes."
    hardest = max(steps, key=lambda each: each.dip_percent)
    needs = [each.recovery_s for each in steps if each.recovery_s is not None]
    back = f" and needs about {max(needs):z.0f}{words.GAP}s to recover" if needs and max(needs) >= 1.0 else ""
    stays = max((each.droop_percent or 0.0 for each in steps), default=0.0)
    low = stays > run.limits_used.get("findings.droop_watch_percent", float("inf"))
    slower = f" It stays about {stays:z.0f}{words.GAP}% slower while it works." if low else ""
    falls = f"{hardest.dip_percent:z.0f}{words.GAP}%"
    return f"When work is asked of it, it slows down by about {falls}{back}.{slower}{swings}"


def _picks_up(run: Run) -> str:
    """How it picks up as the throttle is opened: the longest pause, the deepest fall, where they are amiss."""
    opened = [each for each in run.measures.throttle if each.opens]
    pause = max((each.hesitation_s for each in opened), default=0.0)
    bog = max((each.bog_percent for each in opened), default=0.0)
    said = []
    if pause > run.limits_used.get("findings.hesitation_s", 0.0):
        said.append(f"hangs for about {max(pause, 0.1):z.1f}{words.GAP}s before it speeds up")
    if bog > run.limits_used.get("findings.bog_percent", 0.0):
        said.append(f"first slows down by about {bog:z.0f}{words.GAP}%")
    return f"When it is given more throttle, it {joined(said) or 'is slow to follow'}."


def _bangs(run: Run) -> str:
    pops = run.timeline.pops
    if not pops:
        return "Bangs were heard while it was recorded."
    heard = f"{counted(len(pops), 'loud bang')} {'was' if len(pops) == 1 else 'were'} heard"
    if all(each.where == "after_cut" for each in pops):
        return f"{heard} after it was switched off."
    return f"{heard} while it was recorded. A knock beside the machine sounds alike."


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
    "load": _under_load,
    "throttle": _picks_up,
    "pops": _bangs,
}
