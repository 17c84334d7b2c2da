"""What the commands of the job record share: `--store`, `--json`, `--at`; how numbers, money and times are given."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from enginelog import model
from enginelog.cli import console

if TYPE_CHECKING:
    from enginelog.store import Store

STATUS_DONE = 0
NO_LIMIT = -1

Command = TypeVar("Command", bound=Callable[..., Any])


class RowNumber(click.ParamType):
    """The number of a job, run or other entry."""

    def __init__(self, what: str) -> None:
        self.name = what

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The number; fails where it is none from 1 on."""
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"#?([0-9]{1,18})", value.strip(), re.ASCII)
        if not found or int(found[1]) == 0:
            self.fail(f"'{value}' given, the number of a {self.name} expected, such as 12", param, ctx)
        return int(found[1])


class EntryNumber(click.ParamType):
    """The number of an entry as text: of a job, check or other row ('12'), or of a note within its job ('3.2')."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The number; fails where it is none from 1 on."""
        found = re.fullmatch(r"#?([1-9][0-9]{0,17}(?:\.[1-9][0-9]{0,5})?)", value.strip(), re.ASCII)
        if not found:
            self.fail(f"'{value}' given, a number such as 12 expected, or for a note such as 3.2", param, ctx)
        return found[1]


class Money(click.ParamType):
    """An amount of money, kept in whole cents."""

    name = "amount"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The amount in cents; fails where it is negative or none."""
        from enginelog.store import numbers

        if isinstance(value, int):
            return value
        try:
            return numbers.money(value)
        except model.UsageError as wrong:
            self.fail(str(wrong), param, ctx)


class CostLimit(Money):
    """What a job may cost: an amount in whole cents, or NO_LIMIT for 'none'."""

    name = "limit"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The amount in cents, NO_LIMIT for 'none'; fails as `Money` does."""
        told_none = isinstance(value, str) and value.strip().lower() == "none"
        return NO_LIMIT if told_none else super().convert(value, param, ctx)


class When(click.ParamType):
    """A date or a time, no more than a day ahead."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> model.Moment:
        """The moment; fails where the text is no date, or an absurd one."""
        from enginelog.store import moments, words

        if isinstance(value, model.Moment):
            return value
        try:
            found = moments.given(value)
        except model.UsageError as wrong:
            self.fail(str(wrong), param, ctx)
        console.notes(moments.clock_changed(value))
        console.notes(f"{line}; is it a slip?" for line in words.still_to_come(found))
        return found


def store_options(command: Command) -> Command:
    """Add `--json` and `--store` to a command of the job record."""
    command = click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else on standard output.")(
        command
    )
    return click.option(
        "--store",
        "place",
        type=click.Path(path_type=Path),
        metavar="PATH",
        help="The file of the job record; else ENGINELOG_STORE, else one in the user's data folder.",
    )(command)


def machine_options(command: Command) -> Command:
    """Add `--serial`, `--cost-limit` and `--currency`; `told_of_machine` takes their values."""
    command = click.option("--currency", metavar="CODE", help="Three letters; EUR where nothing was said before.")(
        command
    )
    command = click.option(
        "--cost-limit",
        type=CostLimit(),
        metavar="AMOUNT",
        help="What a job on this machine may cost before its owner is asked; 'none' takes the limit away.",
    )(command)
    return click.option("--serial", metavar="TEXT", help="Serial number of the machine.")(command)


def told_of_machine(serial: str | None, cost_limit: int | None, currency: str | None) -> dict[str, Any]:
    """The fields of the machine that were told."""
    about = {"serial": serial, "cost_limit_cents": cost_limit, "currency": currency}
    given = {name: value for name, value in about.items() if value is not None}
    return {name: None if value == NO_LIMIT else value for name, value in given.items()}


def at_option(command: Command) -> Command:
    """Add `--at` to a command that writes an entry."""
    return click.option("--at", type=When(), metavar="TIME", help="When it was, if not now: 2026-04-12 or with time.")(
        command
    )


def opened(place: Path | None) -> Store:
    """The store the call asks for."""
    from enginelog import store

    return store.open_store(place)


def show_plain(value: Any) -> None:
    """Print what the store handed out as JSON."""
    from enginelog import store

    console.show_json(json.dumps(store.plain(value), allow_nan=False, indent=1))
