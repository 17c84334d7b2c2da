"""The frequency that `advise` tells of is held against the same mains as the finding's."""

from dataclasses import replace

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
    line = told(rpm, rated_rpm)
    assert line is not None and line.title == f"Frequency of a {mains} Hz set" and line.position == position
    case = sim.make(331, sim.Scenario(rpm=rpm, seconds=12.0, wobble_percent=0.1))
    engine = replace(case.engine, machine="generator", alternator_poles=2, rated_rpm=rated_rpm)
    measures = judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings"))
    said = next(one for one in measures.findings if one.code == "generator_frequency")
    assert f"{mains} Hz" in said.text
    assert said.value is not None and (said.value > mains) == (position == "above") or position == "inside"


def test_where_the_rated_speed_lies_between_both_the_nearer_mains_counts():
    for poles, rated_rpm, mains in ((2, 3299.0, 50.0), (2, 3301.0, 60.0), (4, 1500.0, 50.0), (4, 1800.0, 60.0)):
        assert formulas.mains_hz(poles, 3600.0, rated_rpm) == mains


def test_a_set_whose_finding_does_not_judge_its_frequency_gets_no_line_on_it():
    """It idled, say: then it feeds nothing, and what is plugged in is in no danger from it."""
    record = plain(machine="generator", alternator_poles=2, rated_rpm=3000.0)
    record["speed"]["rpm"] = 1900.0
    find(record, "generator_frequency", "unknown")
    assert not [line for line in usual_values(record) if "Frequency" in line.title]
