"""What to check next after one run, in one order for summary, page and bench: the order of the rules (`advise`)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from enginelog.advice import MOST_STEPS, NextCheck
from enginelog.model import Run
from enginelog.report import words
from enginelog.report.by_rules import advice_of
from enginelog.report.hurting import hurts_in

BAD = ("fault", "watch")
RUNS_IT = re.compile(r"\b(record|recording|balance test|cold start|loaded|under load|tachometer)\b")


@dataclass(frozen=True)
class NextSteps:
    """What is to be done next, first of all `checks`, the rules' own, then `others` in words: MOST_STEPS of both
    together, so that no place names a step that another one leaves out."""

    checks: tuple[NextCheck, ...]
    others: tuple[str, ...]


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
    return allowed(run, dict.fromkeys(step for one in findings for step in one.next))


def allowed(run: Run, steps: Iterable[str]) -> tuple[str, ...]:
    """Of what findings name what may be done: where something that can hurt was heard, nothing for which it must run.
    Then the rules alone say whether and how it is run again."""
    return tuple(step for step in steps if not RUNS_IT.search(step)) if hurts_in(run) else tuple(steps)
