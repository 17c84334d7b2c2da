"""An engine read at half of what it is governed to: it idled, or every second firing was lost.

Losing every second firing without a slip, it fires as often as one that turns half as fast (arithmetic: a four-stroke
single fires once in two revolutions). No source: that an engine may idle at half of its rated speed is common practice.
"""

from __future__ import annotations

from dataclasses import replace

import make_runs
import pytest
import sim_tracks as sim

from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import Engine, Measures
from enginelog.report import summary_text, to_html

LIMITS = load("findings")
HALF_RPM = 1660.0


def judged(engine: Engine = sim.SINGLE4, rpm: float = HALF_RPM, scenario: dict | None = None, **told) -> Measures:
    case = sim.make(331, sim.Scenario(engine=engine, seconds=20.0, rpm=rpm, **(scenario or {})))
    return judge(replace(engine, **told), case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


def verdicts(measures: Measures) -> dict[str, str]:
    return {one.code: one.verdict for one in measures.findings}


def text_of(measures: Measures, code: str) -> str:
    return next(one.text for one in measures.findings if one.code == code)


@pytest.mark.parametrize("rated_rpm", [3320.0, 3100.0, 3550.0])
def test_about_half_of_the_rated_speed_is_not_called_good(rated_rpm):
    measures = judged(rated_rpm=rated_rpm)
    assert measures.speed.or_rpm == pytest.approx(2 * measures.speed.rpm) and measures.speed.confidence < 0.5
    told = verdicts(measures)
    assert told["speed"] == told["misfire"] == told["steadiness"] == "unknown" and told["hunting"] == "ok"
    other = f"{measures.speed.or_rpm:.0f} rpm"
    assert f"it idled, or it ran at {other} and lost every second firing" in text_of(measures, "speed")
    assert "50 % would be" in text_of(measures, "misfire") and measures.firing.misfire_percent is None
    advice = next(one.next for one in measures.findings if one.code == "speed")
    assert any("idle speed" in one for one in advice) and any("throttle open" in one for one in advice)


@pytest.mark.parametrize(
    ("rpm", "told"),
    [
        (HALF_RPM, {}),
        (HALF_RPM, {"rated_rpm": 2800.0}),
        (HALF_RPM, {"rated_rpm": 3320.0, "idle_rpm": 1700.0}),
        (3320.0, {"rated_rpm": 3320.0}),
    ],
)
def test_one_that_is_known_to_idle_or_is_not_at_half_is_judged(rpm, told):
    measures = judged(rpm=rpm, **told)
    assert measures.speed.or_rpm is None and measures.speed.confidence > 0.5
    assert verdicts(measures)["misfire"] == "ok"


@pytest.mark.parametrize("engine", [sim.SINGLE2, sim.TWIN_360])
def test_others_that_half_the_firings_are_enough_for_are_doubted_too(engine):
    """An even twin one of whose cylinders misses in turn was read at half its speed, surely, and called good."""
    measures = judged(engine, rated_rpm=3320.0)
    assert measures.speed.or_rpm == pytest.approx(2 * measures.speed.rpm) and measures.speed.confidence < 0.5
    told = verdicts(measures)
    assert told["speed"] == told["misfire"] == "unknown"
    assert judged(engine, rated_rpm=3320.0, idle_rpm=1600.0).speed.or_rpm is None


def test_an_uneven_twin_is_not_read_at_half():
    assert judged(sim.TWIN_270, rated_rpm=3320.0).speed.or_rpm is None


def test_an_idle_speed_told_that_it_is_not_at_settles_nothing():
    measures = judged(rated_rpm=3320.0, idle_rpm=1200.0)
    assert verdicts(measures)["speed"] == verdicts(measures)["misfire"] == "unknown"


def test_a_run_that_reached_its_rated_speed_had_a_throttle_that_was_moved():
    measures = judged(rated_rpm=3320.0, scenario={"throttle": ((14.0, 2.0, 0.3),)})
    assert measures.speed.changed and measures.speed.or_rpm is None
    assert verdicts(measures)["misfire"] == "ok"


def test_the_frequency_of_a_set_at_half_speed_is_no_fault():
    """Two poles, 1500 rpm: 25 Hz idling, when it feeds nothing, or 50 Hz; poles * rpm / 120."""
    measures = judged(rpm=1510.0, alternator_poles=2, machine="generator")
    assert measures.speed.or_rpm == pytest.approx(3020, rel=0.01)
    assert verdicts(measures)["generator_frequency"] == verdicts(measures)["misfire"] == "unknown"
    assert "50.3 Hz" in text_of(measures, "generator_frequency")
    advice = next(one.next for one in measures.findings if one.code == "speed")
    assert any("frequency with a meter" in one for one in advice)


def test_lost_firings_at_half_speed_stay_a_fault():
    measures = judged(rated_rpm=3320.0, scenario={"miss_share": 0.1})
    assert verdicts(measures)["misfire"] == "fault" and "At least" in text_of(measures, "misfire")


def test_summary_and_page_name_both_speeds():
    run = replace(make_runs.healthy_generator(), measures=judged(rated_rpm=3320.0))
    for text in (summary_text(run), to_html(run)):
        plain = " ".join(text.replace("\u00a0", " ").split())
        assert "or at 3319 rpm, which sounds nearly the same" in plain and "no fault could be heard" not in plain
