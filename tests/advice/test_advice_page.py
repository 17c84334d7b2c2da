"""The report page's section on causes and checks, the words it explains, and the cautions of the machine."""

import re
from dataclasses import replace

import make_runs
import pytest

from enginelog import report
from enginelog.advice import NextCheck
from enginelog.limits.trade import knowledge, pages
from enginelog.model import Finding
from enginelog.report import advising

MADE = {name: make() for name, make in make_runs.ALL.items() if name != "two_hours"}


@pytest.fixture(scope="module")
def texts():
    return {name: plain(report.to_html(run)) for name, run in MADE.items()}


def plain(html: str) -> str:
    return " ".join(re.sub(r"<(style|svg).*?</\1>|<[^>]+>", " ", html, flags=re.DOTALL).split())


@pytest.mark.parametrize("name", ["hunting_pump", "weak_twin", "settling_start", "every_second", "pulls_only"])
def test_causes_and_checks_stand_on_the_page(texts, name):
    text = texts[name]
    assert "Likely causes, and what to check next" in text and "never a verdict" in text and "manual" in text
    assert "If it passes:" in text and "If it fails:" in text and "Because:" in text and "Source:" in text


@pytest.mark.parametrize("name", ["unusable_clip", "talk_only", "nothing_known"])
def test_nothing_is_said_where_nothing_is_known(texts, name):
    assert "Likely causes" not in texts[name]


def test_what_a_danger_asks_for_stands_on_the_page():
    """The finding's own words say what is dangerous, not that the machine is not to be used."""
    run = MADE["healthy_generator"]
    fast = Finding("speed", "fault", "Too fast.", 3600.0, "rpm", 3150.0)
    run = replace(run, measures=replace(run.measures, findings=(fast,)))
    assert "Stop using it until the top speed has been set by the manual" in plain(report.to_html(run))


def test_each_bad_finding_says_what_it_means(texts):
    assert "What this means. The speed swings up and down at a steady rate" in texts["hunting_pump"]
    assert texts["healthy_generator"].count("What this means") == 0


@pytest.mark.parametrize("name", sorted(MADE))
def test_every_word_of_a_bad_finding_is_explained_once(texts, name):
    for finding in MADE[name].measures.findings:
        if finding.verdict in ("fault", "watch"):
            for term in pages.terms_in(finding.text):
                shown = term.text.rstrip(".")
                assert len(re.findall(re.escape(shown), texts[name], re.I)) >= 1, term.name


def test_usual_values_are_no_verdicts(texts):
    text = texts["weak_twin"]
    assert "Against what is told or usual" in text and "never a verdict" in text
    assert "3259 rpm (3459, less 200 margin)" in text  # US Army TM 5-4240-501-14P p. 143: 21 in 3456, here 533 mm


def test_the_cautions_of_the_machine_are_on_the_page(texts):
    assert "A generator's output kills" in texts["healthy_generator"].replace("&#39;", "'")
    assert "Saw chain" not in texts["healthy_generator"]
    assert all("Never defeat a brake, a governor" in text for text in texts.values())


def test_hostile_texts_stay_text():
    html = report.to_html(make_runs.hostile())
    assert "<script>alert" not in html and "\x1b" not in html and "\u202e" not in html


def test_an_odd_record_breaks_nothing():
    run = MADE["hunting_pump"]
    run = replace(run, engine=replace(run.engine, machine="brushcutter", cylinders=12))
    assert "Likely causes" in report.to_html(run)


def test_a_part_that_two_causes_lie_in_is_ruled_out_once():
    """'Rules out: valves; valves' was said of the check of both clearance and stem, when both lay in "valves"."""
    known = knowledge.load()
    check = known.checks["valves"]
    causes = tuple(replace(known.causes[name], place="valves") for name in check.pass_rules_out)
    assert len(causes) == 2
    passed, _ = advising.check_results(NextCheck(check, causes, ()))
    assert passed.split("Rules out: ")[1] == "valves."
