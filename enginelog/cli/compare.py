"""`enginelog compare`: the run after against the run before."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from enginelog import model
from enginelog.cli import clips, console
from enginelog.cli.engine_options import engine_from, engine_options, hints

STATUS_COMPARED = 0
STATUS_NOTHING = 3


@click.command()
@click.argument("names", nargs=-1, metavar="[BEFORE AFTER]")
@engine_options
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON instead.")
def compare(names: tuple[str, ...], as_json: bool, **told: Any) -> int:
    """Hold the recording AFTER against the recording BEFORE.

    Each measure gets both values, the difference with its 95 % interval, and a verdict: better, worse, same, changed
    or cannot tell. BEFORE may hold only pulls of an engine that did not start. The engine's options count for both.

    \b
    Exit status: 0 compared, whatever came out
                 1 the program failed
                 2 wrong usage
                 3 the two cannot be compared; the reason is said
                 4 a file cannot be read
    """
    before, after = _runs(names, told)
    from enginelog import compare as comparing
    from enginelog import report

    found = comparing.compare(before, after)
    if as_json:
        console.show_json(report.comparison_json(found).strip())
    else:
        console.show(report.comparison_text(found, width=console.width()).rstrip())
    if found.comparable:
        return STATUS_COMPARED
    console.error(f"nothing to compare: {found.reason}")
    return STATUS_NOTHING


def _runs(names: tuple[str, ...], told: dict[str, Any]) -> tuple[model.Run, model.Run]:
    """Both runs, analysed from the two recordings named."""
    if len(names) != 2:
        raise model.UsageError(f"{len(names)} recordings given, two expected: enginelog compare BEFORE AFTER")
    engine = engine_from(**told)
    for line in hints(engine):
        console.note(line)
    first, second = (analysed(name, engine) for name in names)
    return first, second


def analysed(name: str, engine: model.Engine) -> model.Run:
    """One recording analysed; UnreadableError where it cannot be read, UsageError where it is no recording."""
    from enginelog import analysis

    if Path(name).suffix.lower() == ".json":
        shown = console.safe_name(Path(name).name)
        raise model.UsageError(f"{shown} is a run record, which holds no single firings: give the recording itself")
    found = clips.sources(name)
    if len(found) != 1 or clips.means_several((name,)):
        raise model.UsageError(f"'{console.safe_name(name)}' is a folder; give one recording each, BEFORE and AFTER")
    try:
        with console.progress(found[0].name) as tell:
            return analysis.analyse(found[0].open(), engine, progress=tell)
    except OSError as failed:
        shown = console.safe_name(found[0].name)
        raise model.UnreadableError(f"{shown}: cannot be read: {failed.strerror or failed}") from failed
