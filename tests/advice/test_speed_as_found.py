"""Where advice says that the idle or the rated speed told is met, the finding on speed says so, too."""

from dataclasses import asdict, replace

import pytest
import sim_tracks as sim
from made_signs import plain

from enginelog.advice.usual import usual_values
from enginelog.findings import judge
from enginelog.limits import load

TOLD = {"machine": "other", "rated_rpm": 2600.0, "idle_rpm": 1700.0}


def judged(rpm):
    """The finding on the speed of a steady run, and advice's line on it."""
    case = sim.make(411, sim.Scenario(rpm=rpm, seconds=12.0, wobble_percent=0.02, noise_percent=0.02))
    engine = replace(case.engine, **TOLD)
    measures = judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings"))
    record = plain(**TOLD)
    record["speed"]["rpm"], record["findings"] = measures.speed.rpm, [asdict(one) for one in measures.findings]
    found = next(one for one in measures.findings if one.code == "speed")
    return found, next(line for line in usual_values(record) if line.value.startswith(f"{measures.speed.rpm:.0f} rpm"))


@pytest.mark.parametrize(
    ("rpm", "position"), [(1500.0, "below"), (1620.0, "inside"), (1830.0, "inside"), (1890.0, "above")]
)
def test_an_idle_that_its_finding_calls_good_lies_inside(rpm, position):
    """10 % either way (common practice, no source): 'above, look it up' stood beside 'idles 7.6 % above: ok'."""
    found, line = judged(rpm)
    assert (found.verdict == "ok") == (line.position == "inside") and line.position == position
    assert line.limit == "1700 rpm, 10 % either way"


@pytest.mark.parametrize(
    ("rpm", "verdict", "position"),
    [(2350.0, "ok", "below"), (2430.0, "ok", "inside"), (2700.0, "ok", "inside"), (2732.0, "unknown", "not sure")],
)
def test_a_rated_speed_is_met_up_to_where_its_finding_calls_it_too_fast(rpm, verdict, position):
    """8 % below is a slow top, 5 % above is watched: droop of the classes G1 and G2 (ISO 8528-5 as tabulated in King &
    Knight, table 1.1)."""
    found, line = judged(rpm)
    assert (found.verdict, line.position) == (verdict, position), found.text
    assert line.limit == "2392 to 2730 rpm (2600 rated)"
