"""`enginelog jobs`, `job` and `history`: finding and following."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from enginelog import model
from enginelog.cli import console, job_text, told_anew
from enginelog.cli.engine_options import Number
from enginelog.cli.store_options import STATUS_DONE, RowNumber, opened, show_plain, store_options
from enginelog.cli.tables import show_table
from enginelog.model.wording import counted, money

if TYPE_CHECKING:
    from enginelog.store import History, JobLine, Visit

_STATE_NAMES = [state.replace("_", "-") for state in model.JOB_STATES]


@click.command()
@click.argument("text", nargs=-1)
@click.option("--state", "states", multiple=True, type=click.Choice(_STATE_NAMES), help="Only jobs in this state.")
@click.option("--of", "machine", metavar="LABEL", help="Only jobs of this machine.")
@click.option("--stage", type=click.Choice(model.STAGES), help="Only jobs with a recording of this stage.")
@click.option("--waiting", is_flag=True, help="Only jobs not done yet, the one longest in its state first.")
@click.option("--dropped", is_flag=True, help="List the dropped ones instead.")
@click.option(
    "--limit",
    type=Number(1, 1_000_000, "lines", whole=True),
    default=50,
    metavar="N",
    help="At most so many lines; 50 where nothing is said.",
)
@store_options
def jobs(
    text: tuple[str, ...],
    states: tuple[str, ...],
    machine: str | None,
    stage: str | None,
    waiting: bool,
    dropped: bool,
    limit: int,
    place: Path | None,
    as_json: bool,
) -> int:
    """List the jobs, newest first; with TEXT, those in which each of its words is found anywhere."""
    chosen = [state.replace("-", "_") for state in states]
    with opened(place) as store:
        found = store.jobs(" ".join(text), chosen, machine, stage, waiting, limit, 0, dropped)
    if as_json:
        show_plain(found)
        return STATUS_DONE
    head = ("job", "machine", "state", "since", "taken in", "complaint", "runs", "cost")
    show_table(head, [_row(line) for line in found], "No jobs." if not text else "No job fits.")
    if len(found) == limit:
        console.note(f"the first {limit} shown; --limit shows more")
    return STATUS_DONE


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@store_options
def job(number: int, place: Path | None, as_json: bool) -> int:
    """Show one job whole, and what to check next: a suggestion by the rules of 'advise', from checks and recordings."""
    from enginelog import report

    with opened(place) as store:
        whole = store.record(number)
        gone = store.taken_back(number)
    record = replace(whole, runs=tuple(replace(run, run=None) for run in whole.runs))
    advice = report.suggestion(whole)
    if as_json:
        show_plain({"record": record, "suggestion": advice, "next": advice.next, "taken_back": gone})
    else:
        lines = job_text.job_lines(whole, advice, gone) + told_anew.judged_lines(whole)
        console.show("\n".join(lines + job_text.again_lines(whole)))
    return STATUS_DONE


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.option(
    "--copy-to",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Copy them there, under names such as run-1.m4a.",
)
@store_options
def files(number: int, copy_to: Path | None, place: Path | None, as_json: bool) -> int:
    """Show where the recordings, photos and reports of job ID lie, also those of what was taken back."""
    with opened(place) as store:
        found = store.files_of(number)
        made = store.copy_files(number, copy_to) if copy_to else ()
    for each in found:
        if not each.path.is_file():
            console.note(f"{each.of}: {each.path.name} is gone; fetch it from a backup")
    if as_json:
        show_plain({"files": found, "copies": made})
    elif copy_to:
        console.show(f"{console.safe_name(str(copy_to))}: {counted(len(made), 'file')} copied.")
    else:
        show_table(("of", "name", "path"), [(each.of, each.name, each.path) for each in found], "No files.")
        for each in found:
            if each.taken_back:
                console.show(f"{each.of} was taken back: {console.safe_line(each.taken_back)}")
    return STATUS_DONE


@click.command()
@click.argument("label")
@click.option(
    "--plot", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Draw the trend of its runs (PNG)."
)
@store_options
def history(label: str, plot: Path | None, place: Path | None, as_json: bool) -> int:
    """Show every job of the machine called LABEL, oldest first, with the figures of its runs."""
    from enginelog.store import words

    with opened(place) as store:
        found = store.history(label, changes=True)
        former = {visit.job.id: told_anew.history_lines(store, visit, found.machine) for visit in found.visits}
    if plot:
        _draw_trend(found, plot)
    if as_json:
        show_plain(found)
        return STATUS_DONE
    console.show(job_text.shown(found.machine.label))
    console.show("\n".join(job_text.field("Machine", words.machine_facts(found.machine))))
    for visit in found.visits:
        console.show("\n".join(_visit_lines(visit, found) + former[visit.job.id]))
    if plot:
        console.show(f"Written: {console.safe_name(str(plot))}")
    return STATUS_DONE


def _draw_trend(found: History, target: Path) -> None:
    """Write the picture of a machine's runs over the seasons; a usage error where there is nothing to draw yet."""
    from enginelog import plots, report

    figure = plots.machine_trend(found.runs, changes=found.other_engines)
    if figure is None:
        raise model.UsageError(
            "--plot: no figure (speed, misfires, hunting, start, run-down) stands in two recordings of this machine "
            "yet; attach another in which it runs"
        )
    try:
        report.write_all(target.parent, {target.name: plots.to_png(figure)})
    except OSError as error:
        name, why = console.safe_name(str(target)), error.strerror or str(error)
        raise model.EnginelogError(f"{name}: cannot be written: {why}. Choose another place for --plot") from error


def _row(line: JobLine) -> tuple[object, ...]:
    from enginelog.store import words

    job = line.job
    return (
        job.id,
        _short(line.label, 24),
        _short(job_text.shown(words.state(job)), 28),
        job.since.local_date if job.since else "",
        job.opened.local_date,
        _short(job.complaint),
        line.runs,
        money(line.cost_cents, line.currency),
    )


def _short(text: str, most: int = 32) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= most else plain[: most - 3].rstrip() + "..."


def _visit_lines(visit: Visit, history: History) -> list[str]:
    from enginelog.report.run_line import run_line
    from enginelog.store import words

    job = visit.job
    cost = money(visit.cost_cents, history.machine.currency)
    head = f"{job.opened.local_date}, {words.state(job)}, {cost}, {visit.minutes} min"
    lines = job_text.field(f"Job {job.id}", f"{head}: {job_text.shown(job.complaint) or 'no complaint noted'}")
    for run in visit.runs:
        lines += job_text.field("  Engine", history.change_words(run.id))
        lines += job_text.field(f"  Run {run.id}", run_line(run))
    return lines
