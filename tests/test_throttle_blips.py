"""A throttle opened for a moment over the idle is no load step, and moves no speed to another.

Truth is the simulated engine's own course; that no load let go lifts a speed by a quarter is class G1 of ISO 8528-5
(18 % on losing load; King & Knight, Uninterruptible Power Supplies and Standby Power Systems, table 1.1).
"""

from dataclasses import replace

import pytest
import sim_tracks as sim

from enginelog.findings import judge
from enginelog.limits import load

LIMITS = load("findings")


def measured(seed: int, throttle, machine: str = "saw"):
    case = sim.make(seed, sim.Scenario(rpm=2800.0, seconds=28.0, run_up=False, lead_s=0.0, throttle=throttle))
    engine = replace(case.engine, machine=machine)
    return judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


@pytest.mark.parametrize("seed", [731, 732, 733, 734])
@pytest.mark.parametrize("factor", [1.6, 2.0])
def test_blips_are_no_loads_and_lead_to_no_other_speed(seed, factor):
    blips = tuple(move for at in (6.0, 11.0, 16.5, 22.0) for move in ((at, factor, 0.15), (at + 1.2, 1.0, 0.2)))
    measures = measured(seed, blips)
    assert measures.loads == () and measures.releases == ()
    for move in measures.throttle:
        assert not 0.8 < move.to_rpm / move.from_rpm < 1.25
        assert move.bog_percent < 12, "it came from its idle, and did not fall when the throttle was opened"
    assert all(one.verdict in ("ok", "unknown") for one in measures.findings if one.code in ("load", "throttle"))


@pytest.mark.parametrize("seed", [731, 732])
def test_a_throttle_opened_and_left_open_is_told_from_its_idle(seed):
    move = measured(seed, ((10.0, 2.0, 0.15),)).throttle
    assert len(move) == 1
    assert (move[0].from_rpm, move[0].to_rpm) == pytest.approx((2800.0, 5600.0), rel=0.03)
