"""The page's words for what was found: what each finding means, words explained, likely causes and next checks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from enginelog.advice.usual import ask_first
from enginelog.limits.trade import cautions, pages
from enginelog.limits.trade.cautions import Caution
from enginelog.limits.trade.pages import Term
from enginelog.model import Finding, Run
from enginelog.report import advising, words
from enginelog.report.by_rules import advice_of, plain_record
from enginelog.report.next_steps import next_steps
from enginelog.report.templates import template

MOST_CAUSES = 4
MOST_QUESTIONS = 3


def advice_section(run: Run, fields: Mapping[str, str] | None = None) -> Any:
    """The section on likely causes and next checks as markup; empty where there is nothing to say.

    fields: what the page that leads here calls the fields in which more can be told of the engine; the options of the
    command line are named where there is none.
    """
    from markupsafe import Markup

    if not run.quality.usable:
        return Markup("")
    found = advice_of(run)
    html = template("advice.html").render(
        advice=found,
        ask_first=found.ask_first if fields is None else ask_first(plain_record(run), fields),
        on_page=fields is not None,
        words=words,
        likely_words=advising.likely_words,
        check_results=advising.check_results,
        check_cautions=advising.check_cautions,
        positions=advising.POSITIONS,
        most_causes=MOST_CAUSES,
        steps=next_steps(run),
        most_questions=MOST_QUESTIONS,
    )
    return Markup(html)


def meaning(finding: Finding) -> str:
    """What a finding means, in a sentence or two; empty where there is no page on it."""
    found = pages.page(finding.code)
    return found.short if found else ""


class Explained:
    """Words explained so far on one page, so that each is explained once, where it first stands."""

    def __init__(self, known: Iterable[str] = ()) -> None:
        self._known = set(known)

    def new_in(self, *texts: str) -> tuple[Term, ...]:
        """The words in these texts that were not explained yet; they count as explained from here on."""
        found = pages.terms_in(" ".join(texts), self._known)
        self._known |= {term.name for term in found}
        return found


def machine_cautions(machine: str | None) -> tuple[Caution, ...]:
    """Cautions for a kind of machine beside the usual ones, and never to defeat a brake or a governor."""
    return tuple(each for each in cautions.for_machine(machine) if each.machines or each.name == "governor")
