"""Cautions by machine and test, and the reader that refuses advice against them.

cautions() -> tuple of Caution        for_machine("saw", "idle") -> those that apply
contradictions(text) -> what in a text goes against which caution
exposures("saw") -> how long one may be near such a machine unprotected
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from enginelog.limits.trade import formulas, reading

# What forbids: anywhere before what the sentence speaks of, or (the weaker words) with no comma between.
_FORBIDS = re.compile(r"\b(never|do not|don't|must not|nobody|cannot|there must be no)\b", re.I)
_DENIES = re.compile(r"\b(not|nothing|do without|avoid|wrong to)\b[^,]*$", re.I)
_WARNS = re.compile(r"\b(tampering|overcome|kills?|illegal)\b", re.I)
_SENTENCE = re.compile(r"(?<=[.!?;:])\s+|\n+")


@dataclass(frozen=True)
class Caution:
    """One caution. machines, tests: what it is for (empty: all). needed_where, never: patterns, see cautions.toml."""

    name: str
    title: str
    short: str
    text: str
    source: str
    machines: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()
    needed_where: tuple[str, ...] = ()
    never: tuple[str, ...] = ()

    def applies(self, machine: str | None, test: str | None = None) -> bool:
        """True where it is for this machine and test; what is not told is taken as fitting only general cautions."""
        fits_machine = not self.machines or machine in self.machines
        return fits_machine and (not self.tests or test is None or test in self.tests)


@dataclass(frozen=True)
class Exposure:
    """How long one may be near a machine unprotected in a day, by one rule, at its typical level."""

    machine: str
    level_dba: float
    minutes: float
    rule: str
    source: str


@dataclass(frozen=True)
class NoiseRule:
    """T = 8 h / 2^((L - base) / exchange)."""

    name: str
    title: str
    base: float
    exchange: float
    source: str

    def hours(self, level_dba: float) -> float:
        """Longest time in a day at this level."""
        return formulas.exposure_h(level_dba, self.base, self.exchange)


@dataclass(frozen=True)
class NoiseLevel:
    """Typical level of a kind of machine at its user's ear."""

    machine: str
    dba: float
    source: str


@cache
def cautions() -> tuple[Caution, ...]:
    """All cautions, in the order in which they are shown."""
    found = reading.tables(reading.own_text("cautions.toml"), "cautions.toml", ("caution",))
    return tuple(reading.by_name(Caution, found).values())


def caution_named(name: str) -> Caution:
    """The caution of this name; KeyError where there is none."""
    return {caution.name: caution for caution in cautions()}[name]


def of_machine(names: Iterable[str], machine: str | None) -> tuple[Caution, ...]:
    """The cautions of these names, less those for other machines; all of them where no machine is told."""
    named = map(caution_named, names)
    return tuple(each for each in named if machine is None or each.applies(machine))


def in_short(found: Iterable[Caution]) -> str:
    """Cautions on one line, each said once: 'goggles' not again beside 'cleaners: outdoors, gloves, goggles'."""
    short = list(dict.fromkeys(each.short for each in found))
    parts = {each: re.split(r"[:,] ", each)[1:] for each in short}
    return "; ".join(each for each in short if not any(each in parts[other] for other in short if other != each))


def for_machine(machine: str | None, test: str | None = None) -> tuple[Caution, ...]:
    """The cautions for a kind of machine (None: the general ones) and a test (None: all tests)."""
    return tuple(caution for caution in cautions() if caution.applies(machine, test))


def contradictions(text: str) -> tuple[str, ...]:
    """What in a text contradicts a caution: `NAME: the sentence`, one entry a sentence and caution.

    A sentence counts where it matches a pattern of `never`, unless it forbids it or warns of what comes of it.
    """
    found = []
    for sentence in _SENTENCE.split(text):
        for caution in cautions():
            hits = (re.search(pattern, sentence, re.I) for pattern in caution.never)
            if any(hit and not _forbidden(sentence, hit.end()) for hit in hits):
                found.append(f"{caution.name}: {sentence.strip()}")
    return tuple(found)


def _forbidden(sentence: str, end: int) -> bool:
    """True where the sentence forbids what it has spoken of up to `end`, or tells what comes of it."""
    before = sentence[:end]
    return bool(_FORBIDS.search(before) or _DENIES.search(before) or _WARNS.search(sentence))


def needed(text: str) -> tuple[str, ...]:
    """Names of the cautions a check with this text must carry."""
    return tuple(
        caution.name
        for caution in cautions()
        if any(re.search(pattern, text, re.I) for pattern in caution.needed_where)
    )


@cache
def noise() -> tuple[tuple[NoiseRule, ...], tuple[NoiseLevel, ...]]:
    """The published rules, and typical levels."""
    found = reading.tables(reading.own_text("noise.toml"), "noise.toml", ("rule", "level"))
    rules = tuple(reading.build(NoiseRule, table) for table in found if table.kind == "rule")
    return rules, tuple(reading.build(NoiseLevel, table) for table in found if table.kind == "level")


def exposures(machine: str | None) -> tuple[Exposure, ...]:
    """Longest time near such a machine unprotected, by each rule; empty where no typical level is on record."""
    rules, levels = noise()
    return tuple(
        Exposure(level.machine, level.dba, 60 * rule.hours(level.dba), rule.title, f"{rule.source}; {level.source}")
        for level in levels
        if level.machine == machine
        for rule in rules
    )
