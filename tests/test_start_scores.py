"""Scores of starting and stopping: worked out by hand."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from enginelog import synthesis
from enginelog.model import Engine, Pop, Span, Timeline
from enginelog.synthesis import PullTruth

sys.path.append(str(Path(__file__).resolve().parents[1] / "scripts"))

import accuracy_pulls  # noqa: E402
import accuracy_timeline  # noqa: E402

PULLS = (PullTruth(1.0, 2.0, 500.0, 3), PullTruth(4.0, 4.5, 500.0, 2))
SPANS = tuple(
    Span(kind, begin_s, end_s)
    for kind, begin_s, end_s in (
        ("pull", 1.0, 2.0), ("quiet", 2.0, 4.0), ("pull", 4.0, 4.5), ("run", 4.5, 15.0), ("rundown", 15.0, 18.0)
    )
)  # fmt: skip
TRUTH = replace(
    synthesis.nothing(20.0),
    engine_heard=True,
    spans=SPANS,
    pulls=PULLS,
    run_start_s=4.5,
    cut_s=15.0,
    rundown_s=3.0,
    pops=(15.5,),
)
FOUND = Timeline(True, 0.9, (), 2, start_s=4.7, cut_s=15.2, rundown_s=3.4, pops=(Pop(15.5, 12.0, "after_cut"),))


def test_each_claim_is_right_wrong_or_withheld():
    right = dict.fromkeys(("heard", "pulls", "least", "start", "cut", "run-down", "bangs"), True)
    assert accuracy_timeline.judged(FOUND, TRUTH) == right
    off = replace(
        FOUND, pulls=3, start_s=4.9, cut_s=14.6, rundown_s=3.6, pops=(*FOUND.pops, Pop(16.5, 9.0, "after_cut"))
    )
    assert accuracy_timeline.judged(off, TRUTH) == {**dict.fromkeys(right, False), "heard": True}
    few = replace(FOUND, pulls=4, pulls_low=2, pulls_reason="doubtful")
    assert accuracy_timeline.judged(few, TRUTH) == {**right, "pulls": None}
    assert accuracy_timeline.judged(replace(few, pulls_low=3), TRUTH)["least"] is False
    silent = replace(FOUND, pulls_reason="doubtful", start_s=None, cut_s=None, rundown_s=None)
    withheld = dict.fromkeys(("pulls", "start", "cut", "run-down"))
    assert accuracy_timeline.judged(replace(FOUND, pops=()), TRUTH) == {**right, "bangs": None}
    assert accuracy_timeline.judged(silent, TRUTH) == {**right, **withheld}


def test_pulls_are_counted_of_the_last_start():
    """A run of 3 s and more ends the count (`sustained_run_s`); a shorter one is a false start of the same."""
    for ran_s, pulls in ((5.0, 1), (2.0, 2)):
        first = (Span("pull", 0.0, 0.5), Span("run", 0.5, 0.5 + ran_s), Span("rundown", 0.5 + ran_s, 7.0))
        again = (Span("pull", 8.0, 8.5), Span("run", 8.5, 15.0), Span("pull", 17.0, 17.5))
        assert accuracy_timeline.pulls_of_start(replace(TRUTH, spans=(*first, *again))) == pulls


def test_what_is_told_of_nothing_is_wrong_and_what_is_not_there_is_not_asked():
    nothing = synthesis.nothing(20.0)
    assert accuracy_timeline.judged(Timeline(False, 0.9, ()), nothing) == {"heard": True, "pulls": True, "least": True}
    told = accuracy_timeline.judged(replace(FOUND, pulls=0, pops=()), nothing)
    assert told == {"heard": False, "pulls": True, "least": True, "start": False, "cut": False, "run-down": False}


def test_a_row_counts_told_right_and_wrong():
    """Ten recordings, eight with the thing: four told rightly, one wrongly, three withheld."""
    columns = accuracy_timeline.row("start", [True] * 4 + [False] + [None] * 3, 10)[44:].split()
    assert columns == ["8", "62.5", "80.0", "10.0", "50.0"]


@pytest.mark.parametrize(("angles", "strokes"), [((0.0,), 4), ((0.0, 270.0), 4), ((0.0,), 2)])
def test_the_true_speed_of_a_pull_is_that_between_its_strokes(angles, strokes):
    """At 600 turns a minute, whatever the layout; with fewer than two intervals there is none."""
    t = np.arange(0, 3, 0.005)
    truth = replace(synthesis.nothing(3.0), t_s=t, turns=10.0 * t)
    engine = Engine(strokes, len(angles), angles)
    assert accuracy_pulls.between_strokes_rpm(truth, engine, 1.0, 2.0) == pytest.approx(600.0, rel=0.01)
    assert np.isnan(accuracy_pulls.between_strokes_rpm(truth, engine, 1.0, 1.1))


def test_a_late_start_is_the_same_one_later():
    made = accuracy_timeline.pulled_late(accuracy_timeline.Case(5, "mower", "ordinary", accuracy_timeline.LATE))
    usual = synthesis.random_scenario(5, "mower", "ordinary", "start")
    later_s = {round(pull.at_s - other.at_s, 6) for pull, other in zip(made.pulls, usual.pulls, strict=True)}
    assert len(later_s) == 1 and 5.0 < later_s.pop() < 40.0
    assert made.seconds - usual.seconds == pytest.approx(made.pulls[0].at_s - usual.pulls[0].at_s)
