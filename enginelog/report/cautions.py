"""The usual cautions, read from the file beside this module, as they fit a kind of machine.

cautions() -> all that a report of an untold machine shows        cautions("pump") -> without blade, chain or tines
take_care("generator") -> all on one line, with those of its kind alone
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from enginelog.limits.trade import cautions as trade


@dataclass(frozen=True)
class Caution:
    """One caution: its title, one short line, the full text, and the source it rests on. machines: kinds it is for;
    none: all that have no caution of their own in its place, and those that nobody told."""

    title: str
    short: str
    text: str
    source: str
    machines: tuple[str, ...] = ()


@cache
def cautions(machine: str | None = None) -> tuple[Caution, ...]:
    """The usual cautions for a kind of machine (None: not told), in the order in which they are shown."""
    tables = tomllib.loads((files(__package__) / "cautions.toml").read_text(encoding="utf-8"))
    found: dict[str, Caution] = {}
    for name, table in tables.items():
        one = Caution(**table | {"machines": tuple(table.get("machines", ()))})
        if not one.machines or machine in one.machines:
            found[name.partition("_")[0]] = one  # blade_none takes the place of blade
    return tuple(found.values())


def take_care(machine: str | None) -> str:
    """The usual cautions in short, then those that only its kind needs, such as the live output of a generator."""
    own = (each.short for each in trade.for_machine(machine) if machine in each.machines)
    return "; ".join(dict.fromkeys((*(each.short for each in cautions(machine)), *own))) + "."
