"""A finding's card shows its figure to the digits of its sentence: two figures for one thing make both doubted."""

import re
from dataclasses import replace

import make_runs
import pytest
import sim_tracks as sim

from enginelog import limits, report
from enginelog.findings import judge
from enginelog.model import Finding, LoadStep, Pop
from enginelog.report import facts, words
from enginelog.report.judged import judged

LIMITS = limits.load("findings")


def said(value: float, unit: str, text: str) -> str:
    return words.measured(Finding("hunting", "watch", text, value, unit)).replace(words.GAP, " ")


@pytest.mark.parametrize(
    ("value", "unit", "text", "shown"),
    [
        (6.4512, "%", "speed swings by 190 rpm (6.5 %) peak to peak", "6.5 %"),
        (12.34, "%", "speed swings by 370 rpm (12.3 %) peak to peak", "12.3 %"),
        (9.882, "%", "41 of 415 firings lost: 9.9 %", "9.9 %"),
        (2.51, "%", "a band 2.51 % wide", "2.51 %"),
        (0.4996, "%", "a band 0.500 % wide", "0.500 %"),
        (5.0, "s", "settled after 5.0 s", "5.0 s"),
        (3358.2, "rpm", "highest held for a second 3358 rpm", "3358 rpm"),
        (6.4512, "%", "Swings, between 16.5 % and 6.53 %.", "6.45 %"),  # said nowhere: as any number
        (2.0, "pops", "2 bangs beside the regular firing", "2 bangs"),
        (1.0, "pops", "1 bang beside the regular firing", "1 bang"),
        (1.0, "pulls", "1 pull of the starter heard", "1 pull"),
    ],
)
def test_a_figure_has_the_digits_of_its_sentence(value, unit, text, shown):
    assert said(value, unit, text) == shown


def test_a_figure_that_is_not_there_is_not_shown():
    assert words.measured(Finding("hunting", "unknown", "Cannot tell: too short.")) == ""


@pytest.mark.parametrize(
    "case",
    [
        sim.make(21, sim.Scenario(seconds=30.0, hunt_hz=0.8, hunt_swing_percent=6.0)),
        sim.make(6, sim.Scenario(seconds=40.0, rough_s=6.0, rough_share=0.3, snr_db=26.0)),
        sim.make(43, sim.Scenario(seconds=30.0, miss_share=0.2)),
    ],
    ids=["hunting", "rough start", "misfires"],
)
def test_the_figures_of_judged_runs_stand_in_their_sentences(case):
    parts = (case.engine, case.quality, case.timeline, case.speed, case.track, case.firings)
    findings = [f for f in judge(*parts, LIMITS).findings if f.value is not None and f.verdict != "unknown"]
    shown = {f.code: words.measured(f).replace(words.GAP, " ") for f in findings if f.unit in ("%", "s", "rpm", "Hz")}
    assert {"misfire", "timing", "steadiness"} <= set(shown)
    told = {f.code: f.text for f in findings}
    unsaid = [code for code, figure in shown.items() if not re.search(rf"(?<![\d.]){re.escape(figure)}", told[code])]
    assert set(unsaid) <= {"misfire"} and (not unsaid or told["misfire"].startswith("None of"))


def test_the_page_shows_them_so():
    run = make_runs.hunting_pump()
    [hunting] = [f for f in run.measures.findings if f.code == "hunting"]
    assert f"Measured {words.measured(hunting)}" in report.to_html(run)


def test_the_table_says_the_band_to_the_digits_of_its_finding():
    run = make_runs.healthy_generator()
    speed = replace(run.measures.speed, band_percent=7.0365)
    wide = Finding("steadiness", "watch", "Stays within a band 7.0 % wide.", 7.0365, "%", 2.5, "ISO 8528-5")
    told = replace(run, measures=replace(run.measures, speed=speed, findings=(wide,)))
    assert facts.steadiness(told).value == f"within a band 7.0{words.GAP}% wide"


def test_the_table_says_no_value_twice():
    """A swing stands in rpm and behind it in per cent, which is what is judged; of a load's dip and droop, both in per
    cent, it is said which one is."""
    run = make_runs.hunting_pump()
    found = [f for f in run.measures.findings if f.code == "hunting"]
    assert judged(run, facts.hunting(run), found[0]) == ""
    droop = Finding("load", "watch", "Droop 6.0 %.", 6.0, "%", 5.0, "chosen")
    step = replace(run, measures=replace(run.measures, loads=(LoadStep(5.0, 9.0, 6.0, 1.0),), findings=(droop,)))
    assert "judged: 6" in judged(step, facts.loads(step), droop)


def test_bangs_of_one_place_are_said_together():
    run = make_runs.healthy_generator()
    at = [Pop(9.51, 10.0, "after_cut"), Pop(9.78, 12.0, "after_cut")]
    line = replace(run.timeline, pops=tuple(at))
    said = facts.pops(replace(run, timeline=line))
    assert said.behind.replace(words.GAP, " ") == "after ignition off at 9.5 s and 9.8 s"
    line = replace(line, pops=(Pop(2.0, 9.0, "running"), *at, at[0]))
    said = facts.pops(replace(run, timeline=line))
    told = "while running at 2.0 s; after ignition off at 9.5 s and 9.8 s and more"
    assert said.behind.replace(words.GAP, " ") == told


def test_a_speed_near_the_idle_speed_told_is_held_against_that():
    """A saw at idle read "63 % below the rated 10500" beside "Idles at 3894 rpm, 44.2 % above the told 2700"."""
    run = make_runs.healthy_generator()
    rpm = run.measures.speed.rpm

    def beside(**told):
        return facts.speed(replace(run, engine=replace(run.engine, alternator_poles=None, **told))).behind.replace(
            words.GAP, " "
        )

    assert "45 % above the idle" in beside(rated_rpm=4 * rpm, idle_rpm=rpm / 1.45)
    assert "rated" not in beside(rated_rpm=4 * rpm, idle_rpm=rpm / 1.45)
    assert "5 % below the rated" in beside(rated_rpm=rpm / 0.95, idle_rpm=rpm / 2)
    assert "idle" not in beside(rated_rpm=rpm / 0.95, idle_rpm=rpm / 2)
    assert "45 % below the rated" in beside(rated_rpm=rpm / 0.55, idle_rpm=None)
