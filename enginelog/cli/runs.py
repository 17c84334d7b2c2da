"""`enginelog attach`, `enginelog move` and `enginelog report`: recordings in the job record."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from enginelog import model
from enginelog.cli import clips, console, job_text
from enginelog.cli.engine_options import hints
from enginelog.cli.store_options import STATUS_DONE, RowNumber, at_option, opened, show_plain, store_options

if TYPE_CHECKING:
    from enginelog.store import Store

STATUS_NOTHING = 3


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.argument("clip")
@click.option(
    "--stage", required=True, type=click.Choice(model.STAGES), help="Recorded before, during or after the work."
)
@click.option(
    "--conditions", default="", metavar="LIST", help="How it ran, separated by commas: 'cold, choke on, blade on'."
)
@click.option("--note", default="", metavar="TEXT", help="Anything else about the recording.")
@clips.ran_option
@click.option("--no-copy", is_flag=True, help="Keep no copy of the recording, only its name and hash.")
@at_option
@store_options
def attach(
    number: int,
    clip: str,
    stage: str,
    conditions: str,
    note: str,
    ran: bool,
    no_copy: bool,
    at: model.Moment | None,
    place: Path | None,
    as_json: bool,
) -> int:
    """Analyse the recording CLIP with the layout of the machine of job ID, and keep both in the job record.

    A recording with only pulls of the starter is a valid one: it shows that the engine did not start. One that the job
    holds already is refused.

    \b
    Exit status as of check; 3 where there was nothing to analyse (no engine and no pull heard, or unusable):
    the recording is kept all the same.
    """
    from enginelog import compare as comparing
    from enginelog.store import words

    told = tuple(part.strip() for part in conditions.split(",") if part.strip())
    with console.stopping(lambda: _kept_when_stopped(place, number, clip)), opened(place) as store:
        machine = store.record(number, whole=False).machine
        _refuse_twice(store, number, clip)
        run = analysed(clip, machine.engine, ran)
        known = store.runs_of_recording(run.clip.sha256)
        kept = store.attach(number, run, stage, told, note, None if no_copy else Path(clip), at)
        record = store.record(number)
        odd = (*words.misgivings(record.job, kept.at), *comparing.out_of_order(record, kept))
        console.notes([*hints(machine.engine), *odd])
        for job_id, run_id in known:
            console.note(
                f"this recording is run {run_id} of job {job_id} already; drop one of the two if that is a slip"
            )
    return render(kept, _kept_line(kept), as_json, ran, record)


def _kept_when_stopped(place: Path | None, number: int, clip: str) -> str:
    """What the job holds of a recording whose attaching was stopped: all of it or nothing."""
    from enginelog.store import sha256_of

    with contextlib.suppress(OSError, model.EnginelogError), opened(place) as store:
        runs = [run for job, run in store.runs_of_recording(sha256_of(Path(clip))) if job == number]
        if runs:
            return f"the recording is kept whole, as run {runs[-1]} of job {number}"
    return f"nothing of this recording was kept, and job {number} is as it was: attach it again"


def _refuse_twice(store: Store, number: int, clip: str) -> None:
    """UsageError where the job holds this recording already: said before it is analysed, which takes its time."""
    from enginelog.store import sha256_of

    with contextlib.suppress(OSError):  # one that cannot be read is told of by the analysis
        if Path(clip).is_file():
            store.refuse_twice(number, sha256_of(Path(clip)))


@click.command()
@click.argument("number", type=RowNumber("run"), metavar="RUN")
@click.argument("job", type=RowNumber("job"), metavar="ID")
@store_options
def move(number: int, job: int, place: Path | None, as_json: bool) -> int:
    """Attach RUN to job ID, where it belongs, and take it back from the job it was attached to by mistake."""
    from enginelog import compare as comparing
    from enginelog.store import words

    with opened(place) as store:
        made = store.move_run(number, job)
        record = store.record(job)
        console.notes([*words.misgivings(record.job, made.at), *comparing.out_of_order(record, made)])
    if as_json:
        show_plain(made)
        return STATUS_DONE
    line = f"Run {number} is run {made.id} of job {job} now; the job it was on lists it as taken back."
    console.show("\n".join([line, *job_text.again_lines(record)]))
    return STATUS_DONE


@click.command("report")
@click.argument("number", type=RowNumber("run"), metavar="RUN")
@click.option(
    "--out",
    type=clips.NewPlace(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where it goes. Without it: a folder for the run in ./enginelog-reports.",
)
@store_options
def report_of(number: int, out: Path | None, place: Path | None, as_json: bool) -> int:
    """Write the report of RUN from the job record: the page, picture, CSV and run record that 'check' writes.

    With --json only the run record is printed, and files are written only with --out.
    """
    from enginelog import report

    with opened(place) as store:
        run = store.run(number).run
    assert run is not None  # asked for whole
    if as_json:
        console.show_json(report.to_json(run).strip())
    if not as_json or out is not None:
        page = _write_report(run, out or Path("enginelog-reports") / f"run-{number}")
        if not as_json:
            console.show(f"Report: {console.safe_name(str(page))}")
    return STATUS_DONE


def _write_report(run: model.Run, folder: Path) -> Path:
    """Write the report's files; its page. EnginelogError where the disk does not take them."""
    from enginelog import report

    try:
        return report.write_folder(run, folder).report_html
    except OSError as failed:
        raise model.EnginelogError(clips.not_written("the report", folder, failed)) from failed


def analysed(
    clip: str, engine: model.Engine, ran: bool, name: str | None = None, label: str | None = None
) -> model.Run:
    """The analysis of a file. label: what its progress is called. UnreadableError where it cannot be read."""
    from enginelog import analysis

    if clip == clips.STDIN:
        raise model.UsageError("'-' given, but a job record keeps files: save the recording first and give its path")
    shown = console.safe_name(name or Path(clip).name)
    if not clips.may_be_plain(clip):  # it can be read but once, or for ever
        raise model.UnreadableError(
            f"{shown}: a pipe or a device, but a job record keeps files: save it to a file first"
        )
    try:
        with console.progress(label or shown) as tell:
            return analysis.analyse(clip, engine, name, tell, ran)
    except OSError as failed:
        raise model.UnreadableError(f"{shown}: cannot be read: {failed.strerror or failed}") from failed


def _kept_line(kept: model.StoredRun) -> str:
    return f"Kept as run {kept.id} of job {kept.job_id}, {kept.stage} the work. Its report: enginelog report {kept.id}"


def render(kept: model.StoredRun, line: str, as_json: bool, ran: bool, record: model.JobRecord | None = None) -> int:
    """Show what was heard, what the job's checks and recordings ask for next, and where it is kept; the exit status."""
    from enginelog import report

    run = kept.run
    assert run is not None  # asked for whole
    at_work = record if record is not None and record.job.state in ("open", "waiting") else None
    if as_json:
        show_plain(kept)
    else:
        console.show(report.summary_text(run, width=console.width(), steps=at_work is None).rstrip())
        if at_work is not None:  # one list of what comes next, the same as 'job' and 'tick' show
            console.show("\n".join(["", *job_text.advice_lines(report.suggestion(at_work)), ""]))
        console.show(line)
    story = run.timeline
    if run.quality.usable and (story.engine_heard or story.pulls):
        return STATUS_DONE
    reason = clips.why_nothing(run, ran)
    again = f" to 'enginelog reanalyse {kept.id}'" if reason.endswith(clips.ADD_RAN) else ""  # it is kept already
    console.error(f"{console.safe_name(run.clip.name)}: kept, but nothing to analyse: {reason}{again}")
    return STATUS_NOTHING
