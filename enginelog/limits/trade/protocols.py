"""How to record each kind of test: read from protocols.toml."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from enginelog.limits.trade import cautions, formulas, reading
from enginelog.limits.trade.machines import KINDS

NEEDS = ("start", "run", "idle", "top", "load", "rundown")


@dataclass(frozen=True)
class ToRecord:
    """One recording to make. least_seconds, revolutions: how long it must run, the longer counts.

    needs: what must be heard in it (NEEDS). machines, not_machines: kinds it is for, or not for.
    """

    name: str
    title: str
    why: str
    how: str
    least_seconds: float
    revolutions: float
    needs: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    machines: tuple[str, ...] = ()
    not_machines: tuple[str, ...] = ()

    def seconds(self, rpm: float | None) -> float:
        """How long it must run at this speed, whole seconds: for so many revolutions, and not less than the least."""
        turns = formulas.seconds_for(self.revolutions, rpm) if rpm and self.revolutions else 0.0
        return float(max(self.least_seconds, -(-turns // 1)))


@dataclass(frozen=True)
class Hint:
    """One thing about the phone."""

    name: str
    text: str
    source: str


@cache
def _read() -> tuple[tuple[ToRecord, ...], tuple[Hint, ...]]:
    found = reading.tables(reading.own_text("protocols.toml"), "protocols.toml", ("test", "phone"))
    known = {caution.name for caution in cautions.cautions()}
    tests = []
    for table in (table for table in found if table.kind == "test"):
        test = reading.build(ToRecord, table)
        for key, names, allowed in (
            ("needs", test.needs, NEEDS),
            ("machines", (*test.machines, *test.not_machines), KINDS),
            ("cautions", test.cautions, tuple(known)),
        ):
            if set(names) - set(allowed):
                raise table.wrong(f"'{key}' names what is not known; known: {', '.join(allowed)}", key)
        tests.append(test)
    return tuple(tests), tuple(reading.build(Hint, table) for table in found if table.kind == "phone")


def tests(machine: str | None = None) -> tuple[ToRecord, ...]:
    """The recordings to make of a kind of machine, in order; None: those for every kind."""
    return tuple(
        test
        for test in _read()[0]
        if machine not in test.not_machines and (not test.machines or machine in test.machines)
    )


def hints() -> tuple[Hint, ...]:
    """Where to put the phone and how to set it."""
    return _read()[1]
