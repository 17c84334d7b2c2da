"""Lost firings are told by a speed that is told: laid at a wrong one, firings are missed where none is due.

Arithmetic: at twice the true speed every second firing that is looked for is not there.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import sim_tracks as sim

from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import Engine, Measures, Speed

LIMITS = load("findings")


def judged(doubt=lambda speed: speed, engine: Engine = sim.SINGLE4) -> Measures:
    case = sim.make(331, sim.Scenario(engine=engine, seconds=20.0, rpm=2800.0, miss_share=0.1))
    return judge(engine, case.quality, case.timeline, doubt(case.speed), case.track, case.firings, LIMITS)


def misfire(measures: Measures):
    return next(one for one in measures.findings if one.code == "misfire")


@pytest.mark.parametrize("engine", [sim.SINGLE4, sim.TWIN_270])
@pytest.mark.parametrize(
    ("doubt", "why"),
    [
        (lambda speed: replace(speed, confidence=0.28), "perhaps not read rightly"),
        (lambda speed: replace(speed, confidence=0.45, or_rpm=speed.rpm / 2), "perhaps not read rightly"),
        (lambda speed: Speed.unknown(), "could not be read"),
    ],
)
def test_no_firing_is_told_to_be_lost_at_a_speed_that_is_not_told_surely(doubt, why, engine):
    measures = judged(doubt, engine)
    assert misfire(measures).verdict == "unknown" and why in misfire(measures).text
    firing = measures.firing
    assert firing.misfires is firing.misfire_percent is firing.misfire_low is firing.misfire_high is None
    assert not any(one.verdict in ("watch", "fault") for one in measures.findings if one.code == "cylinder_balance")


def test_what_is_lost_at_a_sure_speed_or_at_both_of_two_is_told():
    assert misfire(judged()).verdict == "fault"
    both = misfire(judged(lambda speed: replace(speed, confidence=0.45, or_rpm=2 * speed.rpm)))
    assert both.verdict in ("watch", "fault") and "At least" in both.text
