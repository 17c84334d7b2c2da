"""What a speed that was put right is claimed on, and what the distance from a told speed counts for.

How sure is sure enough, and how far is near enough, is the project's own choice (limits/compare.toml), no source.
"""

from dataclasses import replace

import pytest
import sim_tracks as sim

from enginelog import limits
from enginelog.compare import compare
from enginelog.compare.judging import _towards
from enginelog.compare.put_right import speed_turn
from enginelog.findings import judge
from enginelog.model import ClipInfo, Engine, Run

MOWER = Engine(rated_rpm=2900.0, machine="mower")
LIMITS = limits.load("compare")


def run(name: str, rpm: float, seed: int) -> Run:
    case = sim.make(seed, sim.Scenario(seconds=24.0, rpm=rpm, engine=MOWER))
    parts = (case.engine, case.quality, case.timeline, case.speed, case.track, case.firings)
    found = judge(*parts, limits.load("findings"))
    clip = ClipInfo(name, name * 8, 24.0, 48000, 1, "made up")
    return Run("0", "", clip, case.engine, case.quality, case.timeline, case.track, case.firings, found)


@pytest.fixture(scope="module")
def fast() -> Run:
    return run("fast", 3350.0, 1)


@pytest.fixture(scope="module")
def right() -> Run:
    return run("right", 2903.0, 2)


def judged(one: Run, code: str, verdict: str) -> Run:
    """The same run with this verdict of one finding."""
    found = tuple(replace(each, verdict=verdict) if each.code == code else each for each in one.measures.findings)
    return replace(one, measures=replace(one.measures, findings=found))


def test_what_was_amiss_and_is_not_judged_now_is_not_put_right(fast, right):
    """'It no longer runs too fast' says that it is safe: what nobody could judge is not."""
    assert speed_turn(fast, right, "better", LIMITS) == "It no longer runs too fast"
    assert speed_turn(fast, judged(right, "speed", "unknown"), "better", LIMITS) == ""
    assert "no longer" not in compare(fast, judged(right, "speed", "unknown")).summary


def test_a_blade_that_was_too_fast_and_was_not_judged_after_is_not_put_right(fast, right):
    """Its length was told before the work and not after it, say."""
    blade = replace(fast.measures.findings[0], code="blade_speed", verdict="fault")
    bad = replace(fast, measures=replace(fast.measures, findings=(*fast.measures.findings, blade)))
    assert speed_turn(bad, right, "better", LIMITS) == ""
    well = replace(
        right, measures=replace(right.measures, findings=(*right.measures.findings, replace(blade, verdict="ok")))
    )
    assert speed_turn(bad, well, "better", LIMITS) == "It no longer runs too fast"


@pytest.mark.parametrize("which", ["before", "after"])
def test_a_speed_that_may_as_well_be_twice_that_puts_nothing_right(fast, right, which):
    sides = {"before": fast, "after": right}
    one = sides[which]
    speed = replace(one.measures.speed, or_rpm=2 * one.measures.speed.rpm)
    sides[which] = replace(one, measures=replace(one.measures, speed=speed))
    assert speed_turn(sides["before"], sides["after"], "better", LIMITS) == ""


@pytest.mark.parametrize(
    ("first", "second", "verdict"),
    [
        (1.045, 1.0, "changed"),
        (0.955, 1.045, "changed"),
        (1.1, 1.0, "better"),
        (1.0, 1.1, "worse"),
        (1.06, 1.0, "changed"),
    ],
)
def test_within_what_counts_as_right_nearer_is_not_better(first, second, verdict):
    """5 % about the told speed counts as right, and 2 % beyond it is the least that counts (limits/compare.toml)."""
    assert _towards(MOWER, first * 2900.0, second * 2900.0, LIMITS) == verdict


def test_one_recording_heard_as_two_engines_is_not_turned_away_as_the_same(right):
    """Checked once more with other things told it is another analysis: what differs is said instead."""
    other = replace(right, engine=replace(right.engine, strokes=2))
    assert "the same recording" in (compare(right, right).reason or "")
    assert "the same recording" not in (compare(right, other).reason or "")
