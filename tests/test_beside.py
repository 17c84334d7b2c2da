"""Another engine that runs beside the one under test is told, and what it forges is not.

Engines are those of the project's own synthesis, two of them mixed at a level asked for (seeds of their own). That two
sounds beat at the difference of their rates, that each line of a swinging tone is thrown to both sides by the rate of
the swing, and that a belt keeps its ratio, is textbook acoustics and mechanics, no measurement of ours.
"""

import functools
import io
from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim
import soundfile

from enginelog import analysis, report, speed, synthesis
from enginelog.findings import beside as forged
from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import BESIDE, Beside, Span, Speed
from enginelog.speed.beside import beside
from enginelog.speed.combs import second_comb
from enginelog.speed.evidence import frame_times

LIMITS, OF_SPEED = load("findings"), load("speed")
PLACE = {"wind_db": None, "talk_db": None, "birds_db": None, "knocks_db": None, "noise_db": -24.0, "drift_db": 0.0}
PHONE = {"high_pass_hz": None, "agc": 0.0, "suppression": 0.0, "gaps": 0}
SECONDS = 20.0


@functools.cache
def engine_alone(seed: int, rpm: float, behaviour: str = "steady"):
    scenario = synthesis.random_scenario(
        seed,
        "mower",
        "easy",
        behaviour,
        rpm=rpm,
        seconds=SECONDS,
        codec=None,
        place=PLACE | {"hum_db": None},
        phone=PHONE,
    )
    clip, _ = synthesis.make(scenario)
    return scenario.engine, np.asarray(clip.samples, float), round(clip.rate_hz)


@functools.cache
def run_of(first: tuple, second: tuple | None = None, level_db: float = -2.0):
    """The analysis of one engine, (seed, rpm, behaviour), beside another one at `level_db` over it (None: alone)."""
    engine, sound, rate = engine_alone(*first)
    if second is not None:
        _, other, other_rate = engine_alone(*second)
        assert other_rate == rate
        count = min(len(sound), len(other))
        gain = 10 ** (level_db / 20) * np.std(sound) / np.std(other)
        sound = sound[:count] + gain * other[:count]
    stream = io.BytesIO()
    soundfile.write(stream, 0.5 * sound / np.abs(sound).max(), rate, format="WAV", subtype="FLOAT")
    stream.seek(0)
    return analysis.analyse(stream, replace(engine, rated_rpm=None), "shed.wav")


def problem(run) -> str | None:
    return next((one.text for one in run.quality.problems if one.code == "beside"), None)


FIRST, SECOND = (61_901, 2700.0, "steady"), (61_902, 3130.0, "steady")


def test_another_engine_is_told_with_its_firings_a_second():
    run = run_of(FIRST, SECOND)
    rates = [rpm / 120 for _, rpm, _ in (FIRST, SECOND)]  # a four-stroke single fires on every second turn
    told = problem(run)
    assert told is not None and any(f"about {rate:.0f} firings a second" in told for rate in rates)
    assert "another engine seems to run beside it" in " ".join(report.summary_text(run).lower().split())
    assert "stop the other machine" in report.to_html(run).lower()


@pytest.mark.parametrize("alone", [FIRST, SECOND, (61_903, 3000.0, "hunting"), (61_904, 3000.0, "misfire")])
def test_no_other_engine_is_told_of_one_alone(alone):
    assert problem(run_of(alone)) is None


def test_one_as_loud_makes_the_speed_perhaps_and_both_are_named():
    run = run_of(FIRST, SECOND, 0.0)
    told = run.measures.speed
    assert told.confidence < 0.5
    text = next(one.text for one in run.measures.findings if one.code == "speed")
    other = max((rpm for _, rpm, _ in (FIRST, SECOND)), key=lambda rpm: abs(rpm / told.rpm - 1))
    named = [int(word) for word in text.replace(".", " ").split() if word.isdigit()]
    assert any(abs(rpm / other - 1) < 0.02 for rpm in named)
    assert "as loud" in problem(run)


def test_one_far_weaker_leaves_the_speed_sure():
    run = run_of(FIRST, SECOND, -14.0)
    assert run.measures.speed.rpm == pytest.approx(2700.0, rel=0.02)
    assert run.measures.speed.confidence > 0.5


def two_tones_beat_hz(first_hz: float, second_hz: float) -> float:
    """How often a second the loudness of two tones together rises and falls, counted."""
    t_s = np.arange(0, 4, 1e-4)
    both = np.sin(2 * np.pi * first_hz * t_s) + np.sin(2 * np.pi * second_hz * t_s)
    power = np.convolve(both**2, np.ones(400) / 400, "same")
    level = np.abs(np.fft.rfft((power - power.mean()) * np.hanning(len(power)), 16 * len(power)))
    return float(np.argmax(level) / (16 * len(power) * 1e-4))


@pytest.mark.parametrize(("first_hz", "second_hz"), [(23.3, 26.1), (25.0, 24.1)])
def test_two_tones_beat_at_their_difference(first_hz, second_hz):
    """Any textbook of acoustics: the sum of two tones is a tone whose loudness comes again |f1 - f2| times a second."""
    other = Beside(second_hz, -3.0, first_hz, True, 10.0)
    heard_hz = two_tones_beat_hz(first_hz, second_hz)
    assert heard_hz == pytest.approx(abs(first_hz - second_hz), abs=0.02)
    assert np.abs(forged.beats_hz(other, LIMITS) - heard_hz).min() < 0.02


def lost_in_order(rate_hz: float, seed: int = 1) -> np.ndarray:
    """Moments of firings lost in twenty seconds, most of them at one phase of `rate_hz`."""
    rng = np.random.default_rng(seed)
    return np.sort(np.arange(0, 20, 1 / rate_hz) + rng.normal(0, 0.05 / rate_hz, len(np.arange(0, 20, 1 / rate_hz))))


def test_firings_lost_at_the_beat_are_in_order_and_those_at_random_are_not():
    other = Beside(26.0, -5.0, 24.5, False, 20.0)
    assert forged._in_order(lost_in_order(1.5), other, LIMITS)
    at_random = [np.sort(np.random.default_rng(k).uniform(0, 20, 30)) for k in range(100)]
    assert sum(forged._in_order(lost, other, LIMITS) for lost in at_random) <= 3  # one in a hundred is asked for


def signals(rates_hz: list[np.ndarray], levels: list[float], seconds: float, seed: int = 3) -> dict[str, np.ndarray]:
    """Feature signals of combs whose rate is given for each sample at 4 kHz, in noise: waveform and three envelopes."""
    rng, found = np.random.default_rng(seed), {}
    for name, step in (("low", 1), ("env_low", 4), ("env_mid", 4), ("env_high", 4)):
        sound = rng.standard_normal(int(4000 * seconds))
        for rate, level in zip(rates_hz, levels, strict=True):
            turned = np.cumsum(rate) / 4000
            sound += level * sum(np.cos(2 * np.pi * k * turned + k**2) for k in range(1, 16 if step == 1 else 7))
        found[name] = sound[::step].astype(np.float32)
    return found


def wandering(rate_hz: float, seconds: float, seed: int) -> np.ndarray:
    """A rate that wanders by a few parts in a thousand over seconds."""
    knots = np.random.default_rng(seed).normal(0, 0.003, int(seconds) + 2)
    return rate_hz * np.exp(np.interp(np.arange(int(4000 * seconds)) / 4000, np.arange(len(knots)), knots))


def columns_of(own: np.ndarray, other: np.ndarray, level: float = 0.5) -> np.ndarray:
    seconds = len(own) / 4000
    times = frame_times(seconds, 0.05)
    rate = np.interp(times, np.arange(len(own)) / 4000, own)
    sound = signals([own, other], [1.0, level], seconds)
    return beside(sound, times, rate, np.ones(len(times), bool), OF_SPEED)


def test_what_goes_its_own_way_is_another_engine_and_what_keeps_its_ratio_is_driven():
    """A belt or a gear turns at a fixed ratio of the crank (definition), a second engine at none."""
    own, other = wandering(24.0, 20.0, 1), wandering(27.1, 20.0, 2)
    apart = columns_of(own, other)
    assert np.isfinite(apart[:, 0]).mean() > 0.8
    assert np.nanmedian(apart[:, BESIDE.index("beats_hz")]) == pytest.approx(27.1, rel=0.005)
    belted = columns_of(own, own * 27.1 / 24.0)
    assert np.isnan(belted[:, 0]).all()


def test_the_sidebands_of_a_swing_are_no_second_comb():
    """A tone whose frequency swings f times a second has lines f, 2f, ... to either side (frequency modulation)."""
    t_s = np.arange(int(4000 * 20.0)) / 4000
    own = 24.0 * (1 + 0.02 * np.sin(2 * np.pi * 1.7 * t_s))
    times = frame_times(20.0, 0.05)
    sound = signals([own], [1.0], 20.0)
    found = beside(sound, times, np.interp(times, t_s, own), np.ones(len(times), bool), OF_SPEED)
    assert np.isnan(found[:, 0]).all()


def test_a_track_that_goes_to_and_fro_between_two_combs_is_parted():
    own, other = wandering(24.0, 20.0, 4), wandering(25.3, 20.0, 5)
    times = frame_times(20.0, 0.05)
    moments = np.arange(len(own)) / 4000
    turn = 0.5 + 0.5 * np.sin(2 * np.pi * 1.3 * times)  # at the rate of the beat
    track = np.interp(times, moments, own) * (1 - turn) + np.interp(times, moments, other) * turn
    comb = second_comb(signals([own, other], [1.0, 0.9], 20.0), times, track, np.ones(len(times), bool))
    assert comb is not None and comb.parted
    rates = sorted([float(np.median(comb.own_hz)), float(np.median(comb.hz))])
    assert rates == pytest.approx([24.0, 25.3], rel=0.01)


def test_hours_are_asked_for_a_share_of_the_run_and_not_for_moments():
    t_s = np.arange(0, 600, 0.25)
    columns = np.full((len(t_s), len(BESIDE)), np.nan, np.float32)
    columns[:80] = (27.0, -12.0, 24.0)
    run = (Span("run", 0.0, 600.0),)
    assert speed.running_beside([(t_s, columns)], run, OF_SPEED) is None
    columns[:1200] = (27.0, -12.0, 24.0)
    other = speed.running_beside([(t_s, columns)], run, OF_SPEED)
    assert other is not None and not other.alike and other.seconds == pytest.approx(300.0, rel=0.01)
    assert other.words.endswith("(about 27 firings a second)")


def test_a_speed_told_beside_a_weak_one_is_as_sure_as_before():
    told = Speed(3000.0, 2990.0, 3010.0, None, 0.9)
    assert forged.doubted(told, Beside(27.0, -12.0, 24.0, False, 20.0), LIMITS) == told
    assert forged.doubted(told, Beside(27.0, -2.0, 24.0, True, 20.0), LIMITS).confidence < 0.5


def judged(other: Beside | None, **what):
    """Verdicts on a made-up track, single at 3000 rpm (25 firings a second), beside `other`."""
    case = sim.make(741, sim.Scenario(rpm=3000.0, seconds=24.0, run_up=False, lead_s=0.0, **what))
    parts = (case.engine, case.quality, case.timeline, case.speed, case.track, case.firings)
    measures = judge(*parts, LIMITS, other=other)
    return measures, {one.code: one for one in measures.findings}


SWINGS = {"hunt_hz": 1.6, "hunt_swing_percent": 4.0}


@pytest.mark.parametrize(("beats_hz", "over_db"), [(26.6, -3.0), (23.4, -12.0), (18.35, -6.0)])
def test_a_swing_at_a_beat_of_both_is_not_told(beats_hz, over_db):
    """26.6 and 23.4 beat with 25 at 1.6 Hz, four times 18.35 with three times 25 as well (differences)."""
    measures, told = judged(Beside(beats_hz, over_db, 25.0, False, 24.0), **SWINGS)
    assert told["hunting"].verdict == "unknown" and "another engine seems to run beside it" in told["hunting"].text
    assert measures.hunting.found is None and measures.hunting.rate_hz is None
    assert "stop the other machine" in told["hunting"].next[0]


def test_a_swing_at_another_rate_is_told_as_before():
    alone, _ = judged(None, **SWINGS)
    assert alone.hunting.found
    beside_one, told = judged(Beside(28.9, -12.0, 25.0, False, 24.0), **SWINGS)
    assert beside_one.hunting == alone.hunting
    assert told["hunting"].verdict in ("watch", "fault")


def test_firings_lost_at_random_are_counted_beside_a_weaker_one():
    alone, _ = judged(None, miss_share=0.08)
    beside_one, told = judged(Beside(28.9, -9.5, 25.0, False, 24.0), miss_share=0.08)
    assert alone.firing.misfires and beside_one.firing == alone.firing
    assert told["misfire"].verdict in ("watch", "fault")


def test_a_load_beside_a_loud_one_cannot_be_told_and_stays_beside_a_weak_one():
    loads = (sim.Load(10.0, 5.0, 6.0, 0.5),)
    alone, _ = judged(None, loads=loads)
    assert alone.loads
    loud, told = judged(Beside(28.9, -5.0, 25.0, False, 24.0), loads=loads)
    assert loud.loads == () and told["load"].verdict == "unknown"
    weak, _ = judged(Beside(28.9, -15.0, 25.0, False, 24.0), loads=loads)
    assert weak.loads == alone.loads
