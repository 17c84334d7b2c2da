"""The words of advice: what goes in and what comes out, frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from enginelog.limits import cited
from enginelog.limits.trade.cautions import Caution, of_machine
from enginelog.limits.trade.knowledge import Cause, Check, Question, Rule
from enginelog.model import Engine
from enginelog.model.wording import begun_small

Record = Mapping[str, Any]


@dataclass(frozen=True)
class Heard:
    """One run record (version 1, plain data) and how it ran, as told: cold, under load, no load, ..."""

    record: Record
    conditions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Situation:
    """All that is known. checks: pass, fail or not_checked by name of check; answers: by name of question.

    balance_rpm: of a balance test, the speed with all cylinders, then with each plug grounded in turn; () if not made.
    engine: as it was told of the machine; it counts where nothing was heard, for a recording tells of its own.
    """

    heard: tuple[Heard, ...] = ()
    checks: Mapping[str, str] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)
    balance_rpm: tuple[float, ...] = ()
    engine: Engine | None = None


@dataclass(frozen=True)
class Matched:
    """A rule that speaks, and the signs for which it does, in words."""

    rule: Rule
    because: tuple[str, ...]


@dataclass(frozen=True)
class Likely:
    """A cause that is left. rank: pointed_to (a failed check says so), likely, possible or seldom.

    because: what speaks for it, in words. checks: names of the open checks that bear on it.
    """

    cause: Cause
    rank: str
    because: tuple[str, ...]
    checks: tuple[str, ...] = ()


@dataclass(frozen=True)
class RuledOut:
    """A cause that is off the list, and why."""

    cause: Cause
    because: str


@dataclass(frozen=True)
class NextCheck:
    """A check worth making now. pass_rules_out, fail_points_to: of its causes those that are left or can be.

    machine: the kind it is made on (None: not told).
    """

    check: Check
    pass_rules_out: tuple[Cause, ...]
    fail_points_to: tuple[Cause, ...]
    machine: str | None = None

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """Its cautions, less those for other machines."""
        return of_machine(self.check.cautions, self.machine)


@dataclass(frozen=True)
class ValueLine:
    """A measured value against a limit. basis: `told` (data plate or manual, by its user) or `usual` for its kind.

    position: inside, above, below, near (its doubt holds the limit), not sure or not measured: where the value lies,
    never a verdict. outside: what is to be done where it lies outside, or may.
    """

    title: str
    value: str
    limit: str
    basis: str
    position: str
    status: str
    source: str
    outside: str

    @property
    def to_do(self) -> str:
        """What is to be done about it; empty where it lies inside or was not measured."""
        return self.outside if self.position in ("above", "below", "near") else ""

    @property
    def cited(self) -> str:
        """As `limits.cited`."""
        return cited(self.status, self.source)


@dataclass(frozen=True)
class Advice:
    """What follows.

    signs: what was found, in words. failed: checks that did.
    found: causes that a check has shown: put right first, then record again. by_elimination: those of them at which
    nobody looked: all else to which a failed check points is off the list.
    causes: what is left, the likeliest and cheapest first. checks: what to check next.
    questions: what only the user can answer. ask_first: what to read off the data plate.
    cannot: what sound cannot tell. balance: what a balance test came to, in words.
    values: measured against told and usual values. cautions: for this machine and these checks.
    """

    signs: tuple[str, ...]
    matched: tuple[Matched, ...]
    found: tuple[Cause, ...]
    causes: tuple[Likely, ...]
    ruled_out: tuple[RuledOut, ...]
    checks: tuple[NextCheck, ...]
    questions: tuple[Question, ...]
    ask_first: tuple[str, ...]
    cannot: tuple[str, ...]
    values: tuple[ValueLine, ...]
    cautions: tuple[Caution, ...]
    balance: str = ""
    failed: tuple[Check, ...] = ()
    by_elimination: tuple[Cause, ...] = ()

    @property
    def shown(self) -> tuple[Cause, ...]:
        """What a look at the part has shown."""
        return tuple(each for each in self.found if each not in self.by_elimination)

    @property
    def ended(self) -> str:
        """That nothing else is worth checking before what was found is put right; empty where it is."""
        if not any(each.ends for each in self.found):
            return ""
        return "Put it right, or give the machine up: no other check is worth making before that."

    @property
    def first(self) -> tuple[str, ...]:
        """What is said before all else, as it can hurt somebody: what rules of danger mean, and what a failed check
        of something that can hurt asks for."""
        means = [each.rule.means for each in self.matched if each.rule.danger]
        asked = [f"{check.title}, failed: {begun_small(check.if_fail)}" for check in self.failed if check.hurts]
        return tuple(dict.fromkeys((*means, *asked)))
