"""The speed held against what was told: an idle off its told speed, and half a rated speed that no layout explains."""

from dataclasses import replace

import pytest
import sim_tracks as sim

from enginelog.findings import judge
from enginelog.limits import load

LIMITS = load("findings")


def speed_finding(rpm, **told):
    case = sim.make(331, sim.Scenario(rpm=rpm, seconds=12.0, wobble_percent=0.1))
    engine = replace(case.engine, **told)
    found = judge(engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS).findings
    return next(one for one in found if one.code == "speed")


@pytest.mark.parametrize(("share", "verdict"), [(1.08, "ok"), (1.13, "watch"), (0.92, "ok"), (0.87, "watch")])
def test_an_idle_more_than_a_tenth_off_is_to_be_watched(share, verdict):
    """10 % off the told idle speed (`idle_watch_percent`; limits/findings.toml names its source)."""
    one = speed_finding(1700.0 * share, idle_rpm=1700.0)
    assert one.verdict == verdict and one.limit == 1700.0


def test_half_the_rated_speed_is_laid_to_the_layout_told_only_where_another_makes_it_so():
    """A four-stroke single cannot fire half as often by any other layout: there is nothing about that to look up."""
    single = speed_finding(1700.0, rated_rpm=3400.0, strokes=4, cylinders=1)
    assert "turned twice as fast and" not in single.text
    assert not any("data plate" in step for step in single.next)
    two_stroke = speed_finding(1700.0, rated_rpm=3400.0, strokes=2, cylinders=1)
    assert "turned twice as fast and is a four-stroke told as a two-stroke" in two_stroke.text
