"""Pages on the findings, and the words of the trade: read from pages.toml and terms.toml."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from enginelog.limits.trade import reading


@dataclass(frozen=True)
class Page:
    """What a finding is: short for the report, the rest for who asks. rules: those that go on from here."""

    name: str
    title: str
    short: str
    text: str
    good: str
    bad: str
    cannot: str
    rules: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Term:
    """A word and what it means; seen_as: patterns by which it is found (none: its name)."""

    name: str
    text: str
    seen_as: tuple[str, ...] = ()

    @property
    def patterns(self) -> tuple[str, ...]:
        return self.seen_as or (rf"\b{re.escape(self.name)}\b",)

    def place_in(self, text: str) -> int | None:
        """Where the word first stands in a text; None where it does not."""
        found = [hit.start() for pattern in self.patterns if (hit := re.search(pattern, text, re.I))]
        return min(found) if found else None


@cache
def pages() -> dict[str, Page]:
    """All pages by the code of their finding."""
    return reading.by_name(Page, reading.tables(reading.own_text("pages.toml"), "pages.toml", ("page",)))


@cache
def terms() -> dict[str, Term]:
    """All words by name."""
    return reading.by_name(Term, reading.tables(reading.own_text("terms.toml"), "terms.toml", ("term",)))


def page(code: str) -> Page | None:
    """The page on a finding; None where there is none."""
    return pages().get(code)


def terms_in(text: str, known: Iterable[str] = ()) -> tuple[Term, ...]:
    """The words in a text that are not among `known`, in the order in which they stand in it."""
    skip = set(known)
    places = {term: place for term in terms().values() if (place := term.place_in(text)) is not None}
    return tuple(term for term in sorted(places, key=places.__getitem__) if term.name not in skip)
