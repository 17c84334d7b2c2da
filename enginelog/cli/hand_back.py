"""`enginelog hand-back`: what goes back with the machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from enginelog import model
from enginelog.cli import clips, console, job_text
from enginelog.cli.store_options import STATUS_DONE, RowNumber, at_option, opened, show_plain, store_options

if TYPE_CHECKING:
    from enginelog.store import History

DEFAULT_OUT = Path("enginelog-reports")
STATUS_NOT_WRITTEN = 1


@click.command("hand-back")
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.option("--for", "audience", type=click.Choice(["owner", "bench"]), help="One version only; both are made else.")
@click.option(
    "--out",
    type=clips.NewPlace(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where the files go. Without it: a folder for the job in ./enginelog-reports.",
)
@click.option("--text", "only_text", is_flag=True, help="Print only the short message for the owner; no files.")
@click.option("--told", default="", metavar="TEXT", help="What the owner is told.")
@click.option("--watch", default="", metavar="TEXT", help="What the owner should watch.")
@click.option("--next-service", default="", metavar="TEXT", help="When the next service is due.")
@click.option("--draft", is_flag=True, help="Make the files only, marked as a draft; the job stays as it is.")
@click.option("--yes", is_flag=True, help="Hand it back even where something would be asked first.")
@at_option
@store_options
def hand_back(
    number: int,
    audience: str | None,
    out: Path | None,
    only_text: bool,
    told: str,
    watch: str,
    next_service: str,
    draft: bool,
    yes: bool,
    at: model.Moment | None,
    place: Path | None,
    as_json: bool,
) -> int:
    """Hand the machine of job ID back: HTML and PDF for the owner and for the bench, and a short message.

    The job is marked as handed back with what the owner is told, and the owner's page is kept in the job record. A job
    that is handed back already is only written out again; so is any job with --draft or --text, and what is made of one
    that is not handed back yet says that it is a draft. Where a check failed and has not passed since, before and after
    seem swapped, or the machine came back since it was recorded, this is asked first; where nobody can be asked,
    nothing is marked without --yes.
    """
    from enginelog import report
    from enginelog.store import as_drafted, hand_back_with, words

    with opened(place) as store:
        record = store.record(number)
        wishes = (told, watch, next_service)
        recorded = record.job.state == "handed_back"
        if recorded and any(wishes):
            raise model.UsageError(f"job {number} is handed back already: reopen it first to hand it back anew")
        marks = not (draft or only_text or recorded)
        questions = (*_questions(record), *(_too_early(record, at) if marks else ()))
        if marks and questions and not yes:
            _ask_first(number, questions)
        else:
            console.notes(questions)
        if marks:
            record = hand_back_with(store, number, wishes, report.hand_back_html, at)
            console.notes(words.clock_behind(record.job) if at is None else ())
        elif any(wishes):
            record = as_drafted(record, wishes, at)
        history = store.history(record.machine.id, changes=True)
    if only_text:
        console.show(report.hand_back_text(record).rstrip())
        return STATUS_DONE
    return _write(record, history, audience, out or DEFAULT_OUT / f"job-{number}", as_json)


def _questions(record: model.JobRecord) -> tuple[str, ...]:
    """What is asked first, and what analyses again where that is among it."""
    from enginelog import report
    from enginelog.model.telling import analysed_otherwise

    found = report.hand_back_questions(record)
    unlike = [str(run.id) for run, _ in analysed_otherwise(record)] if found else []
    return (*found, f"To analyse again: {job_text.again_command(unlike)}.") if unlike else found


def _too_early(record: model.JobRecord, at: model.Moment | None) -> tuple[str, ...]:
    """Asked where the hand-back is dated before the newest entry of its job: nothing that it reports was there then."""
    from enginelog import compare

    entries = [(each.at, f"check {each.id}") for each in record.checks]
    entries += [(each.at, f"work {each.id}") for each in record.work]
    entries += [(compare.made(each).at, f"run {each.id}") for each in record.runs]
    newest, name = max(entries, key=lambda each: each[0].utc, default=(None, ""))
    if at is None or newest is None or at.utc >= newest.utc:
        return ()
    given, then = (f"{each.local:%Y-%m-%d %H:%M}" for each in (at, newest))
    return (f"The hand-back is dated {given}, before {name} ({then}): a slip? A date alone counts as its midnight.",)


def _ask_first(number: int, questions: tuple[str, ...]) -> None:
    """Ask whether to hand back all the same; Stopped where not, UsageError where nobody is there to answer."""
    if not console.can_ask():
        raise model.UsageError(
            f"job {number} is not handed back, for this is asked first: {' '.join(questions)} "
            "See to it, or give --yes to hand it back all the same"
        )
    console.notes(questions)
    if not click.confirm("Hand it back all the same?", err=True):
        raise console.Stopped(f"job {number} is not handed back and stays as it is")


def _write(record: model.JobRecord, history: History, audience: str | None, folder: Path, as_json: bool) -> int:
    """Write the files and say where they lie; the exit status."""
    from enginelog import report

    try:
        written = report.write_hand_back(
            record, folder, (audience,) if audience else ("owner", "bench"), history.runs, history.other_engines
        )
    except OSError as failed:
        again = f"'enginelog hand-back {record.job.id} --out FOLDER' writes them elsewhere"
        marked = f"; job {record.job.id} is handed back all the same: {again}"
        console.error(
            clips.not_written("the files", folder, failed) + (marked if record.job.state == "handed_back" else "")
        )
        return STATUS_NOT_WRITTEN
    if as_json:
        show_plain({"job": record.job.id, "state": record.job.state, "files": [str(path) for path in written]})
        return STATUS_DONE
    console.show(written[-1].read_text(encoding="utf-8").rstrip() + "\n")  # the message, as it stands in its file
    for path in written:
        console.show(f"Written: {console.safe_name(str(path))}")
    return STATUS_DONE
