"""A speed that was amiss and was put right, or that went wrong: another speed is then the answer, no obstacle.

Which speeds are amiss is the findings' to say (limits there); what is asked here is the project's own wish, no source.
"""

from dataclasses import replace

import pytest
import sim_tracks as sim

from enginelog import limits
from enginelog.compare import compare
from enginelog.compare.put_right import speed_turn
from enginelog.findings import judge
from enginelog.model import ClipInfo, Engine, Run

COMPARING = limits.load("compare")
MOWER = Engine(rated_rpm=2900.0, machine="mower")


def run(name: str, rpm: float, engine: Engine = MOWER, seed: int = 1, **changes) -> Run:
    case = sim.make(seed, sim.Scenario(seconds=24.0, rpm=rpm, engine=engine, **changes))
    cleaning = limits.load("findings")
    found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, cleaning)
    clip = ClipInfo(name, name * 8, 24.0, 48000, 1, "made up")
    return Run("0", "", clip, case.engine, case.quality, case.timeline, case.track, case.firings, found)


@pytest.fixture(scope="module")
def fast() -> Run:
    return run("fast", 3350.0)


@pytest.fixture(scope="module")
def right() -> Run:
    return run("right", 2903.0, seed=2)


def verdict_of(one: Run, code: str) -> str:
    return next(each.verdict for each in one.measures.findings if each.code == code)


def test_too_fast_put_right_is_the_answer_and_no_second_before_is_asked_for(fast, right):
    assert verdict_of(fast, "speed") == "fault" and verdict_of(right, "speed") == "ok"
    found = compare(fast, right)
    assert found.comparable and found.verdict == "better" and found.advice is None
    assert found.summary.startswith("It no longer runs too fast. Better: speed. ")
    assert "are not compared" in found.summary and [one.code for one in found.measures] == ["speed"]
    assert any("throttle as it stood" in note for note in found.notes)


def test_too_fast_now_is_worse(fast, right):
    found = compare(right, fast)
    assert found.comparable and found.verdict == "worse" and found.summary.startswith("It runs too fast now. ")


def test_a_slower_run_that_may_be_half_throttle_shows_nothing_put_right(fast):
    slow = run("slow", 2500.0, seed=2)
    found = compare(fast, slow)
    assert not found.comparable and "no longer" not in found.summary
    assert "do not repeat it" in found.advice and "Record both" not in found.advice


def test_a_blade_still_too_fast_is_not_put_right(fast, right):
    blade = replace(right.measures.findings[0], code="blade_speed", verdict="fault")
    still = replace(right, measures=replace(right.measures, findings=(*right.measures.findings, blade)))
    assert not compare(fast, still).comparable


def test_a_speed_that_is_not_sure_puts_nothing_right(fast, right):
    unsure = replace(right, measures=replace(right.measures, speed=replace(right.measures.speed, confidence=0.45)))
    assert not compare(fast, unsure).comparable


def changed(one: Run, verdict: str | None = None, **speed) -> Run:
    """The run with another speed, and its own finding on the speed judged so."""
    found = tuple(replace(each, verdict=verdict or each.verdict) if each.code == "speed" else each
                  for each in one.measures.findings)  # fmt: skip
    return replace(one, measures=replace(one.measures, findings=found, speed=replace(one.measures.speed, **speed)))


@pytest.mark.parametrize(
    "after",
    [{"or_rpm": 5806.0}, {"confidence": 0.45}, {"verdict": "unknown"}, {"verdict": "watch"}],
)
def test_only_a_sure_speed_that_was_judged_well_is_the_turn(fast, right, after):
    """By itself, whatever else refuses the comparison: another speed as likely, or no verdict, shows nothing."""
    assert speed_turn(fast, right, "better", COMPARING) == "It no longer runs too fast"
    assert speed_turn(fast, changed(right, **after), "better", COMPARING) == ""


def test_two_settings_without_a_fault_are_still_an_obstacle(right):
    found = compare(right, run("slow", 2300.0, seed=3))
    assert not found.comparable and found.advice.startswith("Record both at the same throttle setting")


def test_an_idle_put_right(right):
    engine = Engine(idle_rpm=1700.0, machine="mower")
    found = compare(run("high", 2150.0, engine), run("low", 1710.0, engine, seed=2))
    assert found.comparable and found.summary.startswith("It no longer idles too fast. ")


def test_near_enough_to_compare_all_of_it(right):
    """A generator repaired from 3317 to 3058 rpm: as before the rest is compared, and the answer says what is gone."""
    engine = Engine(rated_rpm=3000.0, machine="generator")
    found = compare(run("fast", 3317.0, engine), run("right", 3058.0, engine, seed=2))
    assert found.summary.startswith("It no longer runs too fast. Better: speed") and len(found.measures) > 3
    assert "are not compared" not in found.summary
