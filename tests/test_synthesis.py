"""The synthesis as a whole: the same every time, and its truth agrees with itself."""

import numpy as np
import pytest

from enginelog import synthesis


def test_same_scenario_gives_the_same_samples():
    scenario = synthesis.random_scenario(3, "pump", seconds=3.0)
    first, _ = synthesis.make(scenario)
    again, _ = synthesis.make(scenario)
    assert np.array_equal(first.samples, again.samples)
    other, _ = synthesis.make(synthesis.random_scenario(4, "pump", seconds=3.0))
    assert not np.array_equal(first.samples, other.samples)


@pytest.mark.parametrize("kind", synthesis.KINDS)
def test_firings_lie_at_their_crank_angles(kind):
    """The exhaust of slot k opens at firing_angle/360 turns into a cycle (definition of the truth)."""
    scenario = synthesis.random_scenario(11, kind, "clean", "misfire", seconds=6.0)
    _, truth = synthesis.simulate(scenario)
    engine = scenario.engine
    turn = np.interp(truth.firing_t_s, truth.t_s, truth.turns)
    wanted = np.asarray(engine.firing_angles_deg)[truth.firing_slot] / 360
    off = (turn - wanted + engine.revs_per_cycle / 2) % engine.revs_per_cycle - engine.revs_per_cycle / 2
    assert np.max(np.abs(off)) < 0.02
