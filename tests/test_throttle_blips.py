"""A throttle opened for a moment over the idle is no load step, and moves no speed to another.

Truth is the simulated engine's own course; that no load let go lifts a speed by a quarter is class G1 of ISO 8528-5
(18 % on losing load; King & Knight, Uninterruptible Power Supplies and Standby Power Systems, table 1.1).
"""

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import judge, loads
from enginelog.findings.series import Series
from enginelog.findings.steps import Step
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


def course(*points: tuple[float, float]) -> Series:
    """A speed that goes in straight lines through (s, rpm), read 20 times a second."""
    t_s = np.arange(0.0, points[-1][0], 0.05)
    return Series(t_s, np.interp(t_s, *zip(*points, strict=True)), 0.05, 0.2)


def change(series: Series, at_s: float, end_s: float, before_rpm: float, after_rpm: float) -> Step:
    part = series.between(at_s, end_s)
    return Step(at_s, end_s, before_rpm, after_rpm, part.t_s, part.rpm)


@pytest.mark.parametrize(("peak_s", "peak", "blipped"), [
    (0.5, 1.6, True), (1.8, 1.6, True), (2.5, 1.6, True), (4.0, 1.6, False), (1.8, 1.1, False), (1.8, 0.3, True),
])  # fmt: skip
def test_a_throttle_opened_slowly_and_let_go_is_a_blip_too(peak_s, peak, blipped):
    """A hand may take its time: the farthest is looked for within three seconds (common practice, no source)."""
    rpm, top = 2800.0, 2800.0 * peak
    series = course((0, rpm), (10, rpm), (10 + peak_s - 0.3, rpm), (10 + peak_s, top), (10.6 + peak_s, rpm), (20, rpm))
    assert loads._blipped(series, change(series, 10.0, 20.0, rpm, rpm), LIMITS) == blipped


@pytest.mark.parametrize(("swing", "held"), [(0.0, True), (0.06, True), (0.10, True), (0.2, False), (0.45, False)])
def test_an_idle_that_swings_is_one_speed_and_the_end_of_a_blip_is_none(swing, held):
    """An idle goes to and fro by up to a tenth while nobody touches the throttle: common practice, no source."""
    t_s = np.arange(0.0, 20.0, 0.05)
    series = Series(t_s, 2800.0 * (1 + swing / 2 * np.sin(2 * np.pi * t_s / 0.8)), 0.05, 0.2)
    found = loads._held_before(series, change(series, 10.0, 20.0, 3500.0, 5600.0), LIMITS)
    assert (found is not None) == held and (found is None or found == pytest.approx(2800.0, rel=0.05))


def test_what_it_was_at_a_second_before_counts_and_not_the_blip_before_that():
    series = course((0, 2800), (7, 2800), (7.2, 5000), (8.3, 2800), (10, 2800), (10.3, 5600), (20, 5600))
    assert loads._held_before(series, change(series, 10.0, 20.0, 3700.0, 5600.0), LIMITS) == pytest.approx(
        2800.0, rel=0.01
    )
    move = loads.throttle_move(series, change(series, 10.0, 20.0, 3700.0, 5600.0), LIMITS)
    assert (move.from_rpm, move.to_rpm) == pytest.approx((2800.0, 5600.0), rel=0.01) and move.bog_percent < 3


def test_an_engine_that_was_at_no_speed_before_is_not_said_to_have_fallen():
    """The throttle is opened again while the speed still falls from a blip: from its level that looks like a bog."""
    series = course((0, 2800), (7, 2800), (7.5, 5600), (8.5, 5600), (10, 2900), (10.4, 6000), (20, 6000))
    move = loads.throttle_move(series, change(series, 9.8, 20.0, 4500.0, 6000.0), LIMITS)
    assert move.bog_percent == 0
    held = course((0, 4500), (9.8, 4500), (10, 2900), (10.4, 6000), (20, 6000))
    assert loads.throttle_move(held, change(held, 9.8, 20.0, 4500.0, 6000.0), LIMITS).bog_percent > 25, (
        "as it is of one that was"
    )
