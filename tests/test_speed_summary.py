"""The one speed of a run: its median, how far it may be off, and speeds that were told beforehand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from enginelog import limits, speed, synthesis
from enginelog.model import RHYTHM, Clip, Engine, Span, Track
from enginelog.speed.kinds import usual_range

LIMITS = limits.load("speed")
HOP_S = 0.05


def track_of(rpm: np.ndarray, confidence: float = 0.95) -> Track:
    t = (np.arange(len(rpm)) + 0.5) * HOP_S
    sure = np.where(np.isfinite(rpm), confidence, 0.2)
    return Track(t, rpm, sure, np.ones(len(rpm)))


def wandering(rpm: float, frames: int, seed: int = 1) -> np.ndarray:
    return rpm * (1 + 0.001 * np.random.default_rng(seed).standard_normal(frames))


def test_a_steady_run_is_told_narrowly():
    found = speed.summarise(track_of(wandering(3000, 200)), (Span("run", 0.0, 10.0),), LIMITS)
    assert found.rpm == pytest.approx(3000, rel=1e-3)
    assert found.rpm_high - found.rpm_low < 0.01 * 3000
    assert found.confidence > 0.9


def test_the_median_is_bounded_by_the_frames_left_out():
    """Of 200 frames 60 are unknown: the median of all lies within 30 places of the middle of the other 140, whatever
    the unknown ones were (definition of the median)."""
    ramp = np.linspace(2000, 3000, 200)
    some = ramp.copy()
    some[np.random.default_rng(2).permutation(200)[:60]] = np.nan
    found = speed.summarise(track_of(some), (Span("run", 0.0, 10.0),), LIMITS)
    known = some[np.isfinite(some)]
    assert found.rpm_low <= np.quantile(known, 0.3) and found.rpm_high >= np.quantile(known, 0.7)
    for rest in (0.0, 9000.0):
        worst = np.median(np.where(np.isfinite(some), some, rest))
        assert found.rpm_low - 20 <= worst <= found.rpm_high + 20


def test_a_run_at_two_speeds_has_no_one_speed():
    two = np.concatenate([wandering(1700, 101), wandering(3400, 99)])
    found = speed.summarise(track_of(two), (Span("quiet", 0.0, 0.3), Span("run", 0.3, 10.0)), LIMITS)
    assert found.rpm_low < 2000 and found.rpm_high > 3350
    assert found.confidence < 0.1


def test_the_interval_reaches_as_far_as_evening_moves_the_median():
    """Of a run that mostly keeps to 3000 rpm and drops to 2700 now and then, the noise of the readings pulls the median
    down, the more the less they are evened (scipy's moving mean): the median told is the evener one, and the interval
    holds that of readings over a quarter of a second and over three quarters."""
    rng = np.random.default_rng(5)
    level = np.where(np.arange(800) // 80 % 5 < 2, 2700.0, 3000.0)
    for _ in range(20):
        noisy = level * (1 + 0.003 * rng.standard_normal(len(level)))
        once = uniform_filter1d(noisy, 5, mode="nearest")
        found = speed.summarise(track_of(noisy), (Span("run", 0.0, 40.0),), LIMITS)
        assert np.median(once) < found.rpm < 3000
        for wider in (once, uniform_filter1d(once, 11, mode="nearest")):
            assert found.rpm_low <= np.median(wider) + 0.1 and np.median(wider) - 0.1 <= found.rpm_high


def test_a_missed_part_of_a_run_widens_the_interval():
    two = np.concatenate([wandering(1700, 120), wandering(3400, 80)])
    found = speed.summarise(track_of(two), (Span("quiet", 0.0, 6.0), Span("run", 6.0, 10.0)), LIMITS)
    assert found.rpm == pytest.approx(3400, rel=2e-3)
    assert found.rpm_low < 1750
    assert found.confidence < 0.1


def test_frames_that_are_hardly_heard_widen_the_interval():
    """A ramp heard with confidence 0.6: a fifth of its frames (half of what is lacking) may lie on either side of the
    middle, so the median may be any of the middle fifth (definition of the median)."""
    ramp = np.linspace(2800, 3200, 400)
    found = speed.summarise(track_of(ramp, 0.6), (Span("run", 0.0, 20.0),), LIMITS)
    assert found.rpm_low <= np.quantile(ramp, 0.4) + 1 and found.rpm_high >= np.quantile(ramp, 0.6) - 1
    sure = speed.summarise(track_of(ramp, 0.99), (Span("run", 0.0, 20.0),), LIMITS)
    assert sure.rpm_high - sure.rpm_low < 0.5 * (found.rpm_high - found.rpm_low)


def heard(rpm: np.ndarray, confidence: float, octave: float) -> Track:
    """A track whose frames showed this lead over the other octaves; their other figures are middling."""
    track = track_of(rpm, confidence)
    rhythm = np.full((len(rpm), len(RHYTHM)), 0.5, np.float32)
    rhythm[:, RHYTHM.index("octave_margin")] = octave
    rhythm[:, RHYTHM.index("pitch")] = np.log(np.where(np.isfinite(rpm), rpm, np.nanmedian(rpm)) / 120.0)
    return replace(track, rhythm=rhythm)


def test_what_a_whole_run_shows_bounds_its_confidence():
    waving, running = 3000 * (1 + 0.03 * np.sin(np.arange(200) / 5)), (Span("run", 0.0, 10.0),)
    steady = speed.summarise(heard(wandering(3000, 200), 0.95, 0.5), running, LIMITS, engine=Engine())
    assert steady.confidence > 0.9
    good = speed.summarise(heard(waving, 0.9, 0.5), running, LIMITS, engine=Engine())
    # The same frames, but most of the recording heard as quiet: a quiet part of the run may be missing.
    part = speed.summarise(heard(waving, 0.9, 0.5), (Span("run", 7.0, 10.0),), LIMITS, engine=Engine())
    assert part.confidence < 0.85 * good.confidence
    # Half-heard frames that wander about 8000 rpm, which no four-stroke utility engine turns, have no speed.
    astray = 8000 * np.exp(np.cumsum(0.03 * np.random.default_rng(3).standard_normal(200)))
    assert speed.summarise(heard(astray, 0.4, -0.5), running, LIMITS, engine=Engine()).confidence < 0.2
    late = (Span("quiet", 0.0, 6.0), Span("run", 6.0, 10.0))
    assert speed.summarise(heard(astray, 0.4, -0.5), late, LIMITS, engine=Engine()).told is False


@pytest.mark.parametrize("chance", [0.2, 0.9])
def test_another_speed_as_likely_makes_it_no_surer_than_it_was(monkeypatch, chance):
    """A confidence of one half or more says that the other is less likely; one that was below it stays there."""
    monkeypatch.setattr(speed.summary, "run_confidence", lambda figures: chance)
    monkeypatch.setattr(speed.summary, "may_be_faster", lambda rhythm, *_: np.ones(len(rhythm), bool))
    twin = Engine(cylinders=2, firing_angles_deg=(0.0, 360.0))
    found = speed.summarise(heard(wandering(3000, 200), 0.95, 0.5), (Span("run", 0.0, 10.0),), LIMITS, engine=twin)
    assert found.or_rpm == pytest.approx(2 * found.rpm)
    assert (
        found.confidence == pytest.approx(min(chance, LIMITS.value("confidence_in_doubt"))) and found.confidence < 0.5
    )


@pytest.mark.parametrize(("chance", "narrow", "wide"), [(0.04, False, False), (0.1, True, False), (0.16, True, True)])
def test_of_an_unsure_run_a_speed_is_told_where_its_interval_says_something(monkeypatch, chance, narrow, wide):
    """A run that kept to one speed is near what is read though hardly sure within 1 %; one that did not is not."""
    monkeypatch.setattr(speed.summary, "run_confidence", lambda figures: chance)
    running = (Span("run", 0.0, 10.0),)
    moved = heard(np.linspace(1500, 3000, 200), 0.5, 0.5)
    for track, told in ((heard(wandering(3000, 200), 0.9, 0.5), narrow), (moved, wide)):
        found = speed.summarise(track, running, LIMITS, engine=Engine())
        assert found.told == told
        assert found.confidence <= chance
        if told:
            assert ((found.rpm_high - found.rpm_low) / 2 <= 0.05 * found.rpm) == (track is not moved)


def unlike_twin(rpm: float) -> Clip:
    """A 360 degree twin whose cylinders ring at 330 and 710 Hz: it repeats itself on every second turn only."""
    rng, rate, seconds = np.random.default_rng(1), 16000, 6
    ring = np.arange(1600) / rate
    shapes = [
        np.exp(-ring / 0.006) * np.sin(660 * np.pi * ring),
        0.9 * np.exp(-ring / 0.004) * np.sin(1420 * np.pi * ring),
    ]
    sound = np.zeros(rate * seconds + 2000)
    at_s, count = 0.0, 0
    while at_s < seconds:
        first = int(at_s * rate)
        sound[first : first + 1600] += shapes[count % 2] * (1 + 0.1 * rng.standard_normal())
        at_s += 60 / rpm * (1 + 0.004 * rng.standard_normal())
        count += 1
    sound = sound[: rate * seconds] + 0.15 * sound.std() * rng.standard_normal(rate * seconds)
    return Clip((0.2 * sound / np.abs(sound).max()).astype(np.float32), rate)


def test_an_unlike_twin_is_read_at_its_own_speed_not_at_half():
    """By itself with some doubt, by the lines between its firings; by a rated speed told as well."""
    clip = unlike_twin(3300)
    even = {"strokes": 4, "cylinders": 2, "firing_angles_deg": (0.0, 360.0)}
    alone = speed.track(clip, Engine(**even), LIMITS)
    found = speed.summarise(alone, (Span("run", 0.0, 6.0),), LIMITS, engine=Engine(**even))
    if found.rpm is not None:
        assert found.rpm == pytest.approx(3300, rel=0.01) or found.or_rpm == pytest.approx(2 * found.rpm)
    assert found.confidence < 0.9
    told = speed.track(clip, Engine(**even, rated_rpm=3600.0), LIMITS)
    path = np.exp(told.rhythm[:, RHYTHM.index("pitch")]) * 120.0
    assert np.median(path) == pytest.approx(3300, rel=0.01)
    halved = speed.track(clip, Engine(**even, rated_rpm=1650.0), LIMITS)
    assert np.median(np.exp(halved.rhythm[:, RHYTHM.index("pitch")]) * 120.0) == pytest.approx(1650, rel=0.01)


@pytest.mark.parametrize(
    ("engine", "low", "top"),
    [
        (Engine(), 1100, 4600),
        (Engine(cylinders=4, firing_angles_deg=(0.0, 180.0, 360.0, 540.0)), 700, 3800),
        (Engine(cylinders=2, firing_angles_deg=(0.0, 360.0), rated_rpm=3000.0), 1100, 3750),
        (Engine(cylinders=2, firing_angles_deg=(0.0, 360.0), rated_rpm=3600.0, idle_rpm=1400.0), 1188, 4500),
        (Engine(strokes=2), 2300, 14500),
    ],
)
def test_where_an_engine_usually_runs(engine, low, top):
    """Common practice, from memory: see the sources in limits/speed.toml; a rated speed told narrows it."""
    assert usual_range(engine, LIMITS) == pytest.approx((low, top), rel=1e-6)


def test_a_four_whose_every_second_firing_line_is_lost_is_not_read_at_twice_its_speed():
    """Phone and room leave every second line of this one: 4350 rpm fit the lines better, but no bench four runs so."""
    clip, truth = synthesis.make(synthesis.random_scenario(1220, "four", "hard", "steady"))
    engine = Engine(cylinders=4, firing_angles_deg=(0.0, 180.0, 360.0, 540.0))
    path = np.exp(speed.track(clip, engine, LIMITS).rhythm[:, RHYTHM.index("pitch")]) * 120.0
    assert np.median(path) == pytest.approx(truth.speed_rpm, rel=0.01)
