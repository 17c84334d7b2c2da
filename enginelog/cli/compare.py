"""`enginelog compare`: the run after against the run before."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from enginelog import model
from enginelog.cli import clips, console
from enginelog.cli.engine_options import engine_from, engine_options, hints
from enginelog.cli.store_options import RowNumber, opened, store_options
from enginelog.model.telling import asked_about
from enginelog.model.wording import counted, often

STATUS_COMPARED = 0
STATUS_NOTHING = 3


@click.command()
@click.argument("names", nargs=-1, metavar="[BEFORE AFTER]")
@engine_options
@click.option("--job", "number", type=RowNumber("job"), metavar="ID", help="The job's own recordings before and after.")
@click.option("--run", "runs", multiple=True, type=RowNumber("run"), metavar="RUN", help="A run on record; give two.")
@store_options
def compare(
    names: tuple[str, ...], number: int | None, runs: tuple[int, ...], place: Path | None, as_json: bool, **told: Any
) -> int:
    """Hold the recording AFTER against the recording BEFORE.

    Each measure gets both values, the difference with its interval, and a verdict: better, worse, same, changed
    or cannot tell. BEFORE may hold only pulls of an engine that did not start. The engine's options count for both.
    Instead of recordings, --job ID takes those of a job on record, --run RUN --run RUN any two runs on record of one
    machine.

    \b
    Exit status: 0 compared, whatever came out
                 1 the program failed
                 2 wrong usage
                 3 the two cannot be compared; the reason is said
                 4 a file or the job record cannot be read
    """
    ways = [bool(names), number is not None, bool(runs)]
    if sum(ways) != 1:
        raise model.UsageError("give two recordings, or --job ID, or --run RUN twice: one of these, and only one")
    if not names and any(value is not None for value in told.values()):
        raise model.UsageError("a run on record was analysed with its machine's engine: leave the engine's options out")
    found = _of_clips(names, told) if names else _of_job(number, place) if number else _of_runs(runs, place)
    return _render(found, as_json)


def _render(found: model.Comparison, as_json: bool) -> int:
    """Show the comparison; the exit status."""
    from enginelog import report

    if as_json:
        console.show_json(report.comparison_json(found).strip())
    else:
        console.show(report.comparison_text(found, width=console.width()).rstrip())
    if found.comparable:
        return STATUS_COMPARED
    console.error(f"nothing to compare: {found.reason}")
    return STATUS_NOTHING


def _of_clips(names: tuple[str, ...], told: dict[str, Any]) -> model.Comparison:
    """Two recordings, analysed with the same engine."""
    from enginelog import compare as comparing

    if len(names) != 2:
        given = counted(len(names), "recording")
        raise model.UsageError(f"{given} given, two expected: enginelog compare BEFORE AFTER")
    if names.count(clips.STDIN) > 1:
        raise model.UsageError("'-' given twice, but standard input can be read only once")
    engine = engine_from(**told)
    for line in hints(engine):
        console.note(line)
    before, after = (analysed(name, engine) for name in names)
    return comparing.compare(before, after)


def _of_job(number: int, place: Path | None) -> model.Comparison:
    """A job's own before and after."""
    from enginelog import compare as comparing

    with opened(place) as store:
        found = comparing.of_job(store.record(number))
    if found.comparison is None:
        lacking = [side for side, one in (("before", found.before), ("after", found.after)) if one is None]
        raise model.UsageError(
            f"job {number} holds no recording from {' and '.join(lacking)} the work; add one: "
            f"enginelog attach {number} CLIP --stage {lacking[0]}; "
            f"or give any two runs of the machine ('enginelog history'): --run RUN --run RUN"
        )
    return found.comparison


def _of_runs(numbers: tuple[int, ...], place: Path | None) -> model.Comparison:
    """Any two runs on record, the first as before."""
    from enginelog import compare as comparing

    if len(numbers) != 2:
        raise model.UsageError(f"--run given {often(len(numbers))}, twice expected: first before, then after")
    with opened(place) as store:
        before, after = store.counting_pair(*numbers)
        told = asked_about(store.record(after.job_id, whole=False))
    return comparing.of_pair(before, after, told=told)


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
