"""Usual values by kind of machine, read from machines.toml: defaults to hold a reading against, never a verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

from enginelog import limits
from enginelog.limits import STATUSES, cited
from enginelog.limits.trade import reading
from enginelog.limits.trade.reading import Table
from enginelog.model.telling import MACHINES
from enginelog.model.wording import as_told

KINDS = MACHINES
QUANTITIES = {
    "idle": "Idle speed",
    "top": "Speed without load",
    "full_load": "Speed at full load",
    "clutch": "Clutch takes up at",
    "clutch_margin": "Idle below the clutch by",
    "tip_speed": "Blade tip speed",
    "tip_margin": "Speed below the blade's limit by",
    "blade_stop": "Blade stop",
    "droop": "Droop",
    "frequency_50": "Frequency of a 50 Hz set",
    "frequency_60": "Frequency of a 60 Hz set",
    "slow_top": "Below the rated speed by",
    "sure_speed": "Confidence of the speed",
}


@dataclass(frozen=True)
class Usual:
    """One usual value: a window from `low` to `high`, either of which may be missing.

    told_by: option by which the user's own value replaces it. outside: what it means to lie outside. near: what
    is to be done where the doubt of the value holds the limit, empty where that is the same.
    """

    machine: str
    quantity: str
    unit: str
    meaning: str
    status: str
    source: str
    outside: str
    low: float | None = None
    high: float | None = None
    told_by: str = ""
    near: str = ""

    @property
    def cited(self) -> str:
        """As `limits.cited`."""
        return cited(self.status, self.source)

    @property
    def title(self) -> str:
        return QUANTITIES[self.quantity]

    @property
    def window(self) -> str:
        """The window in words: `1700 to 2000 rpm`, `at most 8 %`, `from 3600 rpm`; a share is `from 0.5 of 1`."""
        ends = " to ".join(as_told(end) for end in (self.low, self.high) if end is not None)
        lead = "at most " if self.low is None else "from " if self.high is None else ""
        return f"{lead}{ends} {'of 1' if self.unit == '1' else self.unit}"


def _with_ends(table: Table) -> Table:
    """The entry with the number of each end that is a limit of the findings."""
    named = {end: table.values[f"{end}_from"] for end in ("low", "high") if f"{end}_from" in table.values}
    known = limits.load("findings")
    for end, name in named.items():
        if end in table.values or name not in known:
            raise table.wrong(f"'{end}_from' is no limit of the findings, or stands beside '{end}'", f"{end}_from")
    rest = {key: value for key, value in table.values.items() if not key.endswith("_from")}
    return replace(table, values=rest | {end: known.value(name) for end, name in named.items()})


@cache
def values() -> tuple[Usual, ...]:
    """All usual values in the order of the file. TradeFileError where one is of no known kind, quantity or status."""
    made = []
    for table in reading.tables(reading.own_text("machines.toml"), "machines.toml", ("value",)):
        value = reading.build(Usual, _with_ends(table))
        for name, given, known in (
            ("machine", value.machine, (*KINDS, "any")),
            ("quantity", value.quantity, tuple(QUANTITIES)),
            ("status", value.status, STATUSES),
        ):
            if given not in known:
                raise table.wrong(f"'{name}' is '{given}', one of {', '.join(known)} expected", name)
        if value.low is None and value.high is None:
            raise table.wrong("neither 'low' nor 'high' is given")
        made.append(value)
    return tuple(made)


def usual(machine: str | None, quantity: str) -> Usual | None:
    """The usual value for a kind of machine, else the general one, else None."""
    found = {value.machine: value for value in values() if value.quantity == quantity}
    return found.get(machine or "any") or found.get("any")


def for_kind(machine: str) -> tuple[Usual, ...]:
    """All values of one kind, the general ones last where the kind has none of its own."""
    own = tuple(value for value in values() if value.machine == machine)
    held = {value.quantity for value in own}
    return own + tuple(value for value in values() if value.machine == "any" and value.quantity not in held)
