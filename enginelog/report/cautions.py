"""The usual cautions, read from the file beside this module."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class Caution:
    """One caution: its title, one short line, the full text, and the source it rests on."""

    title: str
    short: str
    text: str
    source: str


@cache
def cautions() -> tuple[Caution, ...]:
    """All cautions in the order in which they are shown."""
    tables = tomllib.loads((files(__package__) / "cautions.toml").read_text(encoding="utf-8"))
    return tuple(Caution(**table) for table in tables.values())
