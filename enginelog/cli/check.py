"""`enginelog check`: analyse recordings, show what was found, write the reports."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from enginelog import model
from enginelog.cli import clips, console
from enginelog.cli.engine_options import engine_from, engine_options, hints

STATUS_ANALYSED = 0
STATUS_NOT_WRITTEN = 1
STATUS_NOTHING = 3
STATUS_UNREADABLE = 4


@dataclass(frozen=True)
class Wanted:
    """What the call asks for: where the reports go, JSON or summary, one recording or several; `ran`: it is said that
    an engine ran."""

    out: Path | None
    as_json: bool
    several: bool
    ran: bool


@click.command()
@click.argument("names", nargs=-1, required=True, metavar="CLIP...")
@engine_options
@clips.ran_option
@click.option(
    "--out",
    type=clips.NewPlace(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where the report goes. Without it: a folder for each recording in ./enginelog-reports.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print the run record as JSON instead; no report unless --out is given."
)
def check(names: tuple[str, ...], ran: bool, out: Path | None, as_json: bool, **told: Any) -> int:
    """Read each CLIP and say how the engine ran.

    A CLIP is a recording, a folder (the recordings directly in it, sorted by name) or - for standard input. With
    several, each gets a folder of its own inside --out, and --json prints one array.

    \b
    Exit status: 0 analysed, whatever was found
                 1 the program failed, or the report could not be written
                 2 wrong usage
                 3 nothing to analyse: no running engine heard, or the recording is unusable
                 4 the file cannot be read
    Of several recordings the highest counts.
    """
    engine = engine_from(**told)
    if names.count(clips.STDIN) > 1:
        raise model.UsageError("'-' given twice, but standard input can be read only once")
    for line in hints(engine):
        console.note(line)
    wanted = Wanted(out, as_json, clips.means_several(names), ran)
    found, status = _find(names)
    documents: list[str] = []
    answers: list[str] = []
    for number, source in enumerate(found, start=1):
        label = f"{source.name} ({number} of {len(found)})" if wanted.several else source.name
        run = _analyse(source, engine, label, ran)
        if run is None:
            status = STATUS_UNREADABLE
            answers += _row("[-]", source.name, "Could not be read.")
            continue
        if number > 1 and not as_json:
            console.show("")
        status = max(status, _render(run, wanted, documents))
        answers += _answer(run)
    if len(found) > 1 and not as_json:
        console.show("\n".join(["", f"All {len(found)}, in short:", *answers]))
    if wanted.several and as_json:
        console.show_json("[\n" + ",\n".join(documents) + "\n]")
    elif documents:
        console.show_json(documents[0])
    return status


def _answer(run: model.Run) -> list[str]:
    """The answer of one recording, for the list at the end of several."""
    from enginelog import report

    top = report.answer(run)
    return _row(top.label, run.clip.name, top.text)


def _row(mark: str, name: str, text: str) -> list[str]:
    plain = f"{mark} {console.safe_line(name)}: {' '.join(text.split())}"
    return textwrap.wrap(plain, console.width(), subsequent_indent=" " * (len(mark) + 1), break_on_hyphens=False)


def _find(names: tuple[str, ...]) -> tuple[list[clips.Source], int]:
    """The recordings the arguments mean, and the status so far (4 where a folder gave none)."""
    found: list[clips.Source] = []
    status = STATUS_ANALYSED
    for name in names:
        try:
            found += clips.sources(name)
        except model.UnreadableError as failed:
            console.error(str(failed))
            status = STATUS_UNREADABLE
    return found, status


def _analyse(source: clips.Source, engine: model.Engine, label: str, ran: bool) -> model.Run | None:
    """The run, or None where the recording cannot be read (which has then been said)."""
    from enginelog import analysis

    try:
        with console.progress(label) as tell:
            return analysis.analyse(source.open(), engine, None if source.path else source.name, tell, ran)
    except model.UnreadableError as failed:
        console.error(_naming(source, str(failed)))
    except OSError as failed:
        console.error(f"{console.safe_name(source.name)}: cannot be read: {failed.strerror or failed}")
    return None


def _naming(source: clips.Source, message: str) -> str:
    """The message with the recording's name made safe to show, and in front where the message lacks it."""
    shown = console.safe_name(source.name)
    message = message.replace(source.name, shown)
    return message if shown in message else f"{shown}: {message}"


def _render(run: model.Run, wanted: Wanted, documents: list[str]) -> int:
    """Show the summary, or add the JSON document to `documents`; write the report where wanted. The exit status."""
    from enginelog import report

    if wanted.as_json:
        documents.append(report.to_json(run).strip())
    else:
        console.show(report.summary_text(run, width=console.width()).rstrip())
    status = STATUS_ANALYSED
    if wanted.out is not None or not wanted.as_json:
        status = _write(run, wanted)
    if run.timeline.engine_heard and run.quality.usable:
        return status
    what = "no engine to measure" if run.quality.usable and run.timeline.pulls else "nothing to analyse"
    console.error(f"{console.safe_name(run.clip.name)}: {what}: {clips.why_nothing(run, wanted.ran)}")
    return STATUS_NOTHING


def _write(run: model.Run, wanted: Wanted) -> int:
    """Write the report and say where it lies; a failure is said and does not take the result away. The exit status."""
    from enginelog import report

    folder = clips.report_folder(run.clip, wanted.out, wanted.several)
    try:
        written = report.write_folder(run, folder)
    except OSError as failed:
        console.error(clips.not_written("the report", folder, failed))
        return STATUS_NOT_WRITTEN
    if not wanted.as_json:
        console.show(f"Report: {console.safe_name(str(written.report_html))}")
    return STATUS_ANALYSED
