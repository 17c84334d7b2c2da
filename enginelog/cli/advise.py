"""`enginelog advise`: likely causes and the next check, from run records, bench checks and answers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from enginelog import model
from enginelog.cli import console
from enginelog.cli.engine_options import Number
from enginelog.cli.records import read_text, records_in, status_of
from enginelog.cli.store_options import STATUS_DONE, RowNumber, opened, store_options

if TYPE_CHECKING:
    from enginelog.advice import Situation


class Pair(click.ParamType):
    """NAME=VALUE."""

    def __init__(self, name: str, example: str) -> None:
        self.name, self.example = name, example

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        """Name and value, both lower case; fails where there is no `=`."""
        if isinstance(value, tuple):
            return value
        name, sign, result = value.partition("=")
        if not sign or not name.strip() or not result.strip():
            self.fail(f"'{value}' given, {self.name} expected, such as {self.example}", param, ctx)
        return name.strip().lower(), result.strip().lower()


class Speeds(click.ParamType):
    """Speeds in rpm, separated by commas."""

    name = "speeds"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """The speeds in the order given; fails where one is none from 100 to 20000."""
        if isinstance(value, tuple):
            return value
        one = Number(100, 20_000, "rpm")
        return tuple(float(one.convert(part, param, ctx)) for part in value.split(","))


@click.command()
@click.argument("names", nargs=-1, metavar="[RECORD]...")
@click.option("--job", "number", type=RowNumber("job"), metavar="ID", help="Take recordings and checks of this job.")
@click.option(
    "--check",
    "checks",
    multiple=True,
    type=Pair("NAME=pass or NAME=fail", "spark=pass"),
    help="Result of a check made; may be given several times.",
)
@click.option(
    "--answer",
    "answers",
    multiple=True,
    type=Pair("NAME=ANSWER", "choke-helps=yes"),
    help="Answer to a question asked; may be given several times.",
)
@click.option(
    "--balance",
    type=Speeds(),
    metavar="RPM,RPM,RPM",
    help="Of a balance test: the speed with all cylinders, then with each plug grounded in turn.",
)
@click.option(
    "--rules",
    multiple=True,
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Causes, checks, questions and rules of your own, as TOML; may be given several times.",
)
@store_options
def advise(
    names: tuple[str, ...],
    number: int | None,
    checks: tuple[tuple[str, str], ...],
    answers: tuple[tuple[str, str], ...],
    balance: tuple[float, ...] | None,
    rules: tuple[str, ...],
    place: Path | None,
    as_json: bool,
) -> int:
    """Say what is likely and what to check next, and why: a suggestion from rules.

    A RECORD is a file with what 'check --json' printed, or - for standard input. Several recordings of one machine, as
    at idle and at full speed, tell more together than each by itself. Where the files do not say when they were made,
    the last one given counts as the newest.

    The exit status is 3 where one of them is unusable or holds no running engine; what can be said is said.
    """
    from enginelog import advice, report
    from enginelog.limits.trade import knowledge

    if not names and number is None and not checks and not answers and not balance:
        raise model.UsageError("nothing given to go on from; give a run record, --job, or --answer")
    known = knowledge.load([(Path(name).name, read_text(name)) for name in rules])
    on_record = advice.Situation() if number is None else _job(number, place)
    heard = (*(advice.Heard(record) for name in names for record in records_in(name)), *on_record.heard)
    made = {**on_record.checks, **dict(checks)}
    told = replace(on_record, heard=heard, checks=made, answers=dict(answers), balance_rpm=balance or ())
    if unlike := advice.unlike(heard):
        console.note(f"the records are taken for one machine, but tell of {unlike}: give those of one at a time")
    found = advice.advise(told, known)
    if as_json:
        console.show_json(report.advice_json(found).rstrip())
    else:
        console.show(report.advice_text(found, console.width()).rstrip())
    return max((status_of(one.record) for one in heard), default=STATUS_DONE)


def _job(number: int, place: Path | None) -> Situation:
    """What is known of a job: the recordings that show how it is now (after the work, else before), the results of its
    checks, the engine as it is told."""
    from enginelog import report

    with opened(place) as store:
        record = store.record(number)
    return report.known_of(record)
