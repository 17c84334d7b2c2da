"""Bangs beside the regular firing: told from knocks on metal, from other swells, and from the sound of a run-down."""

from __future__ import annotations

import numpy as np
import pytest

from enginelog import synthesis, timeline
from enginelog.limits import load
from enginelog.model import Clip, Span
from enginelog.timeline import pops

LIMITS = load("timeline")
RATE = 16_000


def thud(seconds: float = 0.05) -> np.ndarray:
    """A bang as an exhaust makes one: it begins at once and rings at 300 Hz, with some hiss."""
    t = np.arange(int(seconds * RATE)) / RATE
    hiss = np.random.default_rng(3).standard_normal(len(t))
    return (np.cos(2 * np.pi * 300 * t) + 0.3 * hiss) * np.exp(-t / 0.012)


CLICK = np.ones(1)  # a knock on metal: all edge
SWELL = 0.2 * np.hanning(int(0.08 * RATE)) * np.cos(2 * np.pi * 500 * np.arange(int(0.08 * RATE)) / RATE)  # all middle


def sounding(piece: np.ndarray, at_s: np.ndarray, quiet_until_s: float = 5.0, seconds: float = 15.0, fall_s=None):
    """Noise, louder by 20 dB from `quiet_until_s` until `fall_s`, with `piece` at the moments given."""
    rng = np.random.default_rng(6)
    samples = 0.002 * rng.standard_normal(int(seconds * RATE))
    samples[int(quiet_until_s * RATE) : None if fall_s is None else int(fall_s * RATE)] *= 10
    for at in (at_s * RATE).astype(int):
        samples[at : at + len(piece)] += 0.6 * piece
    return timeline.listen(Clip(samples.astype(np.float32), RATE), LIMITS)


RAN = (Span("quiet", 0.0, 5.0), Span("run", 5.0, 15.0))


@pytest.mark.parametrize("quiet_too", [False, True])
def test_bangs_that_came_before_the_engine_are_not_its_own(quiet_too):
    at = np.arange(0.5 if quiet_too else 6.7, 14.5, 0.7)
    found = pops.bangs(sounding(thud(), at), RAN, LIMITS)
    assert len(found) == (0 if quiet_too else len(at))
    assert {pop.where for pop in found} <= {"running"}


@pytest.mark.parametrize(("piece", "name"), [(CLICK, "knock"), (SWELL, "voice")])
def test_what_is_all_edge_or_has_none_is_no_bang(piece, name):
    assert pops.bangs(sounding(piece, np.arange(6.7, 14.5, 0.7)), RAN, LIMITS) == (), name


def test_what_is_beside_missing_sound_is_no_bang():
    """As a decoder leaves it after a damaged place, or an edit; however short the silence."""
    levels = sounding(thud(), np.array([7.0, 9.0, 11.0]))
    for silent in (((8.9, 8.95),), ((9.2, 9.25),), ((8.0, 9.5),)):
        assert [round(pop.at_s) for pop in pops.bangs(levels, RAN, LIMITS, silent)] == [7, 11]
    assert len(pops.bangs(levels, RAN, LIMITS, ((8.0, 8.5), (9.5, 10.0)))) == 3


def test_bangs_after_the_cut_are_found_where_the_sound_falls():
    spans = (Span("run", 0.0, 10.0), Span("rundown", 10.0, 12.0), Span("quiet", 12.0, 15.0))
    at = np.array([10.6, 11.3])
    found = pops.bangs(sounding(thud(), at, 0.0, fall_s=10.0), spans, LIMITS)
    assert [pop.where for pop in found] == ["after_cut"] * 2
    assert np.allclose([pop.at_s for pop in found], at, atol=0.03)
    assert pops.bangs(sounding(CLICK, at, 0.0, fall_s=10.0), spans, LIMITS) == ()
    assert pops.bangs(sounding(thud(), at, 0.0), spans, LIMITS) == ()  # as loud after as before: nothing stands out
    late = sounding(thud(), np.array([10.6, 11.9]), 0.0, 12.0, fall_s=10.0)  # within a tenth of a second of the end
    assert [round(pop.at_s, 1) for pop in pops.bangs(late, (*spans[:1], Span("rundown", 10.0, 12.0)), LIMITS)] == [10.6]
    again = (*spans[:1], Span("quiet", 10.0, 10.9), Span("pull", 10.9, 11.5), Span("run", 11.5, 15.0))
    assert [round(pop.at_s, 1) for pop in pops.bangs(sounding(thud(), at, 0.0, fall_s=10.0), again, LIMITS)] == [10.6]


def test_made_up_bangs_are_bangs():
    """Each rises above the engine by nearly as much as above its firings alone, for which 8 to 16 dB is drawn."""
    scenario = synthesis.random_scenario(7, "mower", "clean", "afterfire,cut", phone={"level_dbfs": -40.0})
    clip, truth = synthesis.make(scenario)
    t_s, level = np.arange(len(clip.samples)) / clip.rate_hz, np.abs(clip.samples)
    firing = np.percentile(level[(t_s > truth.cut_s - 3) & (t_s < truth.cut_s)], 99.8)
    assert truth.pops
    for pop in truth.pops:
        bang = level[(t_s > pop - 0.02) & (t_s < pop + 0.1)].max()
        assert 4 < 20 * np.log10(bang / firing) < scenario.colour.pop_db + 2
