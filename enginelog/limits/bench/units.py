"""Readings of bench checks that are mostly slips: another unit than is known, below zero, beyond what can be, or
nothing where the check passed.

    doubts("compression", -650.0, "kPa") -> ("-650 kPa is below zero",)

They are kept as they were written all the same: what comes out is to be said, and by whom it was written to be judged.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from enginelog.limits import bench
from enginelog.model.wording import as_told, one_line


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads((files(__package__) / "units.toml").read_text(encoding="utf-8"))


@cache
def _known() -> dict[str, tuple[str, float]]:
    """Of each unit, in small letters without gaps and points: its quantity, and how many of that one's first unit."""
    return {
        _plain(unit): (name, factor)
        for name, quantity in reversed(_table()["quantity"].items())
        for unit, factor in quantity["units"].items()
    }


def _plain(unit: str) -> str:
    return "".join(unit.split()).rstrip(".").casefold()


def doubts(step: str, value: float | None, unit: str, result: str = "") -> tuple[str, ...]:
    """What is odd about a reading, each in words to stand alone; nothing where it is in order, or there is none.

    step: the check's name; value: None where nothing was measured. result: pass, fail or not_checked, where one stands.
    """
    if value is None:
        return ()
    shown = f"{as_told(value)} {one_line(unit)}".strip()
    quantity, factor = _known().get(_plain(unit), (None, 1.0))
    found = (
        _of_unit(step, shown, one_line(unit), quantity),
        _below_zero(step, shown, value, quantity),
        _beyond(step, shown, value * factor, quantity),
        _nothing(step, shown, value, quantity) if result == "pass" else "",
    )
    return tuple(filter(None, found))


def _of_unit(step: str, shown: str, unit: str, quantity: str | None) -> str:
    may_be = _limit(step).get("may_be", ())
    if not unit:
        return f"{shown} has no unit"
    if quantity is None:
        return f"'{unit}' is no unit known here"
    if may_be and quantity not in may_be:
        read_in = next(each.units for each in bench.steps() if each.name == step)
        return f"{shown} is no reading of {step.replace('_', ' ')}, which is in {', '.join(read_in)}"
    return ""


def _below_zero(step: str, shown: str, value: float, quantity: str | None) -> str:
    may = (
        quantity is not None
        and _table()["quantity"][quantity]["below_zero"]
        and _limit(step).get("quantity") != quantity
    )
    return f"{shown} is below zero" if value < 0 and not may else ""


def _beyond(step: str, shown: str, value: float, quantity: str | None) -> str:
    limit = _limit(step)
    if not limit or quantity != limit["quantity"] or value <= limit["value"]:
        return ""
    first = next(iter(_table()["quantity"][quantity]["units"]))
    return f"{shown} is beyond {as_told(limit['value'])} {first}: {limit['meaning']}"


def _nothing(step: str, shown: str, value: float, quantity: str | None) -> str:
    """Of what a check of the bench is read in, nothing at all is no pass: no compression, no clearance, no fuel."""
    units = next((each.units for each in bench.steps() if each.name == step), ())
    read = {_known()[_plain(unit)][0] for unit in units}
    return f"{shown} is nothing at all, and the check passed" if value == 0 and quantity in read else ""


def _limit(step: str) -> dict[str, Any]:
    return _table()["most"].get(step, {})
