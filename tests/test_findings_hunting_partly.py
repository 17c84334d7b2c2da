"""An engine that hunts for a part of its run: never "no hunting", never half of its swing, never "all the time"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim
from test_findings import LIMITS, finding, judged

from enginelog.findings import hunting, partly
from enginelog.findings.series import Series

SECONDS = 22.0
PARTS = [(0.0, 8.0), (7.0, 15.0), (14.0, SECONDS), (11.0, SECONDS)]


def hunting_within(part, hz=1.1, **changes):
    changes = {"hunt_hz": hz, "hunt_swing_percent": 6.0, "hunt_within_s": part} | changes
    return sim.make(40, sim.Scenario(seconds=SECONDS, run_up=False, **changes))


@pytest.mark.parametrize("hz", [0.7, 1.1, 2.0])
@pytest.mark.parametrize("part", PARTS)
def test_hunting_in_a_part_of_the_run_is_found_with_its_size_and_when_it_was(part, hz):
    measures = judged(hunting_within(part, hz))
    told, said = measures.hunting, finding(measures, "hunting")
    assert told.found and told.rate_hz == pytest.approx(hz, rel=0.06)
    assert told.swing_low_percent <= 6.0 <= told.swing_high_percent
    assert said.start_s >= part[0] - 2.0 and said.end_s <= part[1] + 2.0 + 1.0
    assert "in a part of the run" in said.text and "all the time" not in said.text


def test_a_run_that_hunts_in_a_part_is_not_said_to_run_alike_throughout():
    measures = judged(hunting_within((7.0, 15.0)))
    assert "Runs alike from first to last;" not in finding(measures, "settling").text
    assert "all the time" in finding(judged(hunting_within((0.0, SECONDS))), "hunting").text


def test_the_band_at_constant_load_is_not_widened_by_hunting_before_the_load_came():
    load = sim.Load(at_s=10.0, droop_percent=6.0, deep_percent=4.0, tau_s=0.4)
    case = hunting_within((0.0, 9.0), loads=(load,), wobble_percent=0.1)
    measures = judged(case)
    assert measures.hunting.found and finding(measures, "hunting").end_s < 11
    steady = finding(measures, "steadiness")
    assert steady.start_s > 10 and measures.speed.band_percent < 2.5 and steady.verdict == "ok"


def test_ringing_after_loads_is_no_hunting():
    for seed in range(41, 47):
        load = sim.Load(at_s=6.0, droop_percent=4.0, deep_percent=6.0, tau_s=0.8, ring_hz=0.9)
        back = sim.Load(at_s=14.0, droop_percent=-4.0, deep_percent=-6.0, tau_s=0.8, ring_hz=0.9)
        case = sim.make(seed, sim.Scenario(seconds=SECONDS, run_up=False, loads=(load, back)))
        assert not judged(case).hunting.found, seed


def test_hours_are_searched_in_a_bounded_number_of_parts():
    t = np.arange(0.025, 6 * 3600, 0.05)
    hours = Series(t, np.full(len(t), 3000.0), 0.05, 0.2)
    asked = []

    def fine(stretches):
        asked.extend(stretches)
        return []

    rng = np.random.default_rng(3)
    restless = replace(hours, rpm=3000 * (1 + 0.02 * rng.standard_normal(len(t))))
    none = hunting.HuntingStudy(False, None, "none")
    assert partly.with_parts(none, [hours], fine, LIMITS) is none and not asked, "what does not move is not searched"
    assert partly.with_parts(none, [restless], fine, LIMITS) is none
    assert 100 < len(asked) < 2.5 * LIMITS.value("hunting_parts")


@pytest.mark.parametrize(("part", "hz"), [((0.0, 12.0), 0.35), ((10.0, SECONDS), 0.3), ((5.0, 15.0), 0.45)])
def test_slow_hunting_in_a_part_is_found_in_longer_parts(part, hz):
    """Of which a part of 7 s holds two or three swings, too few to tell from chance."""
    for percent in (6.0, 10.0):
        measures = judged(hunting_within(part, hz, hunt_swing_percent=percent))
        told, said = measures.hunting, finding(measures, "hunting")
        assert told.found and told.rate_hz == pytest.approx(hz, rel=0.1)
        assert told.swing_low_percent <= percent <= told.swing_high_percent
        assert told.swing_percent == pytest.approx(percent, rel=0.25), "measured where it swings"
        assert "all the time" not in said.text


@pytest.mark.parametrize("part", [(0.0, 9.0), (6.0, 15.0), (12.0, SECONDS)])
@pytest.mark.parametrize("hz", [0.2, 0.25, 0.3])
def test_two_slow_swings_in_a_part_are_not_denied(part, hz):
    """Too few to be told, too large to be called none."""
    for percent in (4.0, 8.0):
        assert finding(judged(hunting_within(part, hz, hunt_swing_percent=percent)), "hunting").verdict != "ok"


def test_what_moves_alike_throughout_or_only_falls_is_still_no_hunting():
    for seed in range(60, 64):
        wobbles = sim.make(seed, sim.Scenario(seconds=SECONDS, run_up=False, wobble_percent=0.4))
        bursts = sim.make(seed, sim.Scenario(seconds=SECONDS, run_up=False, miss_share=0.04, burst_mean=5.0))
        for case in (wobbles, bursts):
            assert finding(judged(case), "hunting").verdict == "ok", seed


@pytest.mark.parametrize("seed", [990021, 990096])
def test_wobble_that_is_regular_for_a_while_by_chance_is_no_hunting_in_a_part(seed):
    """A slow swing is told of a part only where that moves more than the rest, by its size over all of the part."""
    rng = np.random.default_rng(seed + 9_000_000)
    percent, hz, damping = rng.uniform(0.3, 1.0), rng.uniform(0.3, 2.0), rng.uniform(0.15, 0.5)
    wobble = {"wobble_percent": percent, "wobble_hz": hz, "wobble_damping": damping}
    assert not judged(sim.make(seed, replace(sim.scenario("steady", seed, False), **wobble))).hunting.found
