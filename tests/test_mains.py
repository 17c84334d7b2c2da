"""Mains hum is found by what tells it from an engine, and taken out without the engine.

The rates of the grid: 50 and 60 Hz (IEC 60038, standard frequencies; from memory). What is found is checked against
sound put together here with plain numpy, and against made-up engines with and without hum, seeds of their own.
"""

import numpy as np
import pytest

from enginelog import limits, synthesis
from enginelog.dsp.mains import LEAST_S, find_hum, hum_of, without_hum
from enginelog.dsp.signals import resample
from enginelog.model import Engine
from enginelog.speed.tracking import pursue
from enginelog.timeline.heard import hums
from enginelog.timeline.states import Views

RATE_HZ = 16_000.0


def hum(seconds: float, base_hz: float, gains=((2, 1.0), (4, 0.5), (6, 0.3))) -> np.ndarray:
    t_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return sum(gain * np.sin(2 * np.pi * base_hz * k * t_s + k) for k, gain in gains).astype(np.float32)


def noise(seconds: float, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(int(seconds * RATE_HZ)).astype(np.float32)


def firings(seconds: float, firing_hz: float, wobble: float, seed: int) -> np.ndarray:
    """Pulses of an engine whose speed wanders by a share `wobble` (random walk drawn back to the middle)."""
    rng = np.random.default_rng(seed)
    aside, gaps = 0.0, []
    while sum(gaps) < seconds:
        aside = 0.98 * aside + 0.2 * wobble * rng.standard_normal()
        gaps.append((1.0 + aside) / firing_hz)
    out = np.zeros(int(seconds * RATE_HZ) + 800, np.float32)
    for at in np.cumsum(gaps)[:-1]:
        first = int(at * RATE_HZ)
        if first < len(out) - 400:
            out[first : first + 400] += np.exp(-np.arange(400) / 60.0) * np.sin(np.arange(400) / 3.0)
    return out[: int(seconds * RATE_HZ)]


@pytest.mark.parametrize("base_hz", [50.0, 49.95, 60.02])
def test_the_rate_of_the_grid_is_told_to_a_hundredth_of_a_hertz(base_hz):
    found = find_hum(hum(20, base_hz) + noise(20, 1), RATE_HZ)
    assert found is not None and {2, 4, 6} <= set(found.multiples)
    assert found.base_hz == pytest.approx(base_hz, abs=0.002)


@pytest.mark.parametrize("base_hz", [50.0, 60.0])
@pytest.mark.parametrize("steps", [None, 32767])
def test_hum_without_any_noise_is_hum(base_hz, steps):
    """A tone generator's: under its lines there is nothing but the rounding of the samples."""
    sound = 0.1 * hum(20, base_hz, ((1, 1.0), (2, 0.5), (3, 0.3), (4, 0.25)))
    found = find_hum(sound if steps is None else np.round(sound * steps) / np.float32(steps), RATE_HZ)
    assert found is not None and {1, 2, 3, 4} <= set(found.multiples)  # rounding has lines at multiples, too
    assert found.base_hz == pytest.approx(base_hz, abs=1e-6)


def test_hum_is_taken_out_to_a_tenth_though_the_phone_turns_its_gain_down():
    gain = np.where(np.arange(int(20 * RATE_HZ)) < 8 * RATE_HZ, 1.0, 0.4).astype(np.float32)
    true = gain * hum(20, 50.01)
    sound = true + noise(20, 2)
    left = true - hum_of(sound, RATE_HZ, find_hum(sound, RATE_HZ))
    for first_s, last_s in ((0, 6), (10, 20)):  # a few seconds about the step apart
        part = slice(int(first_s * RATE_HZ), int(last_s * RATE_HZ))
        assert np.std(left[part]) < 0.1 * np.std(true[part])


def test_too_short_a_sound_does_not_tell():
    sound, share = without_hum(hum(LEAST_S - 1, 50.0), RATE_HZ)
    assert np.isnan(share) and np.array_equal(sound, hum(LEAST_S - 1, 50.0))
    assert without_hum(noise(10, 3), RATE_HZ)[1] == 0.0
    assert without_hum(hum(10, 50.0) + 0.3 * noise(10, 3), RATE_HZ)[1] == pytest.approx(0.67 / (0.67 + 0.09), abs=0.02)


@pytest.mark.parametrize("firing_hz", [25.0, 50.0, 60.0, 100.0])
@pytest.mark.parametrize("seed", range(3))
def test_an_engine_at_the_rate_of_the_grid_is_no_hum(firing_hz, seed):
    """Its speed wanders by a thousandth, which is steadier than small engines run (common practice, no source)."""
    sound = firings(20, firing_hz, 0.001, seed) + 0.05 * noise(20, seed)
    assert find_hum(sound, RATE_HZ) is None


def two_lines(seconds: float, base_hz: float, wobble: float, seed: int) -> np.ndarray:
    """A line and its double, whose rate wanders by the share `wobble` within some seconds."""
    slow = np.interp(
        np.arange(seconds * RATE_HZ) / RATE_HZ, np.arange(seconds + 1), noise(seconds + 1, seed)[: seconds + 1]
    )
    turned = np.cumsum(base_hz * (1 + wobble * slow)) / RATE_HZ
    return (np.sin(2 * np.pi * turned) + 0.6 * np.sin(4 * np.pi * turned + 1.0)).astype(np.float32)


@pytest.mark.parametrize("seed", range(3))
def test_a_hum_of_two_lines_is_told_by_their_phases_from_what_wanders(seed):
    """Without higher lines, which lose their phase first, all that there are must keep theirs."""
    beside = 0.05 * noise(8, 20 + seed)
    found = find_hum(two_lines(8, 49.994, 0.0, seed) + beside, RATE_HZ)
    assert found.base_hz == pytest.approx(49.994, abs=0.01) and found.multiples[:2] == (1, 2)
    assert find_hum(two_lines(8, 49.994, 0.001, seed) + beside, RATE_HZ) is None


def test_a_perfect_tone_with_lines_half_way_between_is_no_hum():
    """25 Hz and its multiples as a whole: a bench's pulses, of which every second line lies on the grid's rate."""
    assert find_hum(hum(20, 25.0, tuple((k, 1.0) for k in range(1, 25))) + noise(20, 4), RATE_HZ) is None


def test_an_engine_that_passes_the_grid_s_rate_is_left_as_it_was():
    """An engine hunting across 3000 rpm beside a hum of 50 Hz: what is left holds 97 % of its power."""
    engine = firings(20, 50.0, 0.004, 5)
    sound = engine + 0.5 * hum(20, 50.0)
    left, share = without_hum(sound, RATE_HZ)
    assert share > 0
    assert np.sum(left * engine) / np.sum(engine**2) > 0.97


def test_made_up_engines_without_hum_have_none():
    """Seeds of their own; the whole of these (371) showed none either when the limits were chosen on others."""
    for seed in range(41_000, 41_024):
        scenario = synthesis.random_scenario(seed, "any", "easy" if seed % 2 else "ordinary")
        if scenario.place.hum_db is None:
            clip, _ = synthesis.make(scenario)
            assert find_hum(resample(clip.samples, clip.rate_hz, RATE_HZ), RATE_HZ) is None, seed


def test_the_engine_is_tracked_beside_a_hum_louder_than_itself():
    """A mower at 2040 rpm in a shed with a freezer; hum alone would be followed at a part of 100 Hz."""
    from enginelog.model import Clip

    engine = firings(16, 17.0, 0.003, 6)
    sound = engine / np.std(engine) + 2.5 * hum(16, 50.0) + 0.7 * noise(16, 7)
    chosen = limits.load("speed")
    found = pursue(Clip(sound.astype(np.float32), RATE_HZ), Engine(), chosen)
    assert found.hum > 0.5
    assert np.mean(np.abs(found.cycle_hz / 17.0 - 1.0) < 0.02) > 0.95


def test_lines_of_a_steady_tone_on_some_multiples_are_no_hum():
    """A twin's tone of 25 Hz on a bench: its lines at 300 and 600 Hz are the fifth and tenth of 60 Hz."""
    assert find_hum(hum(20, 25.0, tuple((k, 1.0) for k in range(1, 25) if k % 4)) + noise(20, 8), RATE_HZ) is None


@pytest.mark.parametrize(("share", "doubted"), [(0.0, False), (0.1, True), (np.nan, True)])
def test_only_where_hum_was_found_is_an_engine_at_its_rate_doubted(share, doubted):
    """A generator at 3000 rpm, 25 firings a second: a quarter of the 100 Hz at which hum beats."""
    seen = Views(*[np.ones(60)] * 2, np.zeros((60, 4)), np.full(60, 25.0), np.full(60, 0.3), np.full(60, share))
    assert hums(seen, 0, 60, limits.load("timeline")) == doubted


def test_what_is_left_of_a_sound_that_was_mostly_hum_is_its_buzz():
    seen = Views(*[np.ones(60)] * 2, np.zeros((60, 4)), np.full(60, 17.3), np.full(60, 3.0), np.full(60, 0.8))
    assert hums(seen, 0, 60, limits.load("timeline"))
