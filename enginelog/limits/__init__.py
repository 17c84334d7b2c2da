"""Every threshold of the project, with its unit and its source, read from the TOML files beside this module.

One file a topic (`quality.toml`, `speed.toml`, ...). Each table is one limit:

    [clipped_percent]
    value = 0.1
    unit = "%"
    meaning = "share of samples at full scale from which a recording counts as clipped"
    status = "chosen"          # published | common practice | from memory | chosen | measured
    source = "why this value"

A stage receives a `LimitSet` as an argument and asks it by name, so that no number hides in the code.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

STATUSES = ("published", "common practice", "from memory", "chosen", "measured")


@dataclass(frozen=True)
class Limit:
    """One threshold: its value and unit, what it means, how well it is founded, and where it is from."""

    name: str
    value: float
    unit: str
    meaning: str
    status: str
    source: str

    @property
    def cited(self) -> str:
        """As printed: how well founded, then where from; once, where the source says the first itself."""
        return cited(self.status, self.source)


def cited(status: str, source: str) -> str:
    """How well founded a value is, then where it is from: 'published: ...'; 'common practice, no source'."""
    return source if source.startswith(status) else f"{status}: {source}"


class LimitSet(Mapping[str, Limit]):
    """The limits of one topic, by name. `limits.value("name")` gives the bare number; KeyError where there is none."""

    def __init__(self, limits: dict[str, Limit]) -> None:
        self._limits = dict(limits)

    def __getitem__(self, name: str) -> Limit:
        return self._limits[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._limits)

    def __len__(self) -> int:
        return len(self._limits)

    def value(self, name: str) -> float:
        return self._limits[name].value


def load(topic: str) -> LimitSet:
    """Read the limits of one topic (the name of its file without `.toml`)."""
    return _read((files(__package__) / f"{topic}.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=16)
def _read(text: str) -> LimitSet:
    """A file's limits; the same text is not taken apart twice, which for one topic takes 2 ms."""
    tables = tomllib.loads(text)
    return LimitSet({name: Limit(name=name, **table) for name, table in tables.items()})


def topics() -> list[str]:
    """Names of all topics, sorted."""
    return sorted(entry.name[:-5] for entry in files(__package__).iterdir() if entry.name.endswith(".toml"))
