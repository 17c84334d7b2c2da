"""The synthesis: the same every time, and its truth agrees with itself and with the textbook's arithmetic."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from enginelog import synthesis
from enginelog.synthesis import Body, Colour, Misfires, Phone, Place, Pull, Scenario, Speeds


def plain(engine, rpm=3000.0, seconds=6.0, **more):
    """A perfectly even engine: no spread, no noise, no room, no phone."""
    silent = dict.fromkeys(
        ("turbulence_db", "steady_noise_db", "intake_db", "block_db", "ticks_db", "slap_db", "rev_noise_db"), None
    )
    colour = Colour(strength_spread=0, strength_memory=0, timing_spread=0, shape_spread=0, cylinder_alike=1.0, **silent)
    colour = replace(colour, bright_db=-40.0)
    place, phone = Place(0.0, 20.0, 0.0, None), Phone(None, None, 0.0, 0.0, limiter=False, bits=24)
    speeds = Speeds(rpm, wobble_percent=0.0)
    parts = {"body": Body(rundown_s=40.0), "colour": colour, "place": place, "phone": phone, "codec": None, **more}
    return Scenario(engine, speeds, seconds, **parts)


def test_same_scenario_gives_the_same_samples():
    scenario = synthesis.random_scenario(3, "pump", seconds=3.0)
    first, _ = synthesis.make(scenario)
    again, _ = synthesis.make(scenario)
    assert np.array_equal(first.samples, again.samples)
    other, _ = synthesis.make(replace(scenario, seed=4))
    assert not np.array_equal(first.samples, other.samples)


def test_samples_are_a_proper_clip():
    for hardness in synthesis.HARDNESS:
        scenario = synthesis.random_scenario(8, "saw", hardness, "steady", seconds=2.0)
        clip, truth = synthesis.make(scenario)
        assert clip.samples.dtype == np.float32 and clip.rate_hz == 48_000
        assert len(clip.samples) == 96_000 and truth.seconds == 2.0
        assert np.all(np.isfinite(clip.samples)) and np.max(np.abs(clip.samples)) <= 1.0


@pytest.mark.parametrize("kind", synthesis.KINDS)
def test_firings_lie_at_their_crank_angles(kind):
    """The exhaust of slot k opens at firing_angle/360 turns into a cycle (definition of the truth)."""
    scenario = synthesis.random_scenario(11, kind, "clean", "misfire", seconds=6.0)
    _, truth = synthesis.simulate(scenario)
    engine = scenario.engine
    turn = np.interp(truth.firing_t_s, truth.t_s, truth.turns)
    wanted = np.asarray(engine.firing_angles_deg)[truth.firing_slot] / 360
    off = (turn - wanted + engine.revs_per_cycle / 2) % engine.revs_per_cycle - engine.revs_per_cycle / 2
    assert np.max(np.abs(off)) < 0.02


@pytest.mark.parametrize("kind", synthesis.KINDS)
def test_firing_rate_follows_the_textbook(kind):
    """Four-stroke N c/120, two-stroke N c/60 firings a second (textbook: Heywood; Taylor)."""
    scenario = synthesis.random_scenario(12, kind, "clean", "steady", seconds=6.0)
    _, truth = synthesis.simulate(scenario)
    n = truth.speed_rpm
    turns = np.interp(5.9, truth.t_s, truth.turns) - np.interp(0.1, truth.t_s, truth.turns)
    count = np.sum((truth.firing_t_s > 0.1) & (truth.firing_t_s < 5.9))
    per_turn = scenario.engine.cylinders / (2 if scenario.engine.strokes == 4 else 1)
    assert count == pytest.approx(turns * per_turn, abs=1.01)
    assert turns * 60 / 5.8 == pytest.approx(n, rel=0.02)


@pytest.mark.parametrize(
    ("kind", "intervals"), [("twin_270", (270, 450)), ("twin_180", (180, 540)), ("twin_360", (360, 360))]
)
def test_firing_intervals_of_twins(kind, intervals):
    """90 degree V 270/450, 180 degree crank 180/540, parallel twin 360/360 (published firing-order tables)."""
    scenario = synthesis.random_scenario(5, kind, "clean", "steady", seconds=4.0)
    _, truth = synthesis.simulate(scenario)
    turn = np.interp(truth.firing_t_s, truth.t_s, truth.turns)
    gaps = np.diff(turn) * 360
    first = truth.firing_slot[:-1] == 0
    assert np.median(gaps[first]) == pytest.approx(intervals[0], abs=2)
    assert np.median(gaps[~first]) == pytest.approx(intervals[1], abs=2)


# abs(sum of exp(-j q theta)) at orders 0.5 .. 4 for theta of the two firings (arithmetic).
IDEAL = {
    "twin_270": (0.7654, 1.4142, 1.8478, 0, 1.8478, 1.4142, 0.7654, 2),
    "twin_180": (1.4142, 0, 1.4142, 2, 1.4142, 0, 1.4142, 2),
    "twin_360": (0, 2, 0, 2, 0, 2, 0, 2),
}


@pytest.mark.parametrize("kind", IDEAL)
def test_line_strengths_of_an_even_twin_are_ideal(kind):
    """The sound of a perfectly even twin over that of one cylinder alone: the ideal strengths at orders 0.5 to 4."""
    engine = synthesis.random_scenario(0, kind).engine
    both, truth = synthesis.make(plain(engine))
    alone = replace(plain(engine).colour, cylinder_level=(1.0, 1e-9))
    one, truth_one = synthesis.make(replace(plain(engine), colour=alone, body=Body(rundown_s=4000.0)))
    orders = np.arange(1, 9) / 2
    strengths = lines(both, truth, orders), lines(one, truth_one, orders)
    ratio = strengths[0] / strengths[1]
    wanted = np.array(IDEAL[kind])
    scale = np.sum(ratio * wanted) / np.sum(wanted**2)
    assert ratio / scale == pytest.approx(wanted, abs=0.12)


def lines(clip, truth, orders):
    """Strength of the lines at crank orders: the sound times exp(-j order angle), averaged over whole cycles."""
    n = len(clip.samples)
    turn = np.interp(np.arange(n) / clip.rate_hz, truth.t_s, truth.turns)
    keep = (turn > turn[0] + 2) & (turn < 2 * ((turn[-1] - turn[0]) // 2 - 2) + turn[0] + 2)
    step = np.gradient(turn)[keep]
    x = clip.samples[keep].astype(float)
    return np.array([abs(np.sum(x * step * np.exp(-2j * np.pi * q * turn[keep]))) / np.sum(step) for q in orders])


@pytest.mark.parametrize(("rpm", "hum_hz"), [(3780, 63.0), (3570, 59.5), (3150, 52.5), (2940, 49.0)])
def test_alternator_hum_follows_the_service_manual(rpm, hum_hz):
    """Two-pole sets: 3780 rpm = 63.0 Hz ... 2940 = 49.0 (generator service manual, speed table)."""
    scenario = plain(synthesis.random_scenario(0, "generator").engine, rpm)
    scenario = replace(scenario, colour=replace(scenario.colour, hum_db=20.0))
    clip, truth = synthesis.make(scenario)
    spectrum = np.abs(np.fft.rfft(clip.samples * np.hanning(len(clip.samples)), 2**20))
    f = np.fft.rfftfreq(2**20, 1 / 48_000)
    near = (f > hum_hz * 0.9) & (f < hum_hz * 1.1)
    assert f[near][np.argmax(spectrum[near])] == pytest.approx(hum_hz, rel=0.004)
    assert truth.speed_rpm == pytest.approx(rpm, rel=0.004)


@pytest.mark.parametrize("how", ["random", "burst", "cylinder", "every_second"])
def test_share_of_misfires_is_the_one_asked_for(how):
    """Percent misfire = 100 misfires / opportunities (definition); five standard errors of the draw are allowed."""
    kind = "two_stroke_twin" if how == "every_second" else "twin_270"
    wanted = Misfires(how, {"random": 0.1, "burst": 0.1, "cylinder": 0.6, "every_second": 0.5}[how])
    scenario = synthesis.random_scenario(21, kind, "clean", "steady", rpm=3600.0, seconds=40.0, misfires=wanted)
    _, truth = synthesis.simulate(scenario)
    share = wanted.share / (2 if how == "cylinder" else 1)
    n = len(truth.missed)
    assert truth.missed.mean() == pytest.approx(share, abs=5 * np.sqrt(share * (1 - share) / n))
    if how == "cylinder":
        assert np.all(truth.firing_slot[truth.missed] == 0)
    assert np.all(truth.firing_strength[truth.missed] <= 0.12)


def test_a_miss_slows_the_crank():
    """The interval after a lost firing is longer than the one before it: nothing drove the crank (energy balance)."""
    scenario = synthesis.random_scenario(4, "mower", "clean", "misfire_random", seconds=20.0)
    _, truth = synthesis.simulate(scenario)
    gaps = np.diff(truth.firing_t_s)
    lone = np.flatnonzero(truth.missed[1:-1]) + 1
    assert len(lone) > 5 and np.median(gaps[lone] / gaps[lone - 1]) > 1.005


def test_timeline_of_a_start_and_a_stop():
    engine = synthesis.random_scenario(0, "mower").engine
    pulls = (Pull(1.0, 0.6, 600.0), Pull(3.5, 0.6, 600.0, runs_s=inf))
    _, truth = synthesis.simulate(Scenario(engine, Speeds(3000.0), 16.0, pulls=pulls, cut_s=11.0))
    kinds = [s.kind for s in truth.spans]
    assert kinds == ["quiet", "pull", "quiet", "pull", "run", "rundown", "quiet"]
    assert all(
        a.end_s == pytest.approx(b.start_s, abs=0.021) for a, b in zip(truth.spans, truth.spans[1:], strict=False)
    )
    assert truth.cut_s == pytest.approx(11.0, abs=0.01) and 2.0 < truth.rundown_s < 4.0
    assert truth.run_start_s < truth.run_up_end_s < 8.0
    assert truth.seconds_to_run == pytest.approx(truth.run_start_s - 1.0)
    assert np.all(truth.firing_t_s > truth.run_start_s) and np.all(truth.firing_t_s < truth.cut_s + 0.1)
    assert [400 < p.rpm < 750 for p in truth.pulls] == [True, True] and all(p.compressions >= 1 for p in truth.pulls)


def test_pulls_without_a_start_are_no_engine():
    for seed in range(4):
        scenario = synthesis.random_scenario(seed, "mower", behaviours="pulls_only")
        _, truth = synthesis.simulate(scenario)
        assert not truth.engine_heard and truth.speed_rpm is None and len(truth.firing_t_s) == 0
        assert sum(s.kind == "pull" for s in truth.spans) == len(scenario.pulls)


def test_hunting_swings_as_asked():
    for seed in range(4):
        scenario = synthesis.random_scenario(seed, "pump", behaviours="hunting")
        _, truth = synthesis.simulate(scenario)
        wave = scenario.speeds.waves[0]
        inside = truth.t_s < truth.seconds - 0.1
        x = truth.rpm[inside] - np.mean(truth.rpm[inside])
        spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), 2**16))
        f = np.fft.rfftfreq(2**16, 0.005)
        band = (f > 0.15) & (f < 5)
        assert f[band][np.argmax(spectrum[band])] == pytest.approx(wave.rate_hz, rel=0.12)
        assert 0.5 < truth.hunting_swing_rpm / wave.swing_rpm < 1.3  # a quick swing is lost in the crank's inertia


def test_load_takes_speed_and_gives_it_back():
    _, truth = synthesis.simulate(synthesis.random_scenario(6, "generator", behaviours="load_step"))
    assert len(truth.loads) == 1
    load = truth.loads[0]
    assert load.dip_percent > load.droop_percent > 0.2 and 0 < load.recovery_s < 4


@pytest.mark.parametrize("codec", ["aac", "opus", "mp3", "amr"])
def test_codecs_keep_the_time(codec):
    """What comes back lies on what went in: the highest cross-correlation is at lag 0 (one sample either way)."""
    from enginelog.synthesis.codec import round_trip
    from enginelog.synthesis.pulses import coloured

    x = 0.2 * coloured(np.random.default_rng(0), 96_000, 48_000, -1, 300, 2500)
    y = round_trip(x.astype(np.float32), 48_000, codec)
    assert len(y) == len(x)
    cross = np.fft.irfft(np.fft.rfft(y) * np.conj(np.fft.rfft(x)))
    lag = int(np.argmax(cross))
    assert min(lag, len(x) - lag) <= 1
    assert cross.max() / np.sqrt(np.sum(x**2) * np.sum(y.astype(float) ** 2)) > 0.75


def test_high_pass_falls_24_db_an_octave():
    """One phone's default path: about 24 dB/octave (measurement vendor's hardware note); 4th-order Butterworth."""
    from enginelog.synthesis.phone import high_pass

    t = np.arange(96_000) / 48_000
    level = [np.std(high_pass(np.sin(2 * np.pi * f * t), 240.0, 48_000)[48_000:]) for f in (30, 60, 240, 2400)]
    fall = 20 * np.log10(np.array(level) / np.sqrt(0.5))
    assert fall[1] - fall[0] == pytest.approx(24.0, abs=0.5)
    assert fall[2] == pytest.approx(-3.01, abs=0.05) and fall[3] == pytest.approx(0.0, abs=0.05)


def test_unknown_names_are_refused():
    for wrong in ({"kind": "kettle"}, {"hardness": "soft"}, {"behaviours": "dancing"}, {"colour_of": 3}):
        with pytest.raises(ValueError, match="expected"):
            synthesis.random_scenario(0, **wrong)
    with pytest.raises(ValueError, match="expected one of"):
        synthesis.make_other(0, "kettle")
