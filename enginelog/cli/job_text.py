"""A job, a machine and what is left to check, as text for the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from enginelog import model
from enginelog.cli import console

if TYPE_CHECKING:
    from enginelog.limits.bench import Suggestion

_RESULTS = {"pass": "passed", "fail": "failed", "not_checked": "not checked"}
_STATES = {"open": "open", "waiting": "waiting", "done": "done", "handed_back": "handed back"}
_INDENT = " " * 13


def shown(text: str) -> str:
    """A text from anywhere on one line."""
    return console.safe_line(" ".join(text.split()))


def field(name: str, text: str) -> list[str]:
    """A named value, wrapped to the terminal; nothing where it is empty."""
    if not text:
        return []
    return textwrap.wrap(f"{name:<13}{text}", console.width(), subsequent_indent=_INDENT)


def written(name: str, text: str) -> list[str]:
    """As `field`, each line of what was written on a line of its own."""
    lines = [each for each in map(shown, text.splitlines()) if each]
    return [row for number, each in enumerate(lines) for row in field("" if number else name, each)]


def state(job: model.Job) -> str:
    """The state of a job in words."""
    waiting = f" for {shown(job.waiting_for)}" if job.state == "waiting" and job.waiting_for else ""
    dropped = ", dropped" if job.dropped else ""
    return f"{_STATES[job.state]}{waiting}{dropped}"


def machine_facts(machine: model.Machine) -> str:
    """The layout of a machine on one line."""
    parts = [
        machine.kind or "kind not told",
        f"{'two' if machine.strokes == 2 else 'four'}-stroke{_assumed(machine, 'strokes')}",
        f"{machine.cylinders} cylinder{'s'[: machine.cylinders > 1]}{_assumed(machine, 'cylinders')}",
    ]
    parts += [f"rated {machine.rated_rpm:g} rpm"] if machine.rated_rpm else []
    parts += [f"idle {machine.idle_rpm:g} rpm"] if machine.idle_rpm else []
    parts += [f"blade {machine.blade_length_mm:g} mm"] if machine.blade_length_mm else []
    parts += [f"{machine.alternator_poles} poles"] if machine.alternator_poles else []
    parts += [f"serial {shown(machine.serial)}"] if machine.serial else []
    return ", ".join(parts)


def _assumed(machine: model.Machine, name: str) -> str:
    return " (assumed)" if name in machine.assumed else ""


def job_lines(record: model.JobRecord, advice: Suggestion) -> list[str]:
    """The whole job, and what to check next."""
    job, machine = record.job, record.machine
    lines = [f"Job {job.id}: {shown(machine.label)}, {state(job)}, taken in {job.opened.local_date}"]
    lines += field("Machine", machine_facts(machine)) + written("Complaint", job.complaint)
    lines += field("Seen", _seen(job.seen)) + written("Note", job.note)
    for run in record.runs:
        lines += field(f"Run {run.id}", f"{run.at.local_date} {run_line(run)}")
    for check in record.checks:
        lines += field(f"Check {check.id}", f"{check.at.local_date} {check_line(check)}")
    for entry in record.work:
        lines += field(f"Work {entry.id}", f"{entry.at.local_date} {work_line(entry, machine.currency)}")
    lines += field("Spent", spent(record)) if record.work else []
    lines += _handback(job.handback)
    if job.state in ("open", "waiting"):
        lines += ["", *advice_lines(advice)]
    return lines


def advice_lines(advice: Suggestion) -> list[str]:
    """What is ruled out and left, the next check, how it is made and how it can hurt."""
    lines = textwrap.wrap(advice.text, console.width())
    if advice.next:
        lines += field("How", advice.next.how) + field("Take care", advice.next.caution)
    return lines


def run_line(run: model.StoredRun) -> str:
    """One stored run: stage, recording, main figures."""
    told = f" ({shown(', '.join(run.conditions))})" if run.conditions else ""
    kept = "" if run.recording_kept else "; no copy kept"
    again = f"; analysed {len(run.earlier) + 1} times" if run.earlier else ""
    return f"{run.stage}{told}: {shown(run.recording_name)}: {figures(run)}{kept}{again}"


def figures(run: model.StoredRun) -> str:
    """The main figures of a stored run in words."""
    found = run.analysis.figures if run.analysis else model.RunFigures()
    if not found.usable:
        return "recording unusable"
    if not found.heard:
        return f"did not run, {found.pulls} pulls" if found.pulls else "no engine heard"
    parts = [_speed(found), _misfires(found)]
    if found.hunting_swing_percent is not None:
        parts.append(f"swings {found.hunting_swing_percent:.1f} %")
    amiss = _amiss(found)
    if not amiss and found.misfire_percent is not None and _sure_engine(found):  # nothing is said of what is not known
        amiss = ["nothing amiss heard"]
    return "; ".join([", ".join(parts), *amiss])


def _speed(found: model.RunFigures) -> str:
    """The speed with the doubt its report has; records of earlier versions do not know theirs."""
    from enginelog.report import words

    doubted = found.speed_confidence is not None and found.speed_confidence < words.SURE_SPEED
    speed = "speed not known" if found.rpm is None else f"{found.rpm:.0f} rpm"
    if found.held_rpm:
        held = [f"{round(rpm, -1):.0f}" for rpm in found.held_rpm[: model.MOST_HELD]]
        more = ", ..." if len(found.held_rpm) > len(held) else ""
        speed = f"speed changed, held about {', then '.join(held)}{more} rpm"
    if found.rpm is not None and found.or_rpm is not None:
        speed += f" or {found.or_rpm:.0f} rpm"
    elif found.rpm is not None and doubted:
        speed = f"perhaps {speed}"
    return speed if _sure_engine(found) else f"perhaps an engine, {speed}"


def _sure_engine(found: model.RunFigures) -> bool:
    from enginelog.report import words

    return found.engine_chance is None or found.engine_chance >= words.SURE_ENGINE


def _amiss(found: model.RunFigures) -> list[str]:
    """What is amiss, by the names the reports use: what is a fault, then what is to be watched."""
    from enginelog.report import words

    faults = found.faults if found.faults or found.worst != "fault" else found.amiss  # of an earlier version: not split
    named = {"fault": faults, "watch": tuple(code for code in found.amiss if code not in faults)}
    titles = {verdict: dict.fromkeys(words.title(code).lower() for code in codes) for verdict, codes in named.items()}
    return [f"{verdict}: {', '.join(said)}" for verdict, said in titles.items() if said]


def _misfires(found: model.RunFigures) -> str:
    """The share of misfires with its interval; none heard is not none, and not counted is not none either."""
    if found.misfire_percent is None and found.misfire_low is not None and found.misfire_high is None:
        return f"misfires at least {found.misfire_low:.1f} %"
    if found.misfire_percent is None:
        return "misfires cannot be told"
    if found.misfire_percent == 0:
        bound = f", up to {found.misfire_high:.1f} % possible" if found.misfire_high is not None else ""
        return f"no misfires heard{bound}"
    known = found.misfire_low is not None and found.misfire_high is not None
    interval = f" ({found.misfire_low:.1f} to {found.misfire_high:.1f})" if known else ""
    return f"misfires {found.misfire_percent:.1f} %{interval}"


def check_line(check: model.BenchCheck) -> str:
    """One bench check: step, result, reading, note."""
    reading = "" if check.reading is None else f", {check.reading:g} {shown(check.unit)}".rstrip()
    photo = f" (photo {shown(check.photo_name)})" if check.photo_sha256 else ""
    note = f": {shown(check.note)}" if check.note else ""
    return f"{check.step.replace('_', ' ')} {_RESULTS[check.result]}{reading}{note}{photo}"


def work_line(entry: model.WorkEntry, currency: str) -> str:
    """One entry of work: what, how much of it, cost, minutes."""
    from enginelog.store import numbers

    count = f"{entry.quantity:g} x " if entry.quantity != 1 else ""
    text = f"{entry.kind} {count}{shown(entry.text)}".strip()
    cost = f", {numbers.shown_money(entry.cost_cents, currency)}" if entry.cost_cents else ""
    return f"{text}{cost}" + (f", {entry.minutes} min" if entry.minutes else "")


def spent(record: model.JobRecord) -> str:
    """Cost and time so far, against the machine's limit."""
    from enginelog.store import numbers

    currency, left = record.machine.currency, record.left_cents
    text = f"{numbers.shown_money(record.cost_cents, currency)}, {record.minutes} min"
    if left is None:
        return text
    limit = numbers.shown_money(record.machine.cost_limit_cents or 0, currency)
    if left < 0:
        return f"{text}; {numbers.shown_money(-left, currency)} past the limit of {limit}: ask the owner first"
    return f"{text}; {numbers.shown_money(left, currency)} left of the limit of {limit}"


def _seen(seen: model.TakeIn) -> str:
    named = {"oil": seen.oil_level, "fuel": seen.fuel_state, "smell": seen.smell, "damage": seen.damage}
    return "; ".join(f"{name}: {shown(text)}" for name, text in named.items() if text)


def _handback(back: model.Handback | None) -> list[str]:
    if back is None:
        return []
    lines = field("Handed back", back.at.local_date) + written("Owner told", back.told_owner)
    return lines + written("To watch", back.watch) + written("Next service", back.next_service)
