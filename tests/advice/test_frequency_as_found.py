"""The frequency that `advise` tells of is held against the same mains as the finding's."""

from dataclasses import asdict, replace

import numpy as np
import pytest
import sim_tracks as sim
from made_signs import find, plain

from enginelog.advice.usual import usual_values
from enginelog.findings import judge
from enginelog.limits import load
from enginelog.limits.trade import formulas


def told(rpm, rated_rpm, **engine):
    """A record of a two-pole set at this speed, and its line on the frequency (None where it has none)."""
    record = plain(machine="generator", alternator_poles=2, rated_rpm=rated_rpm, **engine)
    record["speed"]["rpm"] = rpm
    return next((line for line in usual_values(record) if line.title.startswith("Frequency")), None)


def judged(rpm, rated_rpm, scenario=None, **engine):
    """The findings on such a set of two poles, by code, and the line on its frequency."""
    case = sim.make(331, scenario or sim.Scenario(rpm=rpm, seconds=12.0, wobble_percent=0.02, noise_percent=0.02))
    engine = replace(case.engine, **{"machine": "generator", "alternator_poles": 2, "rated_rpm": rated_rpm} | engine)
    measures = judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings"))
    record = plain(machine="generator", alternator_poles=2, rated_rpm=rated_rpm)
    record["speed"]["rpm"], record["findings"] = measures.speed.rpm, [asdict(one) for one in measures.findings]
    lines = [line for line in usual_values(record) if line.title.startswith("Frequency")]
    return {one.code: one for one in measures.findings}, next(iter(lines), None)


@pytest.mark.parametrize(
    ("rpm", "rated_rpm", "mains", "position"),
    [
        (3351.0, 3600.0, 60, "below"),  # 55.9 Hz
        (3420.0, 3000.0, 50, "above"),  # 57 Hz
        (3330.0, None, 60, "below"),  # 55.5 Hz
        (3270.0, None, 50, "above"),  # 54.5 Hz
        (3600.0, None, 60, "inside"),
        (3900.0, None, 60, "above"),
    ],
)
def test_both_say_the_same_mains_and_the_same_side(rpm, rated_rpm, mains, position):
    """f = P N / 120: two poles give 50 Hz at 3000 and 60 Hz at 3600 rpm (generator service manual)."""
    found, line = judged(rpm, rated_rpm)
    said = found["generator_frequency"]
    assert told(rpm, rated_rpm).position == position, "where no finding stands beside it"
    assert (line.title, line.position) == (f"Frequency of a {mains} Hz set", position) and f"{mains} Hz" in said.text
    assert (said.value > mains and said.verdict != "ok") == (position == "above")


SAID = {"ok": {"inside"}, "unknown": {"not sure"}, "watch": {"above", "below"}, "fault": {"above", "below"}}


@pytest.mark.parametrize("rated_rpm", [3000.0, 3600.0])
def test_what_the_finding_calls_good_advice_calls_inside_and_nothing_else(rated_rpm):
    """'Outside: what is plugged in may be damaged' stood beside a finding that called the same frequency good."""
    nominal, seen = rated_rpm / 60, set()
    for hz in np.arange(0.88 * nominal, 1.13 * nominal, 0.4):
        found, line = judged(60 * hz, rated_rpm)
        said = found["generator_frequency"]
        assert line.position in SAID[said.verdict], (hz, said.verdict, line)
        assert (line.position == "above") == (said.verdict in ("watch", "fault") and said.value > nominal)
        seen |= {said.verdict}
    assert seen >= {"ok", "watch", "fault"}


@pytest.mark.parametrize(("rpm", "position", "hz"), [(3450.0, "above", "57."), (2640.0, "below", "44.")])
def test_a_frequency_held_for_a_while_is_the_one_that_advice_tells_of(rpm, position, hz):
    """'50.1 Hz, inside' was said beside 'for 5 s or more it gave 57.3 Hz'."""
    moved = sim.Scenario(rpm=3000.0, seconds=30.0, throttle=((10.0, rpm / 3000.0, 0.3), (20.0, 1.0, 0.3)))
    found, line = judged(3000.0, 3000.0, moved)
    assert found["generator_frequency"].verdict == "watch"
    assert line.position == position and line.value.startswith(hz)


@pytest.mark.parametrize("poles", [2, None])
@pytest.mark.parametrize(
    ("rated_rpm", "rpm", "amiss"),
    [
        (3000.0, 3150.0, False),
        (3000.0, 3225.0, False),
        (3000.0, 3240.0, False),
        (3000.0, 3255.0, True),
        (3600.0, 3720.0, False),
        (3600.0, 3780.0, False),
        (3600.0, 3800.0, True),
    ],
)
def test_a_sound_set_without_load_is_not_too_fast(rated_rpm, rpm, amiss, poles):
    """Generator service manual, speed table: a two-pole set stands at 3150 to 3240 rpm without load for 50 Hz, 3720 to
    3780 for 60. 'Do not use it until its top speed has been set' stood over such a set, whose frequency was good; set
    down, it gives 47 Hz under load."""
    found, _ = judged(rpm, rated_rpm)
    speed = found["speed"] if poles else judged(rpm, rated_rpm, alternator_poles=None)[0]["speed"]
    assert (speed.verdict in ("watch", "fault")) is amiss, speed.text
    assert (found["generator_frequency"].verdict in ("watch", "fault")) is amiss
    assert "manual" in speed.source and ("Stop using it" in speed.text) is amiss


def test_other_machines_are_watched_from_five_per_cent_on():
    """Droop of class G2 (ISO 8528-5 as tabulated in King & Knight, table 1.1)."""
    found, _ = judged(3200.0, 3000.0, machine="pump", alternator_poles=2)
    assert found["speed"].verdict == "ok", "what makes current is a generator, whatever it is called"
    case = sim.make(331, sim.Scenario(rpm=3200.0, seconds=12.0, wobble_percent=0.02, noise_percent=0.02))
    pump = replace(case.engine, machine="pump", rated_rpm=3000.0)
    measures = judge(pump, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings"))
    assert next(one for one in measures.findings if one.code == "speed").verdict == "watch"


@pytest.mark.parametrize(("rated_rpm", "poles"), [(3000, 2), (3600, 2), (1500, 4), (1800, 4), (1000, 6), (4500, 2)])
def test_poles_that_were_not_told_are_those_that_give_mains(rated_rpm, poles):
    """f = P N / 120 (textbook)."""
    assert formulas.likely_poles(rated_rpm) == poles


def test_where_the_rated_speed_lies_between_both_the_nearer_mains_counts():
    for poles, rated_rpm, mains in ((2, 3299.0, 50.0), (2, 3301.0, 60.0), (4, 1500.0, 50.0), (4, 1800.0, 60.0)):
        assert formulas.mains_hz(poles, 3600.0, rated_rpm) == mains


def test_a_set_whose_finding_does_not_judge_its_frequency_gets_no_line_on_it():
    """It idled, say: then it feeds nothing, and what is plugged in is in no danger from it."""
    record = plain(machine="generator", alternator_poles=2, rated_rpm=3000.0)
    record["speed"]["rpm"] = 1900.0
    find(record, "generator_frequency", "unknown")
    assert not [line for line in usual_values(record) if "Frequency" in line.title]
