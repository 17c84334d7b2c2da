"""What to check next stands in one order wherever it is shown of a run: that of the rules, as `advise` has it."""

import html
import re

import make_runs
import pytest

from enginelog import report
from enginelog.advice import Heard, Situation, advise
from enginelog.bench import answers
from enginelog.limits.trade import knowledge
from enginelog.report import words
from enginelog.report.record import record

MADE = {name: make() for name, make in make_runs.ALL.items() if name not in ("two_hours", "hostile")}
ASKED = ("hunting_pump", "settling_start", "weak_twin", "every_second", "pulls_only")


def by_advise(run) -> list[str]:
    """Titles in the order of `enginelog advise` on the run's record."""
    return [each.check.title for each in advise(Situation((Heard(record(run)),))).checks]


def explained_by_advise(run) -> list[str]:
    """Titles of the checks of which the text of `enginelog advise` says how, what follows and with what care."""
    text = report.advice_text(advise(Situation((Heard(record(run)),))), 80).split("Check next")[1]
    parts = re.split(r"^  \d+\. ", text.split("\nQuestions")[0], flags=re.M)[1:]
    told = [part for part in parts if all(label in part for label in ("How ", "Pass ", "Fail ", "Take care"))]
    return [found[1] for part in told if (found := re.match(r"(.+?), about \d+ min", " ".join(part.split())))]


def by_summary(run) -> list[str]:
    """Titles as the summary of `check` numbers them."""
    texts = [line.text for line in report.summary_lines(run) if line.kind == "next"]
    return [found[1] for text in texts if (found := re.match(r"\d+\. (.+), about \d+ min$", text))]


def by_page(run) -> list[str]:
    section = report.to_html(run).split("<h3>What to check next</h3>")[1].split("</ol>")[0]
    return re.findall(r"<li><strong>(.+?)</strong>, about", section)


@pytest.mark.parametrize("name", ASKED)
def test_summary_page_bench_and_advise_agree(name):
    run = MADE[name]
    order = by_advise(run)
    shown = answers.answer(run)
    at_bench = [each.check.title for each in (*shown.checks, *shown.folded)]
    assert len(by_summary(run)) == min(5, len(order)) and len(by_page(run)) == min(5, len(order))
    assert by_summary(run) == by_page(run) == at_bench == explained_by_advise(run) == order[:5]


@pytest.mark.parametrize("name", sorted(MADE))
def test_the_page_holds_every_step_that_the_summary_names(name):
    run = MADE[name]
    named = [found[1] for line in report.summary_lines(run) if (found := re.match(r"\d+\. (.+)", line.text))]
    page = html.unescape(re.sub(r"<[^>]+>", "", report.to_html(run)))
    assert not [step for step in named if step not in page and words.sentence(step) not in page]
    how = {check.title: check.how for check in knowledge.load().checks.values()}
    assert all(how[title] in page for title in by_summary(run))


@pytest.mark.parametrize("name", ASKED)
def test_a_finding_numbers_nothing_beside_the_rules(name):
    cards = report.to_html(MADE[name]).split("<h2>What was found</h2>")[1].split('<section id="causes">')[0]
    assert "<ol>" not in cards
    assert "in no order" in cards or not any(one.next for one in MADE[name].measures.findings)


def test_where_the_rules_name_no_check_the_findings_do():
    run = make_runs.ALL["hostile"]()
    assert not by_advise(run) or not run.quality.usable
    named = [step for one in run.measures.findings for step in one.next]
    assert named and any(line.kind == "next" for line in report.summary_lines(run))
    assert "<ol>" in report.to_html(run) and answers.answer(run).next


@pytest.mark.parametrize("check", knowledge.load().checks.values(), ids=lambda each: each.name)
def test_a_check_is_explained_by_the_title_that_is_shown(check):
    assert f"Check: {check.title}, about {check.minutes} min" in " ".join(report.explain(check.title).split())
