"""A recording of the job record on one line, for lists: it says no more and nothing else than its report does.

What was written by its user stands in it as it was written: whoever shows a line makes it safe to be shown.
"""

from __future__ import annotations

from enginelog.model import MOST_HELD, RunFigures, StoredRun, in_turn
from enginelog.model.wording import often, one_line, times
from enginelog.report import words
from enginelog.report.hurting import hurts_in


def run_line(run: StoredRun) -> str:
    """One stored run: stage, recording, main figures."""
    told = f" ({one_line(', '.join(run.conditions))})" if run.conditions else ""
    kept = "" if run.recording_kept else "; no copy kept"
    again = f"; analysed {often(len(run.earlier) + 1)}" if run.earlier else ""
    return f"{run.stage}{told}: {one_line(run.recording_name)}: {figures(run)}{kept}{again}"


def figures(run: StoredRun) -> str:
    """The main figures of a stored run in words; of one that is whole what can hurt is named before what is amiss."""
    found = run.analysis.figures if run.analysis else RunFigures()
    if not found.usable:
        return "recording unusable"
    if not found.heard:
        return f"did not run, {_pulls(found)}" if found.pulls else "no engine heard"
    parts = [_speed(found), _misfires(found)]
    if found.hunting_swing_percent is not None:
        parts.append(f"swings {found.hunting_swing_percent:z.1f} %")
    hurts = ", ".join(dict.fromkeys(each.name for each in hurts_in(run.run)))
    amiss = [*([f"can hurt: {hurts}"] if hurts else []), *_amiss(found)]
    if not amiss and found.misfire_percent is not None and _sure_engine(found):  # nothing is said of what is not known
        amiss = ["nothing amiss heard"]
    return "; ".join([", ".join(parts), *amiss])


def _pulls(found: RunFigures) -> str:
    """The pulls of the starter, no surer than the report says them."""
    if found.pulls_low is None:
        return words.count(found.pulls, "pull")
    most = "or more" if found.pulls_high is None else f"to {found.pulls_high}"
    return f"{found.pulls_low} {most} pulls"


def _speed(found: RunFigures) -> str:
    """The speed with the doubt its report has; records of earlier versions do not know theirs."""
    doubted = found.speed_confidence is not None and found.speed_confidence < words.SURE_SPEED
    speed = "speed not known" if found.rpm is None else f"{found.rpm:z.0f} rpm"
    if found.held_rpm:
        levels = in_turn(found.held_rpm)
        held = [f"{round(rpm, -1):z.0f}" for rpm in levels[:MOST_HELD]]
        more = ", ..." if len(levels) > len(held) else ""
        speed = f"speed changed, held about {', then '.join(held)}{more} rpm"
    if found.rpm is not None and found.or_rpm is not None:
        other = f"{times(found.or_rpm / found.rpm)} as fast" if found.held_rpm else f"{found.or_rpm:z.0f} rpm"
        speed += f" or {other}"
    elif found.rpm is not None and doubted:
        speed = f"perhaps {speed}"
    return speed if _sure_engine(found) else f"perhaps an engine, {speed}"


def _sure_engine(found: RunFigures) -> bool:
    return found.engine_chance is None or found.engine_chance >= words.SURE_ENGINE


def _amiss(found: RunFigures) -> list[str]:
    """What is amiss, by the names the reports use: what is a fault, then what is to be watched."""
    faults = found.faults if found.faults or found.worst != "fault" else found.amiss  # of an earlier version: not split
    named = {"fault": faults, "watch": tuple(code for code in found.amiss if code not in faults)}
    titles = {verdict: dict.fromkeys(words.title(code).lower() for code in codes) for verdict, codes in named.items()}
    return [f"{verdict}: {', '.join(said)}" for verdict, said in titles.items() if said]


def _misfires(found: RunFigures) -> str:
    """The share of misfires with its interval; none heard is not none, and not counted is not none either."""
    if found.misfire_percent is None and found.misfire_low is not None and found.misfire_high is None:
        return f"misfires at least {found.misfire_low:z.1f} %"
    if found.misfire_percent is None:
        return "misfires cannot be told"
    if found.misfire_percent == 0:
        bound = f", up to {found.misfire_high:z.1f} % possible" if found.misfire_high is not None else ""
        return f"no misfires heard{bound}"
    known = found.misfire_low is not None and found.misfire_high is not None
    interval = f" ({found.misfire_low:z.1f} to {found.misfire_high:z.1f})" if known else ""
    return f"misfires {found.misfire_percent:z.1f} %{interval}"
