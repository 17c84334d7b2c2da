"""What to check next after one run, in one order for summary, page and bench: the order of the rules (`advise`)."""

from __future__ import annotations

from enginelog.advice import NextCheck
from enginelog.model import Run
from enginelog.report import words
from enginelog.report.advice_page import advice_of

BAD = ("fault", "watch")


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
