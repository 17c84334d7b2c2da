"""The crank's speed by the turns between its firings: against the arithmetic of turns and time, and a made-up sound."""

from dataclasses import replace

import numpy as np
import pytest
from test_firing import LIMITS, run

from enginelog import firing, limits, speed
from enginelog.model import READ_OVER_S, Engine, Firings, Span, Track

SPEED = limits.load("speed")
TWO_STROKE = Engine(strokes=2)


def crank(seconds: float, rpm: float, dips_s: tuple[float, ...], depth: float) -> tuple[np.ndarray, np.ndarray]:
    """Time and turns, each millisecond, of a crank that slows by `depth` for half a second about each moment."""
    t = np.arange(0.0, seconds, 0.001)
    slower = np.sum([np.maximum(0.0, 1.0 - np.abs(t - dip) / 0.25) for dip in dips_s] or [0 * t], axis=0)
    return t, np.concatenate([[0.0], np.cumsum(rpm / 60 * (1 - depth * slower[:-1]) * 0.001)])


def firings_of(t: np.ndarray, turns: np.ndarray, each_turns: float, lost_s: tuple[float, ...] = ()) -> Firings:
    """One firing every `each_turns`; those within 0.1 s of a moment of `lost_s` fail and lie anywhere near."""
    at = np.arange(1.0, turns[-1] - 1.0, each_turns)
    when = np.interp(at, turns, t)
    lost = np.any([np.abs(when - moment) < 0.1 for moment in lost_s], axis=0) if lost_s else np.zeros(len(at), bool)
    when = when + np.where(lost, 0.3 * np.gradient(when), 0.0)  # three tenths of the interval late
    ones, none = np.ones(len(at)), np.full(len(at), np.nan)
    return Firings(when, np.zeros(len(at), int), ones, ones, lost.astype(float), none, 20 * ones, at)


def read_truth(moments: np.ndarray, t: np.ndarray, turns: np.ndarray) -> np.ndarray:
    """Turns over time, the definition of a mean speed."""
    half = READ_OVER_S / 2
    return 60 * (np.interp(moments + half, t, turns) - np.interp(moments - half, t, turns)) / READ_OVER_S


def test_turns_over_time_are_the_speed_through_dips_too():
    t, turns = crank(8.0, 3000.0, (2.0, 5.0), 0.2)
    moments = np.arange(0.5, 7.5, 0.05)
    found = firing.turning_rpm(moments, firings_of(t, turns, 1.0), LIMITS)
    assert np.allclose(found, read_truth(moments, t, turns), rtol=2e-3)
    assert found.min() < 0.87 * 3000


def test_the_moments_of_lost_firings_do_not_count():
    """Only where the window ends within the gap is anything guessed: evenly, from the firings about it."""
    t, turns = crank(8.0, 3000.0, (2.0, 5.0), 0.2)
    moments = np.arange(0.5, 7.5, 0.05)
    firings = firings_of(t, turns, 1.0, lost_s=(2.0, 5.0))
    true = read_truth(moments, t, turns)
    found = firing.turning_rpm(moments, firings, LIMITS)
    assert np.abs(found / true - 1).max() < 0.01
    misled = firing.turning_rpm(moments, replace(firings, miss_probability=0 * firings.t_s), LIMITS)
    assert np.abs(misled / true - 1).max() > 0.02


def test_nothing_is_read_in_noise_across_gaps_and_from_a_few():
    t, turns = crank(8.0, 3000.0, (), 0.0)
    moments = np.arange(0.5, 7.5, 0.05)
    firings = firings_of(t, turns, 1.0)
    assert np.isnan(firing.turning_rpm(moments, replace(firings, snr_db=firings.snr_db - 14), LIMITS)).all()
    names = [each for each in firings.__dataclass_fields__]
    few = Firings(*(getattr(firings, name)[:7] for name in names))
    assert np.isnan(firing.turning_rpm(moments, few, LIMITS)).all()
    holed = (firings.t_s < 3.0) | (firings.t_s > 4.0)
    found = firing.turning_rpm(moments, Firings(*(getattr(firings, name)[holed] for name in names)), LIMITS)
    assert np.array_equal(np.isnan(found), (moments > 2.87) & (moments < 4.13))


def test_no_firings_at_all_tell_no_speed():
    assert np.isnan(firing.turning_rpm(np.array([0.1, 0.2]), firing.join([]), LIMITS)).all()


def test_a_level_track_is_put_right_by_the_sound_of_the_firings():
    """The engine slows by 8 % for half a second, twelve times in twelve seconds; the track tells its usual speed."""
    dips = tuple(np.arange(0.75, 12.0, 0.8))
    t, turns = crank(12.0, 2400.0, dips, 0.08)
    fires_s = np.interp(np.arange(1.0, turns[-1] - 1.0, 1.0), turns, t)
    found = run(fires_s, np.ones(len(fires_s)), 12.0, 2400.0, TWO_STROKE, noise=0.02)
    moments = np.arange(0.5, 11.5, 0.05)
    read = firing.turning_rpm(moments, found, LIMITS)
    true = read_truth(moments, t, turns)
    assert np.isfinite(read).mean() > 0.95
    assert np.nanmedian(read) == pytest.approx(np.median(true), rel=3e-3)
    assert np.median(true) < 2400 * 0.985


def level(turning: np.ndarray | None) -> Track:
    t = (np.arange(200) + 0.5) * 0.05
    return Track(t, 3000.0 + 1e-4 * np.sin(np.arange(200)), np.full(200, 0.95), np.ones(200), None, turning)


def test_the_runs_speed_is_read_by_the_turns_where_they_are_told():
    spans = (Span("run", 0.0, 10.0),)
    slower = np.where(np.arange(200) < 130, 2900.0, 3000.0)
    assert speed.summarise(level(slower), spans, SPEED).rpm == pytest.approx(2900, rel=1e-6)
    unread = np.where(np.arange(200) < 130, np.nan, 3010.0)
    assert speed.summarise(level(unread), spans, SPEED).rpm == pytest.approx(3000, rel=1e-6)
    assert speed.summarise(level(None), spans, SPEED).rpm == pytest.approx(3000, rel=1e-6)


def test_a_track_in_step_all_along_is_finer_than_any_turn():
    """The lines of a steady tone tell its rate near the estimation bound; turns between firings are counted to 1e-4."""
    track = replace(level(np.full(200, 3000.5)), rpm=np.full(200, 3000.0))
    assert speed.summarise(track, (Span("run", 0.0, 10.0),), SPEED).rpm == pytest.approx(3000, rel=1e-9)
    assert speed.summarise(level(np.full(200, 3000.5)), (Span("run", 0.0, 10.0),), SPEED).rpm > 3000.4


def test_turns_counted_an_octave_off_do_not_count():
    spans = (Span("run", 0.0, 10.0),)
    for wrong in (1500.0, 6000.0, 4000.0):
        assert speed.summarise(level(np.full(200, wrong)), spans, SPEED).rpm == pytest.approx(3000, rel=1e-6)


def test_unsure_frames_widen_the_interval_less_where_the_turns_are_told():
    spans = (Span("run", 0.0, 10.0),)
    rpm = np.linspace(2900.0, 3100.0, 200)
    widths = []
    for turning in (None, np.full(200, np.nan), rpm):
        found = speed.summarise(replace(level(turning), rpm=rpm, confidence=np.full(200, 0.7)), spans, SPEED)
        widths.append(found.rpm_high - found.rpm_low)
    assert widths[0] == widths[1] > 1.2 * widths[2] > 0
