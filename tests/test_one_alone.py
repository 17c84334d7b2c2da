"""One cylinder alone sounds like all of them at a part of the speed: said so, unless they can be told apart."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_silent_cylinder import TWINS, pulses

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scripts"))

from measuring.made import analysed  # noqa: E402

from enginelog import limits  # noqa: E402
from enginelog.dsp.lines import standing  # noqa: E402
from enginelog.model import RHYTHM, Clip, Engine, Span, Speed, Track  # noqa: E402
from enginelog.speed import doubted_as_one, settled_by_lines  # noqa: E402

LIMITS = limits.load("speed")
TWIN = TWINS[360.0]
SLOW = Speed(1500.0, 1498.0, 1502.0, None, 0.95)
RATE_HZ = 16_000


@pytest.mark.parametrize(("weights", "low", "high"), [((1.0, 1.0), 0.0, 0.05), ((1.0, 0.8), 0.9, 1.0)])
def test_lines_of_the_cycle_stand_where_cylinders_are_unlike(weights, low, high):
    """Line q of two pulses half a period apart is 1 + a exp(-j pi q): 1 - a for odd q (Fourier series)."""
    spectrum = pulses(TWIN, weights)
    assert low <= standing(spectrum.order, spectrum.level_db, 0.5, 2) <= high


def test_a_twin_whose_cylinders_are_not_told_apart_may_turn_twice_as_fast():
    alike, unlike = pulses(TWIN, (1.0, 1.0)), pulses(TWIN, (1.0, 0.8))
    found = doubted_as_one(SLOW, alike, TWIN, LIMITS)
    assert found.or_rpm == pytest.approx(3000) and found.confidence <= LIMITS.value("confidence_in_doubt") < 0.5
    assert doubted_as_one(SLOW, unlike, TWIN, LIMITS) == SLOW
    assert doubted_as_one(SLOW, None, TWIN, LIMITS) == SLOW


@pytest.mark.parametrize(
    ("speed", "engine"),
    [
        (replace(SLOW, rpm=3000.0), TWIN),  # 6000 is no speed of such an engine
        (SLOW, replace(TWIN, rated_rpm=1500.0)),
        (SLOW, replace(TWIN, idle_rpm=1450.0)),
        (SLOW, Engine()),
        (SLOW, TWINS[270.0]),  # one alone does not repeat itself as both do
        (replace(SLOW, or_rpm=3000.0, confidence=0.3), TWIN),
    ],
)
def test_no_doubt_where_twice_as_fast_makes_no_sense_or_is_named_already(speed, engine):
    assert doubted_as_one(speed, pulses(TWIN, (1.0, 1.0)), engine, LIMITS) == speed


def test_a_told_speed_that_the_faster_one_is_near_to_does_not_settle_it():
    engine = replace(TWIN, rated_rpm=3000.0, idle_rpm=1500.0)
    assert doubted_as_one(SLOW, pulses(TWIN, (1.0, 1.0)), engine, LIMITS).or_rpm == pytest.approx(3000)


def test_a_two_stroke_may_fire_on_every_second_turn_of_twice_the_speed_unless_its_turns_are_unlike():
    """Turns that are unlike make lines at half orders (the same sum as of a twin, over two turns)."""
    saw = Engine(strokes=2)
    speed = replace(SLOW, rpm=4000.0)
    alike, unlike = pulses(TWIN, (1.0, 1.0)), pulses(TWIN, (1.0, 0.8))
    assert doubted_as_one(speed, alike, saw, LIMITS).or_rpm == pytest.approx(8000)
    assert doubted_as_one(speed, unlike, saw, LIMITS) == speed
    fast = replace(SLOW, rpm=9000.0)  # 18 000 is no speed of such an engine
    assert doubted_as_one(fast, alike, saw, LIMITS) == fast


def test_the_lines_of_the_whole_settle_it_but_for_single_two_strokes():
    rhythm = np.zeros((100, len(RHYTHM)), np.float32)
    rhythm[:60, RHYTHM.index("whole_odds")] = LIMITS.value("settled_by_lines") + 0.1
    t_s, blank = 0.05 * np.arange(100), np.ones(100)
    track, all_of_it = Track(t_s, blank, blank, blank, rhythm), (Span("run", 0.0, 5.0),)
    assert settled_by_lines(track, all_of_it, TWIN, LIMITS)
    assert not settled_by_lines(track, (Span("run", 2.5, 5.0),), TWIN, LIMITS)
    assert not settled_by_lines(track, (), TWIN, LIMITS)
    assert not settled_by_lines(track, all_of_it, Engine(strokes=2), LIMITS)


def knocks(strengths: tuple[float, ...], between_s: float, seconds: float = 9.0, seed: int = 3) -> Clip:
    """Damped tones at even distances, their strengths taking turns, in noise 20 dB below: the plainest way."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(int(0.05 * RATE_HZ)) / RATE_HZ
    out = np.zeros(int(seconds * RATE_HZ))
    for k, at_s in enumerate(np.arange(0.0, seconds - 0.06, between_s)):
        much = strengths[k % len(strengths)] * np.exp(0.08 * rng.standard_normal())
        first = int(round(at_s * RATE_HZ))
        out[first : first + len(t_s)] += much * np.exp(-t_s / 0.008) * np.sin(2 * np.pi * 180 * t_s)
    out += 0.1 * np.sqrt(np.mean(out**2)) * rng.standard_normal(len(out))
    return Clip((0.5 * out / np.abs(out).max()).astype(np.float32), float(RATE_HZ))


def test_a_twin_one_of_whose_cylinders_is_dead_is_not_called_sound_at_half_its_speed():
    """3000 rpm, one of two cylinders fires: every 40 ms, as both do at 1500 rpm."""
    run = analysed(knocks((1.0,), 0.04), TWIN)
    found = {one.code: one for one in run.measures.findings}
    speed = run.measures.speed
    assert speed.rpm is not None and 3000 in (round(speed.rpm, -2), round(speed.or_rpm or 0, -2))
    assert speed.confidence < 0.5
    assert found["misfire"].verdict != "ok" and found["cylinder_balance"].verdict != "ok"


def test_a_two_stroke_firing_on_every_second_turn_for_a_moment_is_not_called_sound_at_half_its_speed():
    """8000 rpm, every second turn: each 15 ms, as on every turn at 4000 rpm; too few to tell by (test_slipping.py)."""
    run = analysed(knocks((1.0,), 0.015, seconds=4.0), Engine(strokes=2))
    assert run.measures.speed.confidence < 0.5
    assert next(one for one in run.measures.findings if one.code == "misfire").verdict != "ok"


def test_a_twin_whose_cylinders_sound_a_little_unlike_is_told_without_that_doubt():
    """1800 rpm, both fire, one 20 % weaker."""
    run = analysed(knocks((1.0, 0.8), 1 / 30), TWIN)
    speed = run.measures.speed
    assert speed.rpm == pytest.approx(1800, rel=0.01)
    assert speed.or_rpm is None and speed.confidence > 0.5
