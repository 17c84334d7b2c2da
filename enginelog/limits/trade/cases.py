"""Worked cases from take-in to the next check, read from cases.toml."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from enginelog.limits.trade import reading


@dataclass(frozen=True)
class CaseStep:
    """What was told or checked, the likeliest cause after it, the next check, and what happened in words."""

    told: tuple[str, ...]
    first: str
    next: str
    said: str


@dataclass(frozen=True)
class Case:
    """One machine from take-in to the end. heard: signs found in its recordings."""

    name: str
    title: str
    machine: str
    complaint: str
    heard: tuple[str, ...]
    steps: tuple[CaseStep, ...]
    ending: str
    strokes: int = 4
    cylinders: int = 1


@cache
def cases() -> dict[str, Case]:
    """All cases by name."""
    return reading.by_name(Case, reading.tables(reading.own_text("cases.toml"), "cases.toml", ("case",)))
