"""A generator's frequency for a while beside that of the whole run.

Limits: steady-state band and droop of class G1, recovery of class G2 (ISO 8528-5 as tabulated in King & Knight,
Uninterruptible Power Supplies and Standby Power Systems, table 1.1).
"""

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import judge, speed_limits
from enginelog.findings.series import Series
from enginelog.limits import load

LIMITS = load("findings")


def frequency(throttle, **told):
    """The finding on a two-pole set of 3000 rpm that is moved at (s, factor, time constant in s)."""
    case = sim.make(411, sim.Scenario(rpm=3000.0, seconds=30.0, throttle=throttle))
    engine = replace(case.engine, machine="generator", alternator_poles=2, **told)
    found = judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS).findings
    return next(one for one in found if one.code == "generator_frequency")


@pytest.mark.parametrize(
    ("at_s", "until_s", "rpm", "verdict", "said"),
    [
        (10.0, 18.0, 3450.0, "watch", "5 s or more it gave 57."),
        (10.0, 20.0, 2640.0, "watch", "5 s or more it gave 44."),
        (10.0, 13.0, 3450.0, "ok", ""),  # back within the time of a class G2 set
        (10.0, 18.0, 3090.0, "ok", ""),
        (10.0, 20.0, 1900.0, "ok", ""),  # idles, and feeds nothing
    ],
)
def test_what_it_gave_for_a_while_is_judged_too(at_s, until_s, rpm, verdict, said):
    one = frequency(((at_s, rpm / 3000.0, 0.3), (until_s, 1.0, 0.3)))
    assert (one.verdict, said in one.text) == (verdict, True), one.text
    assert ("for 5 s" in one.text.lower()) == bool(said)


def test_held_is_nearly_all_of_the_time():
    t_s = np.arange(0.0, 20.0, 0.05)
    rpm = np.where((t_s >= 8.0) & (t_s < 12.0), 3400.0, 3000.0)
    series = Series(t_s, rpm, 0.05, 0.2)
    assert speed_limits.held_for(series, 5.0, LIMITS) == (3000.0, 3000.0)
    assert speed_limits.held_for(series, 3.0, LIMITS) == (3000.0, 3400.0)
    assert speed_limits.held_for(series.between(0.0, 4.0), 5.0, LIMITS) == ()
