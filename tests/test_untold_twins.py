"""A twin of which nobody told how it fires is not read at half its speed with confidence.

Firing intervals of 360/360, 270/450 and 180/540 degrees: published firing-order tables.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import make_runs
import numpy as np
import pytest

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP / "scripts"))

from measuring.made import analysed  # noqa: E402

from enginelog import analysis, limits, speed  # noqa: E402
from enginelog.cli.engine_options import engine_from, hints  # noqa: E402
from enginelog.compare import comparable  # noqa: E402
from enginelog.findings import doubt  # noqa: E402
from enginelog.model import Clip, Engine, Finding, Speed  # noqa: E402
from enginelog.report import facts, words  # noqa: E402
from enginelog.speed import twins  # noqa: E402

LIMITS = limits.load("speed")
UNTOLD = Engine(cylinders=2, firing_angles_deg=(0.0, 360.0), assumed=("firing_angles_deg",))
TOLD = replace(UNTOLD, assumed=())


def twin(angle: float, rpm: float, seconds: float = 8.0) -> Clip:
    """Damped pulses at the firing moments of a twin, a little uneven in time and strength, and noise 12 dB down."""
    rng, rate = np.random.default_rng(int(angle) + int(rpm)), 16000
    ring = np.arange(1200) / rate
    shape = np.exp(-ring / 0.004) * np.sin(2 * np.pi * 190 * ring) + 0.5 * np.exp(-ring / 0.002) * np.sin(4400 * ring)
    sound = np.zeros(int(rate * seconds) + 2000)
    cycle_s = 120.0 / rpm
    for number in range(int(seconds / cycle_s)):
        for place in (0.0, angle / 720.0):
            first = int((number + place + 0.003 * rng.standard_normal()) * cycle_s * rate) + 50
            sound[first : first + 1200] += shape * (1 + 0.1 * rng.standard_normal())
    sound = sound[: int(rate * seconds)]
    sound += 0.25 * sound.std() * rng.standard_normal(len(sound))
    return Clip((0.3 * sound / np.abs(sound).max()).astype(np.float32), rate)


@pytest.mark.parametrize(("angle", "rpm"), [(270.0, 3300.0), (180.0, 3000.0), (360.0, 3300.0), (270.0, 1700.0)])
def test_a_twin_is_read_right_or_the_true_speed_is_named_beside(angle, rpm):
    run = analysed(twin(angle, rpm), UNTOLD)
    found = run.measures.speed
    named = [found.rpm, found.or_rpm]
    assert any(one is not None and one == pytest.approx(rpm, rel=0.01) for one in named)
    assert found.rpm == pytest.approx(rpm, rel=0.01) or found.confidence < 0.5
    assert run.engine.assumed == ("firing_angles_deg",)


def test_an_uneven_twin_taken_for_even_is_read_at_half_its_speed():
    """What it is all about; the program does as it was told."""
    run = analysed(twin(270.0, 3300.0), TOLD)
    assert run.measures.speed.rpm == pytest.approx(1650, rel=0.01)
    assert run.engine.firing_angles_deg == (0.0, 360.0)


def test_the_demo_twin_is_read_at_its_speed_without_its_firing_angles():
    folder = TOP / "recordings_demo"
    truth = json.loads((folder / "mower_badger_twin.truth.json").read_text(encoding="utf-8"))
    run = analysis.analyse(str(folder / "mower_badger_twin.m4a"), UNTOLD)
    found = run.measures.speed
    assert any(one == pytest.approx(truth["speed_rpm"], rel=0.01) for one in (found.rpm, found.or_rpm) if one)
    assert found.rpm == pytest.approx(truth["speed_rpm"], rel=0.01) or found.confidence < 0.5


@pytest.mark.parametrize(
    "engine", [TOLD, Engine(assumed=("firing_angles_deg",)), replace(UNTOLD, strokes=2, firing_angles_deg=(0.0, 180.0))]
)
def test_only_a_four_stroke_twin_is_asked_how_it_fires(engine):
    assert not engine.firing_open
    assert UNTOLD.firing_open


def test_a_likely_other_speed_is_named_and_takes_the_confidence():
    sure = Speed(3300.0, 3290.0, 3310.0, None, 0.97)
    doubted = speed.HeardAngles((0.0, 270.0), 0.7, 0.5).doubted(sure, LIMITS)
    assert doubted.or_rpm == 1650.0 and doubted.confidence == LIMITS.value("confidence_in_doubt")
    assert speed.HeardAngles((0.0, 270.0), 0.95, 0.5).doubted(sure, LIMITS) == sure
    assert speed.HeardAngles((0.0, 270.0), 0.7, None).doubted(sure, LIMITS) == sure
    good = [Finding("misfire", "ok", "None lost."), Finding("hunting", "ok", "None.")]
    slower, faster = (doubt.none_good_in_doubt(good, UNTOLD, replace(doubted, or_rpm=rpm)) for rpm in (1650.0, 6600.0))
    assert "1650 rpm, firing evenly" in slower[0].text and slower[0].verdict == "unknown"
    assert "firing unevenly, or with a cylinder" in faster[0].text and faster[1] == good[1]


def test_chances_are_of_the_three_ways_and_add_up():
    chances = twins.chance_of(np.zeros(len(twins.WAYS) * len(twins.FIGURES)))
    assert chances.shape == (3,) and chances.sum() == pytest.approx(1.0) and (chances >= 0).all()


def test_live_listening_doubts_a_twin_until_it_has_heard_how_it_fires():
    """One stretch alone: half or all of the speed, so no frame is sure. After a few more the speed is the true one."""
    clip = twin(180.0, 3000.0, 20.0)
    hear = analysis.listener(UNTOLD)
    stretches = [
        Clip(clip.samples[first : first + 64_000], clip.rate_hz, first / clip.rate_hz)
        for first in range(0, len(clip.samples) - 64_000, 16_000)
    ]
    tracks = [hear(one, False)[0] for one in stretches]
    least = LIMITS.value("least_confidence")
    assert np.max(tracks[0].confidence) <= least + 1e-6
    assert np.median(tracks[-1].confidence) > 0.7 and np.nanmedian(tracks[-1].rpm) == pytest.approx(3000, rel=0.01)
    assert all(np.nanmedian(one.rpm) > 2900 or np.max(one.confidence) <= least + 1e-6 for one in tracks)
    assert analysis.listener(TOLD)(stretches[0], False)[0].confidence.max() > 0.7


def test_what_was_taken_from_the_sound_is_said():
    engine = engine_from("4", 2, None, None, None, None, None, None)
    assert any("0,270" in line and "sound" in line for line in hints(engine))
    uneven = replace(engine, firing_angles_deg=(0.0, 270.0))
    assert "uneven firing, which fits the sound best" in words.assumed_words(uneven)
    run = make_runs.healthy_generator()
    assert "uneven firing as it sounds, which nobody told" in facts.speed(replace(run, engine=uneven)).behind
    before, after = (replace(UNTOLD, firing_angles_deg=angles) for angles in ((0.0, 270.0), (0.0, 180.0)))
    assert "taken from each sound" in comparable._layout(before, after).advice
