"""What can hurt in a run leads wherever the run is shown: headline, summary, report, bench page, job, hand-back.

Trade facts: a chain must stand still at idle (forestry training text; a clutch takes up at 3600 rpm by service data of
single chainsaws); a mower's blade must stand within 3.0 s (16 CFR 1205.5(a)(1)(iii)).
"""

import html
import re
from dataclasses import replace

import make_runs
import pytest
from test_dangers import FAST, SLOW, at, job, kept, saw

from enginelog import report
from enginelog.bench import answers
from enginelog.cli import job_text
from enginelog.model import Analysis, BenchCheck, Finding
from enginelog.report.handback_sheet import sheet
from enginelog.report.hurting import hurts_in, said_first
from enginelog.report.run_line import figures
from enginelog.store.figures import figures_of

GOOD = make_runs.healthy_generator().measures.findings
STILL = "It must stand still: do not use it until it does."
MISFIRES = Finding("misfire", "fault", "Firings are lost.", 9.0, "%", 2.0, "x", next=("spark plug: gap and deposits",))


def creeps(*findings: Finding):
    """A saw that idles at the speed at which its clutch takes up, with these findings or none amiss."""
    run = saw(1, "before", 3894.0).run
    return replace(run, measures=replace(run.measures, findings=(*findings, *GOOD)))


def too_fast(*findings: Finding):
    return kept(1, "before", FAST, *findings, rpm=4357.0).run


def slow_to_stop(*findings: Finding):
    return kept(1, "before", SLOW, *findings, *GOOD, machine="mower").run


def plain(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").split())


@pytest.mark.parametrize(
    ("run", "verdict", "said"),
    [
        (creeps(), "watch", "It ran, with something to watch that can hurt: idle near the clutch's speed"),
        (creeps(MISFIRES), "fault", "that can hurt: idle near the clutch's speed; a fault can be heard: misfires"),
        (too_fast(), "fault", "A fault that can hurt can be heard: too fast"),
        (too_fast(MISFIRES), "fault", "A fault that can hurt can be heard: too fast; also misfires"),
        (slow_to_stop(), "watch", "with something to watch that can hurt: perhaps slow to stand still"),
        (slow_to_stop(MISFIRES), "fault", "perhaps slow to stand still; a fault can be heard: misfires"),
    ],
    ids=["creeps", "creeps and misses", "races", "races and misses", "slow", "slow and misses"],
)
def test_it_is_named_first_in_the_headline_and_never_good(run, verdict, said):
    """'It ran, and no fault could be heard', of a saw whose chain may turn at idle."""
    top = report.headline(run)
    assert top.verdict == verdict and top.title.endswith(said)
    assert report.answer(run).text.startswith(top.title), "the list at the end of several recordings"


@pytest.mark.parametrize("run", [creeps(), too_fast(), slow_to_stop()], ids=["creeps", "races", "slow"])
def test_what_not_to_do_stands_right_under_the_answer(run):
    first = said_first(run)
    assert len(first) == len(hurts_in(run)) == 1
    lines = report.summary_lines(run)
    assert [line.kind for line in lines[:4]] == ["title", report.headline(run).verdict, "first", "blank"]
    assert lines[2].text == first[0] and lines[2].label == "First"
    page = report.to_html(run)
    banner, after = page.split('aria-label="The answer"')[1].split("</section>", 1)
    assert plain(after).startswith(f"First: {first[0]}")
    assert plain(page).count(first[0]) == 1, "said once"
    assert answers.answer(run).first == first


def test_of_a_run_in_which_nothing_can_hurt_nothing_stands_first():
    run = saw(1, "before", 2700.0).run
    assert report.headline(run).verdict == "ok" and not said_first(run) and not answers.answer(run).first
    assert "First" not in report.summary_text(run) and "First:" not in report.to_html(run)
    silent = replace(creeps(), timeline=make_runs.talk_only().timeline)
    assert not hurts_in(silent) and not hurts_in(make_runs.pulls_only()) and not hurts_in(make_runs.unusable_clip())


def test_the_hand_back_does_not_quote_it_as_well():
    text = sheet(job(saw(1, "before", 3894.0), saw(2, "after", 10400.0))).top.text
    assert "Before the work: it ran, with something to watch that can hurt: idle near the clutch's speed." in text


def test_a_job_s_list_does_not_call_it_well():
    """'nothing amiss heard' stood in the job's list beside 'do not use it'."""
    stored = saw(1, "before", 3894.0)
    stored = replace(stored, analysis=Analysis(1, at(5), "0.1.0", figures_of(stored.run)))
    assert figures(stored).endswith("; can hurt: idle near the clutch's speed")
    assert any(
        "can hurt: idle near" in line for line in job_text.job_lines(job(stored), report.suggestion(job(stored)))
    )
    assert "can hurt" not in figures(replace(stored, run=None)), "of earlier results, which are not whole"


RUN_IT = ("record a minute at steady throttle and load", "balance test by the manual", "measure with a tachometer")


@pytest.mark.parametrize("run", [creeps, too_fast, slow_to_stop])
def test_nobody_is_asked_to_run_it_once_more(run):
    """'Stop using it', and further down 'begin the recording before the first pull'."""
    more = replace(MISFIRES, next=(*MISFIRES.next, *RUN_IT[1:]))
    unknown = Finding("start", "unknown", "Cannot tell: x.", next=(RUN_IT[0], "tell the blade's length"))
    found = run(more, unknown)
    asked = [line.text for line in report.summary_lines(found) if line.kind == "next"]
    assert not [line for line in asked for step in RUN_IT if step in line]
    assert not [step for step in answers.answer(found).next if step in RUN_IT]
    page = plain(report.to_html(found))
    assert not [step for step in RUN_IT if step in page] and MISFIRES.next[0] in page


def test_where_it_was_perhaps_an_engine_nobody_is_asked_to_record_it_again():
    run = creeps()
    unsure = replace(run, timeline=replace(run.timeline, confidence=0.6))
    top = report.headline(unsure)
    assert top.title.startswith("Perhaps an engine, with something to watch that can hurt: idle near the clutch's")
    assert "record again" not in top.text and "Other sounds can be like this one." in top.text
    harmless = saw(1, "before", 2700.0).run
    again = report.headline(replace(harmless, timeline=replace(harmless.timeline, confidence=0.6))).text
    assert "Please record again" in again


@pytest.mark.parametrize("then", [("not_checked",), ("not_checked", "not_checked"), ("pass",), ("pass", "not_checked")])
def test_a_check_that_failed_stands_as_failed_where_it_is_skipped_later(then):
    """A bent blade, then a skip: no First, no Failed, and 'next: fuel in the tank' beside a hand-back that still said
    not to use it."""
    made = tuple(BenchCheck("blade", result, at(minute), "bent") for minute, result in enumerate(("fail", *then), 5))
    record = replace(job(), checks=made)
    found, stands = report.suggestion(record), "pass" not in then
    assert [line.startswith("Blade and what holds it, failed: do not run it") for line in found.first] == [
        True
    ] * stands
    assert [step.name for step in found.failed] == ["blade"] * stands
    assert (report.known_of(record).checks == {"blade": "fail"}) is stands
    assert bool(report.hand_back_questions(record)) is stands


def test_a_check_skipped_before_it_failed_failed():
    made = tuple(BenchCheck("blade", result, at(minute)) for minute, result in enumerate(("not_checked", "fail"), 5))
    assert report.known_of(replace(job(), checks=made)).checks == {"blade": "fail"}


@pytest.mark.parametrize(
    ("machine", "said"),
    [
        ("generator", "generator: live output, no back-feed"),
        ("pressure washer", "washer: jet cuts"),
        ("mower", "others and animals well away"),
    ],
)
def test_the_cautions_of_its_kind_stand_with_the_usual_ones(machine, said):
    """'Measure it with a meter', without a word of live sockets (CPSC, portable generator safety; the others common
    practice, no source)."""
    run = make_runs.healthy_generator()
    run = replace(run, engine=replace(run.engine, machine=machine))
    [care] = [line.text for line in report.summary_lines(run) if line.kind == "caution"]
    assert said in care and said in plain(report.to_html(run)).split("Take care:")[1].split("More below")[0]
    untold = replace(run, engine=replace(run.engine, machine=None))
    assert said not in report.summary_text(untold).replace("\n             ", " ")
