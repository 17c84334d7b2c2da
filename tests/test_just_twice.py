"""A jump to just twice or half the speed is perhaps none: one of the two is misread. A moved throttle is told all the
same where its course was heard.

Truth is the simulated engine's own programme (`sim_tracks.Scenario`) and the speed of `enginelog.synthesis`.
"""

import io
from dataclasses import replace

import pytest
import sim_tracks as sim
import soundfile

from enginelog import analysis, limits, synthesis
from enginelog.findings import judge
from enginelog.model import Engine

LIMITS = limits.load("findings")
AT_ONCE, SLOW = 0.005, 0.3  # seconds in which a throttle moves the speed by 63 % of the change
RUN = sim.Scenario(rpm=1600.0, seconds=24.0, run_up=False, lead_s=0.0, gaps=0.0, outliers=0.0)


def judged(*moves: tuple[float, float, float], seed: int = 20900, **engine):
    case = sim.make(seed, replace(RUN, throttle=moves))
    told = replace(case.engine, **engine)
    return judge(told, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


def finding(measures, code):
    return next(one for one in measures.findings if one.code == code)


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_nothing_is_good_or_a_fault_of_a_speed_that_is_just_twice_at_once(factor):
    measures = judged((12.0, factor, AT_ONCE), rated_rpm=1600.0 * max(factor, 1.0))
    assert [one.rpm for one in measures.speed.held] == pytest.approx([1600, 1600 * factor], rel=0.01)
    assert measures.speed.confidence <= 0.45 and not measures.speed.sure(0.5)
    assert measures.throttle == ()
    for code in ("speed", "throttle"):
        told = finding(measures, code)
        assert told.verdict == "unknown" and "one of the two is perhaps not read rightly" in told.text
    fast = finding(judged((12.0, factor, AT_ONCE), rated_rpm=1000.0 * factor), "speed")
    assert fast.verdict == "watch" and "too fast" in fast.text and "perhaps" in fast.text
    assert finding(measures, "hunting").verdict == "ok", "half and double the speed swing alike, in per cent of it"


@pytest.mark.parametrize(
    "moves",
    [
        ((12.0, 2.0, SLOW),),
        ((12.0, 1.9, AT_ONCE),),
        ((8.0, 2.0, AT_ONCE), (16.0, 1.0, SLOW)),
    ],
)
def test_a_throttle_whose_course_was_heard_is_told(moves):
    """Opened at once and closed slowly: both speeds are believed, so is the change that was not heard."""
    measures = judged(*moves, rated_rpm=3200.0)
    assert len(measures.throttle) == len(moves) and len(measures.speed.held) == len(moves) + 1
    assert finding(measures, "throttle").verdict == "ok" and finding(measures, "speed").verdict == "ok"
    assert measures.speed.confidence > 0.5


def test_heard_from_a_single_whose_every_second_firing_is_weak():
    """It ran at one speed; the first part was read at half of it, and the throttle said to have been moved."""
    made = synthesis.random_scenario(850025, "pump", "easy", "steady")
    made = replace(made, colour=replace(made.colour, alternation=0.5, alternation_every=2))
    clip, truth = synthesis.make(made)
    sound = io.BytesIO()
    soundfile.write(sound, clip.samples, round(clip.rate_hz), format="WAV")
    sound.seek(0)
    told = Engine(machine="pump", rated_rpm=made.engine.rated_rpm)
    measures = analysis.analyse(sound, told, name="weak.wav").measures
    wrong = [one for one in measures.speed.held if abs(one.rpm / truth.speed_rpm - 1) > 0.01]
    assert all(one.confidence <= 0.45 for one in wrong) and measures.throttle == ()
    assert all(one.verdict != "ok" for one in measures.findings if one.code in ("speed", "throttle"))
