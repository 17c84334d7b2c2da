"""Pull speed and compression strokes: envelopes with strokes at known moments in, the crank's speed out."""

from __future__ import annotations

import numpy as np
import pytest

from enginelog.limits import load
from enginelog.model import Engine, Span
from enginelog.timeline.activity import Activity
from enginelog.timeline.strokes import _curve, heard_strokes, with_pull_speeds

LIMITS = load("timeline")
PULL = Span("pull", 1.0, 2.0)


def envelopes(strokes_s, height_db: float = 16.0, hiss_db: float = 0.0, seed: int = 3) -> Activity:
    """Three seconds of noise with a puff of some 40 ms at each moment, and a hiss 70 ms after it."""
    rng = np.random.default_rng(seed)
    t = (np.arange(1500) + 0.5) * 0.002
    level = np.zeros(len(t))
    for at in strokes_s:
        after = t - at
        level += np.where(after >= 0, height_db * np.exp(-after / 0.03), 0.0)
        level += np.where(after >= 0.07, hiss_db * np.exp(-(after - 0.07) / 0.02), 0.0)
    fine = -50 + level[:, None] + 3 * rng.standard_normal((len(t), 2))
    empty = np.zeros(300, np.float16)
    times = (np.arange(300) + 0.5) * 0.01
    return Activity(times, np.zeros((300, 10), np.float16), empty, empty, fine.astype(np.float16).reshape(300, 5, 2))


@pytest.mark.parametrize("interval_s", [0.15, 0.2, 0.28])
@pytest.mark.parametrize(("engine", "turns"), [(Engine(4, 1), 2.0), (Engine(2, 1), 1.0)])
def test_speed_and_count_of_even_strokes(interval_s, engine, turns):
    """A four-stroke single compresses once in two turns, a two-stroke once in one: rpm = 60 turns / interval."""
    wanted = 60 * turns / interval_s
    if not LIMITS.value("pull_slowest_rpm") < wanted < LIMITS.value("pull_fastest_rpm"):
        return
    at = np.arange(1.12, 1.95, interval_s)
    found = heard_strokes(envelopes(at), PULL, engine, LIMITS)
    assert found.count == len(at)
    assert found.rpm == pytest.approx(wanted, rel=0.03)


def test_a_hiss_after_each_stroke_is_no_stroke():
    at = np.arange(1.12, 1.95, 0.2)
    found = heard_strokes(envelopes(at, hiss_db=12.0), PULL, Engine(), LIMITS)
    assert found.count == len(at)
    assert found.rpm == pytest.approx(600, rel=0.03)


def test_a_pull_that_slows_is_told_by_its_middle():
    at = 1.1 + np.cumsum([0.0, 0.19, 0.2, 0.21, 0.22])
    found = heard_strokes(envelopes(at), PULL, Engine(), LIMITS)
    assert found.count == 5
    assert found.rpm == pytest.approx(120 / 0.205, rel=0.04)


@pytest.mark.parametrize("strokes_s", [(), (1.3,), (1.2, 1.5)])
def test_fewer_than_three_strokes_tell_nothing(strokes_s):
    assert heard_strokes(envelopes(strokes_s), PULL, Engine(), LIMITS) is None


def test_strokes_without_order_tell_nothing():
    told = 0
    for seed in range(20):
        at = np.sort(np.random.default_rng(seed).uniform(1.05, 1.95, 6))
        told += heard_strokes(envelopes(at, seed=seed), PULL, Engine(), LIMITS) is not None
    assert told <= 6  # of 20: what looks even by chance


def test_faint_strokes_tell_nothing():
    at = np.arange(1.12, 1.95, 0.2)
    assert heard_strokes(envelopes(at, height_db=1.5), PULL, Engine(), LIMITS) is None


def test_only_pulls_get_a_speed_and_only_singles_a_count():
    activity = envelopes(np.arange(1.12, 1.95, 0.2))
    spans = (Span("quiet", 0.0, 1.0), PULL, Span("run", 2.0, 3.0, 2900.0))
    quiet, pull, run = with_pull_speeds(spans, activity, Engine(), LIMITS)
    assert (quiet, run) == (spans[0], spans[2])
    assert (round(pull.rpm, -1), pull.compressions) == (600, 5)
    twin = with_pull_speeds(spans, activity, Engine(4, 2, (0.0, 360.0)), LIMITS)[1]
    assert (round(twin.rpm, -1), twin.compressions) == (300, None)


def test_a_pull_at_either_end_of_the_recording_is_no_error():
    activity = envelopes(np.arange(0.05, 3.0, 0.2))
    for span in (Span("pull", 0.0, 0.6), Span("pull", 2.5, 3.0), Span("pull", 2.99, 3.4), Span("pull", 0.0, 9.0)):
        with_pull_speeds((span,), activity, Engine(), LIMITS)


@pytest.mark.parametrize("by_s", [-1e-9, 1e-9])
def test_the_last_bit_of_an_edge_does_not_decide_what_is_read(by_s):
    """Edges of spans are sums of frames, which come out a bit beside the row they mean (1.0 as 0.9999999)."""
    activity = envelopes(np.arange(1.12, 1.95, 0.2))
    beside = Span("pull", PULL.start_s + by_s, PULL.end_s + by_s)
    assert np.array_equal(_curve(activity, beside), _curve(activity, PULL))
