"""What is written down at the bench: `tick`, `work`, `note`, `wait`, `close`, `reopen`."""

from __future__ import annotations

import re
from pathlib import Path

import click

from enginelog import model
from enginelog.cli import console, job_text
from enginelog.cli.engine_options import Number
from enginelog.cli.store_options import (
    STATUS_DONE,
    Money,
    RowNumber,
    at_option,
    opened,
    show_plain,
    store_options,
)

_RESULTS = {"pass": "pass", "fail": "fail", "skip": "not_checked"}


class Reading(click.ParamType):
    """A number with its unit behind it."""

    name = "reading"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, str]:
        """The number and its unit; fails where no finite number stands in front."""
        if isinstance(value, tuple):
            return value
        from enginelog.store import numbers

        # '6e5' is no reading of 6 in the unit 'e5': it is a slip, or meant as a power of ten.
        found = re.fullmatch(
            r"\s*([+-]?[0-9]{1,12}(?:[.,][0-9]{1,12})?)(?![eE][+-]?[0-9])\s*([^\W\d_].*|[%°\"'].*)?",
            str(value),
            re.DOTALL,
        )
        if found is None:
            self.fail(f"'{value}' given, a number with its unit expected, such as '650 kPa'", param, ctx)
        try:
            return numbers.decimal(found[1]), (found[2] or "").strip()
        except model.UsageError as wrong:
            self.fail(str(wrong), param, ctx)


class Quantity(Number):
    """A number within a range, with a point or a comma."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float | int:
        """The number; fails where it is none, lies outside, or may be read in two ways."""
        from enginelog.store import numbers

        try:
            return super().convert(numbers.decimal(value) if isinstance(value, str) else value, param, ctx)
        except model.UsageError as wrong:
            self.fail(f"{wrong}; {self.expected} expected", param, ctx)


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.argument("step")
@click.argument("result", type=click.Choice(list(_RESULTS)))
@click.option("--note", default="", metavar="TEXT", help="What was seen; the owner reads it where the check failed.")
@click.option("--reading", type=Reading(), metavar="NUMBER", help="What was measured, with its unit: '650 kPa'.")
@click.option(
    "--photo",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A picture, which is copied: JPEG, PNG, WebP or GIF.",
)
@at_option
@store_options
def tick(
    number: int,
    step: str,
    result: str,
    note: str,
    reading: tuple[float, str] | None,
    photo: Path | None,
    at: model.Moment | None,
    place: Path | None,
    as_json: bool,
) -> int:
    """Write down one bench check of job ID: STEP pass, fail or skip (not checked).

    \b
    STEP is one of, in the trade's order: compression, spark, fuel-tank,
    fuel-carburettor, air, valves, exhaust, governor; or the title of another
    check that is asked for, such as controls or 'plug lead and cap'.
    Made again, the newest result counts and the earlier stay on record.
    """
    from enginelog import report
    from enginelog.store import words

    value, unit = reading or (None, "")
    if photo is not None and photo.is_file():  # a missing one is told by the job record
        _check_picture(photo)
    with opened(place) as store:
        check = store.tick(number, step, _RESULTS[result], note, value, unit, photo, at)
        record = store.record(number)
    advice = report.suggestion(record)
    console.notes([*words.misgivings(record.job, check.at), *_doubts(check)])
    if as_json:
        show_plain({"check": check, "suggestion": advice, "next": advice.next})
        return STATUS_DONE
    console.show(f"Job {number}, check {check.id}: {words.check_line(check)}")
    console.show("\n".join(job_text.advice_lines(advice)))
    return STATUS_DONE


def _doubts(check: model.BenchCheck) -> list[str]:
    """What is odd about the reading, and what to do where it is a slip."""
    from enginelog.store import words

    odd = words.reading_doubts(check)
    return [f"{odd} If so: enginelog drop check {check.id}, and tick again"] if odd else []


def _check_picture(photo: Path) -> None:
    """UnreadableError where it cannot be opened, or is no picture that the bench page would take."""
    from enginelog import limits
    from enginelog.media import pictures

    shown = console.safe_name(photo.name)
    try:
        pictures.check(photo, limits.load("bench_page"), shown)
    except model.UnreadableError as failed:
        raise model.UnreadableError(
            f"{failed}; nothing is written down: give another, or tick without --photo"
        ) from None
    except OSError as failed:
        raise model.UnreadableError(f"{shown}: the photo cannot be read: {failed.strerror or failed}") from None


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.option("--part", metavar="TEXT", help="A part that was fitted.")
@click.option("--fluid", metavar="TEXT", help="Oil, fuel or another fluid.")
@click.option("--labour", metavar="TEXT", help="What was done.")
@click.option("--cost", type=Money(), default="0", metavar="AMOUNT", help="Cost of the whole entry, as 12 or 12.50.")
@click.option("--minutes", type=Number(0, 100_000, "minutes", whole=True), default=0, metavar="N", help="Time it took.")
@click.option("--quantity", type=Quantity(0.001, 1e6), default=1.0, metavar="N", help="How many, or how much; 1 else.")
@at_option
@store_options
def work(
    number: int,
    part: str | None,
    fluid: str | None,
    labour: str | None,
    cost: int,
    minutes: int,
    quantity: float,
    at: model.Moment | None,
    place: Path | None,
    as_json: bool,
) -> int:
    """Write down work on job ID: a part, a fluid or labour, with cost and minutes.

    The total so far is shown, and what is left of the machine's cost limit.
    """
    from enginelog.store import words

    kind, text = _kind_of_work(part, fluid, labour, minutes)
    with opened(place) as store:
        entry = store.add_work(number, kind, text, cost, minutes, quantity, at)
        record = store.record(number, whole=False)
    console.notes(words.misgivings(record.job, entry.at))
    if as_json:
        sums = {"cost_cents": record.cost_cents, "minutes": record.minutes, "left_cents": record.left_cents}
        show_plain({"entry": entry, "job": sums})
        return STATUS_DONE
    console.show(f"Job {number}, work {entry.id}: {words.work_line(entry, record.machine.currency)}")
    console.show(f"So far: {words.spent(record)}")
    return STATUS_DONE


def _kind_of_work(part: str | None, fluid: str | None, labour: str | None, minutes: int) -> tuple[str, str]:
    told = {name: text for name, text in (("part", part), ("fluid", fluid), ("labour", labour)) if text is not None}
    if len(told) > 1:
        raise model.UsageError(
            f"{' and '.join(f'--{name}' for name in told)} given; an entry is one of them: enter two"
        )
    if not told and not minutes:
        raise model.UsageError("nothing given to write down; give --part, --fluid, --labour or --minutes")
    return next(iter(told.items()), ("labour", ""))


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.argument("text")
@click.option("--for-owner", is_flag=True, help="The owner may read it: it stands on the owner's page.")
@at_option
@store_options
def note(number: int, text: str, for_owner: bool, at: model.Moment | None, place: Path | None, as_json: bool) -> int:
    """Add TEXT to the notes of job ID. They are the bench's own, and on no page for the owner but with --for-owner.

    A time given with --at is written in front of it.
    """
    from enginelog.store import words

    with opened(place) as store:
        changed = store.add_notes(number, text, for_owner, at)
    if at:
        console.notes(words.misgivings(changed, at))
    told = ", for the owner to read" if changed.notes[-1].for_owner else ""
    return _say(changed, f"Job {number}: noted{told}.", at, as_json)


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.option("--for", "reason", default="", metavar="TEXT", help="What it waits for: a part, an answer.")
@at_option
@store_options
def wait(number: int, reason: str, at: model.Moment | None, place: Path | None, as_json: bool) -> int:
    """Mark job ID as waiting."""
    from enginelog.store import words

    with opened(place) as store:
        changed = store.wait(number, reason, at)
    return _say(changed, f"Job {number}: {words.state(changed)}.", at, as_json)


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@click.option(
    "--not-mended",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[WHY]",
    help="It was given up, or goes back as it came, and why, for the owner to read.",
)
@at_option
@store_options
def close(number: int, not_mended: str | None, at: model.Moment | None, place: Path | None, as_json: bool) -> int:
    """Mark the work on job ID as done; the machine stands ready for its owner, mended or not."""
    from enginelog.store import words

    with opened(place) as store:
        changed = store.finish(number, at, not_mended)
    return _say(changed, f"Job {number}: {words.state(changed)}.", at, as_json)


@click.command()
@click.argument("number", type=RowNumber("job"), metavar="ID")
@at_option
@store_options
def reopen(number: int, at: model.Moment | None, place: Path | None, as_json: bool) -> int:
    """Open job ID again, also one that was done or handed back."""
    with opened(place) as store:
        changed = store.reopen(number, at)
    return _say(changed, f"Job {number}: open again.", at, as_json)


def _say(changed: model.Job, line: str, at: model.Moment | None, as_json: bool) -> int:
    from enginelog.store import words

    console.notes(words.clock_behind(changed) if at is None else ())
    if as_json:
        show_plain(changed)
    else:
        console.show(line)
    return STATUS_DONE
