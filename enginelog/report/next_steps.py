"""What to check next after one run, in one order for summary, page and bench: the order of the rules (`advise`)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from enginelog.advice import MOST_STEPS, Advice, Heard, NextCheck, Situation, advise
from enginelog.model import Run, Track
from enginelog.report import words
from enginelog.report.record import record

BAD = ("fault", "watch")
NO_TRACK = Track(*[np.empty(0)] * 4)


@dataclass(frozen=True)
class NextSteps:
    """What is to be done next, first of all `checks`, the rules' own, then `others` in words: MOST_STEPS of both
    together, so that no place names a step that another one leaves out."""

    checks: tuple[NextCheck, ...]
    others: tuple[str, ...]


def plain_record(run: Run) -> dict[str, Any]:
    """The run's record without its track, which no rule asks for."""
    return record(replace(run, track=NO_TRACK))


def advice_of(run: Run) -> Advice:
    """What follows from one run by itself."""
    return advise(Situation((Heard(plain_record(run)),)))


def next_steps(run: Run) -> NextSteps:
    """The same few steps for the summary, which names them, and the page, which says how."""
    asked = asked_checks(run)
    checks = asked[:MOST_STEPS]
    return NextSteps(checks, named_by_findings(run, asked)[: MOST_STEPS - len(checks)])


def asked_checks(run: Run) -> tuple[NextCheck, ...]:
    """The checks the rules ask for, in their order; none of a recording that is not usable."""
    return advice_of(run).checks if run.quality.usable else ()


def check_line(each: NextCheck) -> str:
    """A check in a few words, with what it costs."""
    return f"{each.check.title}, about {each.check.minutes} min"


def named_by_findings(run: Run, asked: tuple[NextCheck, ...]) -> tuple[str, ...]:
    """What findings name beside `asked`, the rules' checks: what else to tell or record, of what cannot be told.

    What bad ones name stands in no order of cost or of danger, and knows nothing of the machine: it counts only where
    the rules name no check.
    """
    findings = [one for one in words.ranked(run.measures.findings) if not asked or one.verdict not in BAD]
    return tuple(dict.fromkeys(step for one in findings for step in one.next))
