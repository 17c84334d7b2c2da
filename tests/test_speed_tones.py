"""What the tones of a sound do beside the lines of the tracked speed."""

import numpy as np
import pytest
from scipy.special import erfc

from enginelog import speed
from enginelog.limits import load
from enginelog.model import RHYTHM, Clip, Engine
from enginelog.speed.evidence import frame_times, whitened_frames
from enginelog.speed.tones import COLUMNS, FROM_HZ, HOP_S, TONE, WIDE, WINDOW_S, tone_columns

RATE_HZ, SECONDS = WIDE.rate_hz, 8.0
T_S = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
TIMES = frame_times(SECONDS, 0.05)


def read(sound: np.ndarray, cycle_hz) -> dict[str, np.ndarray]:
    """The columns by name, away from the ends."""
    found = tone_columns(sound.astype(np.float32), TIMES, np.broadcast_to(cycle_hz, TIMES.shape))
    return dict(zip(COLUMNS, found[40:-40].T, strict=True))


def engine_lines(cycle_hz: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Forty lines of a cycle rate that is given for each sample, in noise."""
    turned = np.cumsum(cycle_hz) / RATE_HZ
    return sum(np.cos(2 * np.pi * k * turned + k**2) for k in range(3, 43)) + noise


def noise(level: float = 1.0) -> np.ndarray:
    return level * np.random.default_rng(5).standard_normal(len(T_S))


def test_noise_has_as_many_tones_as_the_rayleigh_distribution_says():
    """Amplitudes of a spectrum of white noise are Rayleigh distributed: over their mean m, P(a > x m) is
    exp(-pi x^2 / 4) (any handbook of statistics), so the mean of what lies above x is erfc(x sqrt(pi) / 2)."""
    level, bin_hz = whitened_frames(noise().astype(np.float32), WIDE, frame_times(SECONDS, HOP_S), WINDOW_S)
    places = np.arange(level.shape[1]) * bin_hz > FROM_HZ
    above = np.maximum(level[:, places] - TONE, 0.0).mean()
    assert above == pytest.approx(erfc(TONE * np.sqrt(np.pi) / 2), rel=0.35)
    found = read(noise(), 12.0)
    assert np.abs(found["same"]).max() < 0.2 and np.abs(found["same_turned"]).max() < 0.2


def test_the_lines_of_a_steady_engine_lie_on_its_lines_and_stay():
    found = read(engine_lines(np.full(len(T_S), 25.0), noise()), 25.0)
    assert found["tones_on"].min() > 0.5
    assert found["same"].min() > 0.6


def test_lines_that_turn_with_the_speed_are_the_same_once_its_change_is_taken_out():
    """Three per cent a second: half a second later the tenth line lies four bins aside."""
    rate_hz = 25.0 * np.exp(0.03 * T_S)
    found = read(engine_lines(rate_hz, noise(0.3)), np.interp(TIMES, T_S, rate_hz))
    assert np.median(found["same_turned"] - found["same"]) > 0.3


def test_notes_beside_the_lines_are_told_from_lines():
    """A chord each half second, of equal temperament about A4 = 440 Hz (ISO 16), while the track stays at 25 Hz."""
    steps = np.random.default_rng(3).integers(-20, 20, (int(SECONDS / 0.5), 3))
    notes = np.repeat(440.0 * 2.0 ** (steps / 12.0), int(0.5 * RATE_HZ), axis=0)
    turned = np.cumsum(notes, axis=0) / RATE_HZ
    chords = sum(np.cos(2 * np.pi * k * turned).sum(axis=1) / k for k in (1, 2, 3))
    music, engine = read(chords + noise(0.05), 25.0), read(engine_lines(np.full(len(T_S), 25.0), noise()), 25.0)
    assert np.median(music["tones_on"]) < 0.2 < np.median(engine["tones_on"])
    assert np.median(music["tones_beside"]) > np.median(engine["tones_beside"]) + 0.5


@pytest.mark.parametrize("seconds", [0.02, 0.3, 0.6, 1.1])
def test_a_short_sound_has_finite_columns(seconds):
    clip = Clip(noise()[: int(RATE_HZ * seconds)].astype(np.float32), RATE_HZ)
    rhythm = speed.track(clip, Engine(), load("speed")).rhythm
    assert rhythm.shape[1] == len(RHYTHM) and np.isfinite(rhythm).all()


def test_the_columns_stand_in_the_rhythm_under_their_names():
    assert RHYTHM[-len(COLUMNS) :] == COLUMNS
