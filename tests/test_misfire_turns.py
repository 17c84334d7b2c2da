"""Lost firings in rows and in turns: how many of them are sure."""

from types import SimpleNamespace

import numpy as np
import pytest

from enginelog.findings.firing_verdicts import judge_misfire
from enginelog.findings.misfire import at_least, study_misfire
from enginelog.findings.patterns import Alternation, takes_turns, with_turns
from enginelog.limits import load
from enginelog.model import Engine, Firings, Span

LIMITS = load("findings")


def test_of_many_lost_in_a_row_only_a_part_is_sure():
    """The crank slows unheard: of 1, 5 and 10 in a row 1, 5 and 7 count at least."""
    lost = np.zeros(40, bool)
    lost[[2, *range(5, 10), *range(20, 30)]] = True
    assert at_least(lost) == 1 + 5 + 7
    assert at_least(np.zeros(5, bool)) == 0 and at_least(np.ones(3, bool)) == 3


def test_a_weak_turn_that_is_told_to_have_burned_stays_so():
    """Where strong and weak firings take turns an undecided weak one counts as lost, a surely fired one does not."""
    weak = np.arange(8) % 2 == 1
    probability = np.array([0.2, 0.9, 0.0, 0.01, 0.3, 0.4, 0.97, 0.9])
    assert with_turns(probability, Alternation(0.2, weak, True)).tolist() == [0, 1, 0, 0.01, 0, 1, 0.97, 1]


@pytest.mark.parametrize(("slots", "own"), [((1,), True), ((0, 1), False)])
def test_plainly_lost_ones_of_one_cylinder_are_said_to_be_its_own(slots, own):
    """More than 90 % of them in one place of the firing order: 13 CCR 1968.2(e)(3.1.3)."""
    n = 400
    slot, miss = np.arange(n) % 2, np.full(n, np.nan)
    miss[[k for k in range(20, 380, 10) for k in (k, k + 1) if slot[k] in slots]] = 0.98
    one, engine = np.ones(n), Engine(cylinders=2, firing_angles_deg=(0.0, 360.0))
    firings = Firings(np.arange(n) * 0.02, slot, one, one, miss, np.full(n, np.nan), 10 * one, 1.0 * np.arange(n))
    study = study_misfire(engine, firings, [Span("run", 0.0, 8.0)], LIMITS)
    assert study.summary.pattern == ("cylinder" if own else None) and study.summary.misfires is None
    found = judge_misfire(SimpleNamespace(engine=engine, misfire=study, too_loud=False), LIMITS)
    assert found.verdict == "watch" and ("belong to one cylinder" in found.text) is own


@pytest.mark.parametrize("cylinders", [1, 2])
def test_every_second_lost_is_taking_turns_and_chance_is_not(cylinders):
    """Of losses by chance with share s only (1 - s)^2 stand between two that fired; of every second nearly all do."""
    rng, n = np.random.default_rng(8), 600
    slot = np.arange(n) % cylinders
    turns = (np.arange(n) // cylinders) % 2 == 1
    assert takes_turns(slot, turns & (rng.random(n) < 0.9))
    assert not takes_turns(slot, rng.random(n) < 0.45)
    assert not takes_turns(slot, np.repeat(rng.random(n // 6) < 0.45, 6))


def test_one_cylinder_of_an_even_twin_does_not_take_turns():
    """Every second opportunity is lost, but of the same cylinder always."""
    slot = np.arange(400) % 2
    assert not takes_turns(slot, slot == 1)


@pytest.mark.parametrize(("apart", "pattern"), [(2, "every_second"), (5, None)])
def test_plainly_lost_ones_that_take_turns_are_said_to(apart, pattern):
    """No count is given where too little could be judged; that every second firing is lost stands beyond doubt."""
    n = 400
    miss = np.where(np.arange(n) % apart == 0, 0.98, 0.001)
    miss[:60] = np.nan
    one, engine = np.ones(n), Engine(strokes=2)
    firings = Firings(
        np.arange(n) * 0.02, np.zeros(n, int), one, one, miss, np.full(n, np.nan), 10 * one, np.arange(n) * 1.0
    )
    study = study_misfire(engine, firings, [Span("run", 0.0, 8.0)], LIMITS)
    assert study.summary.misfire_percent is None and study.summary.pattern == pattern
    found = judge_misfire(SimpleNamespace(engine=engine, misfire=study, too_loud=False), LIMITS)
    assert found.verdict == "watch" and ("in good health" in found.text) is (pattern is not None)
