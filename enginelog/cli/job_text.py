"""A job, a machine and what is left to check, as text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from enginelog import model
from enginelog.cli import console
from enginelog.model.wording import one_line

if TYPE_CHECKING:
    from enginelog.limits.bench import Suggestion
    from enginelog.store import TakenBack

_INDENT = " " * 13
MOST_NAMED = 20  # runs that a command is shown with


def shown(text: str) -> str:
    """A text from anywhere on one line."""
    return console.safe_line(one_line(text))


def field(name: str, text: str) -> list[str]:
    """A named value, wrapped to the terminal; nothing where it is empty."""
    if not text:
        return []
    return textwrap.wrap(f"{name:<13}{console.safe_text(text)}", console.width(), subsequent_indent=_INDENT)


def written(name: str, text: str) -> list[str]:
    """As `field`, each line of what was written on a line of its own."""
    lines = [each for each in map(shown, text.splitlines()) if each]
    return [row for number, each in enumerate(lines) for row in field("" if number else name, each)]


def job_lines(record: model.JobRecord, advice: Suggestion, gone: tuple[TakenBack, ...] = ()) -> list[str]:
    """The whole job, what was taken back of it, and what to check next."""
    from enginelog.compare import overtaken_lines
    from enginelog.report.run_line import run_line
    from enginelog.store import words

    job, machine = record.job, record.machine
    lines = [f"Job {job.id}: {shown(machine.label)}, {shown(words.state(job))}, taken in {job.opened.local_date}"]
    lines += field("Machine", words.machine_facts(machine)) + written("Complaint", job.complaint)
    lines += field("Seen", _seen(job.seen))
    for note in job.notes:
        lines += field(f"Note {note.id}", shown(note.text))
    for run in record.runs:
        lines += field(f"Run {run.id}", f"{_dated(run)} {run_line(run)}")
    for line in overtaken_lines(record) if job.state != "handed_back" else ():
        lines += field("Order", line)
    for check in record.checks:
        lines += field(f"Check {check.id}", f"{check.at.local_date} {words.check_line(check)}")
    for entry in record.work:
        lines += field(f"Work {entry.id}", f"{entry.at.local_date} {words.work_line(entry, machine.currency)}")
    lines += field("Spent", words.spent(record)) if record.work else []
    for each in gone:
        lines += field("Taken back", taken_back_line(each, machine.currency))
    lines += _handback(job.handback)
    if job.state in ("open", "waiting"):
        lines += ["", *advice_lines(advice)]
    return lines


def advice_lines(advice: Suggestion) -> list[str]:
    """What can hurt, what is ruled out and left, the next check, how it is made and how it can hurt."""
    lines = [line for first in advice.first for line in field("First", first)]
    lines += [""] if lines else []
    lines += textwrap.wrap(advice.text, console.width())
    if advice.next:
        lines += field("How", advice.next.how) + field("Take care", advice.next.caution)
    return lines


def again_lines(record: model.JobRecord) -> list[str]:
    """Which runs were analysed before the engine was told otherwise, and what analyses them again."""
    from enginelog.model.telling import analysed_otherwise

    unlike = [str(run.id) for run, _ in analysed_otherwise(record)]
    if not unlike:
        return []
    many = len(unlike) > 1
    named = f"run{'s'[:many]} {', '.join(unlike)} {'were' if many else 'was'}"
    text = f"{named} analysed with what was told of the engine before; analyse again with what is told now: "
    return ["", *field("To do", text + again_command(unlike))]


def again_command(runs: Sequence[str]) -> str:
    """The command that analyses these runs again; of very many, the one that finds them by itself."""
    return f"enginelog reanalyse {' '.join(runs) if len(runs) <= MOST_NAMED else '--all --outdated'}"


def taken_back_line(gone: TakenBack, currency: str) -> str:
    """What was taken back, when and why."""
    from enginelog.report.run_line import run_line
    from enginelog.store import words

    entry = gone.entry
    if isinstance(entry, model.StoredRun):
        line = run_line(entry)
    elif isinstance(entry, model.BenchCheck):
        line = words.check_line(entry)
    elif isinstance(entry, model.Note):
        line = entry.text
    else:
        line = words.work_line(entry, currency)
    return f"{gone.kind} {entry.id} on {words.taken_back_when(gone)}. It was: {shown(line)}"


def _dated(run: model.StoredRun) -> str:
    """The date a run is entered for, with that by which it counts where its file says another."""
    from enginelog.compare import made

    when = made(run)
    other = when.by_file and when.at.local_date != run.at.local_date
    return f"{run.at.local_date} (by its file {when.at.local_date})" if other else run.at.local_date


def _seen(seen: model.TakeIn) -> str:
    named = {"oil": seen.oil_level, "fuel": seen.fuel_state, "smell": seen.smell, "damage": seen.damage}
    return "; ".join(f"{name}: {shown(text)}" for name, text in named.items() if text)


def _handback(back: model.Handback | None) -> list[str]:
    if back is None:
        return []
    lines = field("Handed back", back.at.local_date) + written("Owner told", back.told_owner)
    return lines + written("To watch", back.watch) + written("Next service", back.next_service)
