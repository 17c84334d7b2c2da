"""Speed against outside facts: firing frequencies, the missing fundamental, ideal lines, the estimation bound."""

import numpy as np
import pytest

from enginelog import limits, speed
from enginelog.model import Clip, Engine
from enginelog.speed.evidence import layout_of
from enginelog.speed.steady import steady_rate

SPEED = limits.load("speed")


def pulses(firing_hz: float, seconds: float = 4.0, rate_hz: float = 16000.0, seed: int = 0, noise: float = 0.05):
    """A train of short decaying puffs at an even rate, each a little different, in noise."""
    rng = np.random.default_rng(seed)
    samples = np.zeros(int(seconds * rate_hz))
    for at in np.arange(0.05, seconds - 0.05, 1.0 / firing_hz):
        length = int(min(0.02, 0.5 / firing_hz) * rate_hz)
        shape = np.exp(-np.arange(length) / (0.2 * length)) * rng.standard_normal(length)
        samples[int(at * rate_hz) : int(at * rate_hz) + length] += (1 + 0.1 * rng.standard_normal()) * shape
    return Clip((0.2 * samples + noise * rng.standard_normal(len(samples))).astype(np.float32), rate_hz)


@pytest.mark.parametrize(
    ("rpm", "strokes", "firing_hz"),
    # Firing frequency N*c/120 (four-stroke) and N*c/60 (two-stroke): Heywood, Internal Combustion Engine Fundamentals;
    # Taylor, The Internal-Combustion Engine in Theory and Practice. Values by that formula.
    [(1400, 4, 11.667), (1750, 4, 14.583), (3000, 4, 25.0), (3600, 4, 30.0), (2800, 2, 46.667), (13000, 2, 216.667)],
)
def test_firing_frequency_table(rpm, strokes, firing_hz):
    engine = Engine(strokes=strokes)
    assert rpm * engine.firing_hz_per_rpm == pytest.approx(firing_hz, abs=5e-4)
    track = speed.track(pulses(firing_hz), engine, SPEED)
    assert np.nanmedian(track.rpm) == pytest.approx(rpm, rel=0.003)
    assert np.isfinite(track.rpm[5:-5]).mean() > 0.7


def test_missing_fundamental():
    """A comb of 25 Hz with every line under 200 Hz removed is still 25 Hz (textbook: the missing fundamental)."""
    rng, rate_hz = np.random.default_rng(1), 16000.0
    t = np.arange(int(4 * rate_hz)) / rate_hz
    lines = [np.cos(2 * np.pi * 25.0 * k * t + rng.uniform(0, 6)) for k in range(8, 40)]
    clip = Clip((0.02 * np.sum(lines, axis=0) + 0.01 * rng.standard_normal(len(t))).astype(np.float32), rate_hz)
    assert np.nanmedian(speed.track(clip, Engine(), SPEED).rpm) == pytest.approx(3000.0, rel=0.001)


@pytest.mark.parametrize(
    ("angles", "strengths"),
    # Ideal line strengths at orders 0.5 to 4: abs(sum(exp(-j*q*theta))), arithmetic from published firing-order tables.
    [
        ((0, 270), (0.7654, 1.4142, 1.8478, 0, 1.8478, 1.4142, 0.7654, 2)),
        ((0, 180), (1.4142, 0, 1.4142, 2, 1.4142, 0, 1.4142, 2)),
        ((0, 360), (0, 2, 0, 2, 0, 2, 0, 2)),
    ],
)
def test_layout_expects_the_ideal_lines(angles, strengths):
    weight = np.array(layout_of(Engine(cylinders=2, firing_angles_deg=angles)).weight)[1:16:2]
    ideal = np.array(strengths) / 2
    strong, absent = ideal > 0.6, ideal < 0.3
    assert np.allclose(weight[strong], ideal[strong], atol=1e-3)
    assert np.all(weight[absent] < 0)


@pytest.mark.parametrize(("seconds", "snr_db"), [(1, 20), (1, 0), (5, 10)])
def test_steady_sound_reaches_the_cramer_rao_bound(seconds, snr_db):
    """Rife & Boorstyn 1974, IEEE Trans. Inf. Theory 20(5): var(w0) >= 12 / (n^3 sum k^2 snr_k) for harmonic lines."""
    rng, rate_hz, errors = np.random.default_rng(seconds * 100 + snr_db), 4000.0, []
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    variance = 5.0 / 10 ** (snr_db / 10)  # ten lines of amplitude 1 have a power of 5
    for _ in range(24):
        true_hz = 25.0 + rng.random()
        sound = sum(np.cos(2 * np.pi * k * true_hz * t + rng.uniform(0, 6.28)) for k in range(1, 11))
        sound = sound + np.sqrt(variance) * rng.standard_normal(len(t))
        found = steady_rate(sound, rate_hz, true_hz * (1 + 8e-5 * rng.standard_normal()))
        errors.append(found.cycle_hz - true_hz)
    bound_hz = np.sqrt(12 / (len(t) ** 3 * 385 / (2 * variance))) * rate_hz / (2 * np.pi)
    assert np.sqrt(np.mean(np.square(errors))) < 1.5 * bound_hz


def test_bound_agrees_with_the_published_figure():
    """Ten equal harmonics of 25 Hz, 1 s at 8 kHz, 0 dB each (A = 1, s2 = 0.5): 0.000314149 Hz by the harmonic bound."""
    bound_hz = np.sqrt(12 / (8000**3 * 385)) * 8000 / (2 * np.pi)
    assert bound_hz == pytest.approx(0.000314149, rel=1e-3)
    t = np.arange(8000) / 8000
    rng = np.random.default_rng(5)
    sound = sum(np.cos(2 * np.pi * k * 25 * t + k) for k in range(1, 11)) + np.sqrt(0.5) * rng.standard_normal(8000)
    assert steady_rate(sound, 8000.0, 25.0).std_hz == pytest.approx(bound_hz, rel=0.25)


@pytest.mark.parametrize(("angles", "firing_hz"), [((0, 360), 50.0), ((0, 180, 360, 540), 100.0)])
def test_even_engines_keep_their_octave(angles, firing_hz):
    """Published firing intervals: 360/360 twin and 180 degree four fire evenly; 3000 rpm is 50 and 100 Hz of firing."""
    engine = Engine(cylinders=len(angles), firing_angles_deg=angles)
    track = speed.track(pulses(firing_hz, seed=3), engine, SPEED)
    assert np.nanmedian(track.rpm) == pytest.approx(3000.0, rel=0.003)


def test_noise_has_no_speed():
    rng = np.random.default_rng(7)
    clip = Clip((0.1 * rng.standard_normal(48000 * 5)).astype(np.float32), 48000.0)
    for engine in (Engine(), Engine(strokes=2)):
        track = speed.track(clip, engine, SPEED)
        assert np.isfinite(track.rpm).mean() < 0.15
        assert track.confidence.mean() < 0.35 and track.confidence.max() < 0.75
