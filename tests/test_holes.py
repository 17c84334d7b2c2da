"""Silence that a phone or an editor left: no firing is judged in it, and the count elsewhere is as without it."""

import io
from pathlib import Path

import numpy as np
import pytest
from test_firing import LIMITS, RATE_HZ, SINGLE, TWIN_270, called, even, nearest, sound_of, track_of, uneven_strengths

from enginelog import analysis, firing, limits, quality
from enginelog.findings.misfire import worst_window
from enginelog.findings.series import sounding
from enginelog.findings.startstop import study_start
from enginelog.firing import grid, holes
from enginelog.model import Clip, Engine, Firings, Span, Timeline
from enginelog.quality.amplitude import blacked
from enginelog.synthesis import codec

DEMO = Path(__file__).parent.parent / "recordings_demo" / "tiller_marigold_after.m4a"
QUALITY = limits.load("quality")
SECONDS, RPM = 12.0, 3000


def measured(samples, rate_hz=RATE_HZ, start_s=0.0):
    return quality.measure(Clip(np.asarray(samples, np.float32), float(rate_hz), start_s), QUALITY)


def silent_in(samples, rate_hz=RATE_HZ, start_s=0.0):
    return quality.silences([measured(samples, rate_hz, start_s)], np.inf, QUALITY)


def silenced(samples, rate_hz, *stretches):
    out = np.array(samples)
    for start_s, end_s in stretches:
        out[round(start_s * rate_hz) : round(end_s * rate_hz)] = 0.0
    return out


def engine_sound(lost=(), engine=SINGLE):
    t_s = even(SECONDS, RPM, engine)
    return t_s, sound_of(t_s, uneven_strengths(len(t_s), lost), SECONDS)


# ---------------------------------------------------------------- which stretches are silent


def test_black_rows_by_hand():
    """Rows of 5 ms frames: only those as long as asked for count, those at the ends too (arithmetic)."""
    levels = np.full(1000, -20.0)
    levels[:60] = levels[300:340] = levels[500:560] = levels[900:] = -120.0
    assert [pair.tolist() for pair in blacked(levels, -85.0, 0.25)] == [[0, 500, 900], [60, 560, 1000]]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("long_s", [0.1, 0.9, 1.2, 4.0])
def test_a_silence_is_found_where_it_is(rate_hz, long_s):
    """To one frame, and the smear on either side; frames of 44.1 kHz are 4.989 ms long, which adds up."""
    sound = 0.1 * np.random.default_rng(1).standard_normal(25 * rate_hz)
    ((start_s, end_s),) = silent_in(silenced(sound, rate_hz, (20.0, 20.0 + long_s)), rate_hz, start_s=100.0)
    smear_s = QUALITY.value("hole_smear_s")
    assert start_s == pytest.approx(120.0 - smear_s, abs=0.006)
    assert end_s == pytest.approx(120.0 + long_s + smear_s, abs=0.006)


def test_an_engine_that_dies_in_a_quiet_place_leaves_no_silence():
    """The noise of a phone's microphone is about -70 dB of full scale: what it records is never empty."""
    _, sound = engine_sound()
    after = sound * (np.arange(len(sound)) < 6 * RATE_HZ) + 3e-4 * np.random.default_rng(2).standard_normal(len(sound))
    assert silent_in(after) == ()


def test_stretches_of_blocks_that_overlap_are_told_once_and_in_order():
    sound = silenced(0.1 * np.random.default_rng(1).standard_normal(20 * RATE_HZ), RATE_HZ, (2.0, 2.5), (9.0, 13.0))
    parts = [measured(sound[: 12 * RATE_HZ]), measured(sound[8 * RATE_HZ :], start_s=8.0)]
    told = quality.judge(parts, 20.0, QUALITY).silent_s
    assert np.array(told) == pytest.approx(np.array([(1.95, 2.55), (8.95, 13.05)]), abs=0.006)


# ---------------------------------------------------------------- firings


@pytest.mark.parametrize("stretches", [((5.0, 6.0),), ((3.0, 3.05), (5.0, 5.4), (8.0, 8.2)), ((11.5, 12.0),)])
@pytest.mark.parametrize("engine", [SINGLE, TWIN_270], ids=["single", "twin"])
def test_no_firing_is_told_in_a_silence_and_none_is_lost_by_it(stretches, engine):
    t_s, sound = engine_sound(engine=engine)
    sound = silenced(sound, RATE_HZ, *stretches)
    silent = silent_in(sound)
    found = firing.locate(Clip(sound, float(RATE_HZ)), track_of(SECONDS, RPM), engine, LIMITS, silent)
    assert len(silent) == len(stretches)
    for start_s, end_s in silent:
        assert not ((found.t_s > start_s) & (found.t_s < end_s)).any()
    assert len(called(found)) == 0
    missing = sum(end_s - start_s for start_s, end_s in silent) * RPM * engine.firing_hz_per_rpm
    assert -1.5 < len(t_s) - len(found.t_s) - missing < 2 + 4 * engine.cylinders * len(silent)
    if engine is SINGLE:
        assert np.isfinite(found.miss_probability).mean() > 0.95


def test_losses_beside_a_silence_are_counted_as_without_it():
    lost = [40, 41, 90, 160, 200, 201, 202, 260]
    t_s, sound = engine_sound(lost)
    sound = silenced(sound, RATE_HZ, (5.0, 5.6))
    found = firing.locate(Clip(sound, float(RATE_HZ)), track_of(SECONDS, RPM), SINGLE, LIMITS, silent_in(sound))
    assert set(called(found)) == set(nearest(found, t_s[lost]))
    # Turns go on through it: firing opportunities of a four-stroke single are two turns apart (definition).
    assert np.ptp(found.revolutions) == pytest.approx(2 * (len(t_s) - 1), abs=4)


def test_the_moment_beside_a_silence_is_not_held_against_one_beyond():
    _, sound = engine_sound()
    sound = silenced(sound, RATE_HZ, (5.0, 5.6))
    found = firing.locate(Clip(sound, float(RATE_HZ)), track_of(SECONDS, RPM), SINGLE, LIMITS, silent_in(sound))
    last = int(np.argmax(np.diff(found.t_s)))
    assert np.isnan(found.timing[[last, last + 1]]).all()
    assert np.nanmax(np.abs(found.timing)) < 0.2


def test_a_silence_takes_whole_cycles_and_no_time():
    """A triple whose firings are 0.1 s apart (by hand): 0.55 to 0.62 s and a window on either side hold the firings at
    0.5, 0.6 and 0.7 s and no more, which are one cycle."""
    count = 12
    laid = grid.Grid(
        0.1 * np.arange(count), np.arange(count) % 3, np.arange(count) // 3, np.full(count, 0.3), np.ones(count),
        np.zeros(count),
    )  # fmt: skip
    left = holes.without(laid, ((0.55, 0.62),), 1 / 3, 3)
    assert left.t_s == pytest.approx(0.1 * np.array([0, 1, 2, 3, 4, 8, 9, 10, 11]))
    assert left.slot.tolist() == [0, 1, 2, 0, 1, 2, 0, 1, 2]
    assert np.diff(left.t_s - left.skipped_s) == pytest.approx(np.full(8, 0.1))
    assert holes.breaks(left.skipped_s).tolist() == [4]
    assert holes.without(laid, (), 1 / 3, 3) is laid


def test_runs_without_their_silences():
    runs = [Span("run", 0.0, 10.0, 3000.0), Span("run", 12.0, 20.0, 2900.0)]
    pieces = sounding(runs, ((4.0, 5.0), (9.5, 13.0)))
    assert [(piece.start_s, piece.end_s) for piece in pieces] == [(0.0, 4.0), (5.0, 9.5), (13.0, 20.0)]
    assert sounding(runs, ()) == runs


# ---------------------------------------------------------------- the whole analysis


@pytest.mark.parametrize("long_s", [0.3, 0.7, 1.0])
@pytest.mark.parametrize("coded", ["wav", "aac"])
def test_a_healthy_engine_stays_healthy_whatever_was_cut_out_of_its_sound(long_s, coded):
    """The demo tiller after its repair loses no firing (its truth file)."""
    samples, rate_hz = codec.decode(DEMO.read_bytes())
    samples = silenced(samples, rate_hz, (5.0, 5.0 + long_s))
    if coded == "aac":
        source = io.BytesIO(codec.encode(samples, rate_hz, "aac"))
    else:
        import soundfile

        source = io.BytesIO()
        soundfile.write(source, samples, rate_hz, format="WAV")
        source.seek(0)
    run = analysis.analyse(source, Engine(rated_rpm=3350, machine="tiller"), name="silenced")
    told = run.measures.firing
    assert (told.misfires, told.misfire_low) == (0, 0.0)
    assert next(one for one in run.measures.findings if one.code == "misfire").verdict == "ok"
    ((start_s, end_s),) = run.quality.silent_s
    assert end_s - start_s == pytest.approx(long_s + 0.1, abs=0.03)
    assert told.events == len(run.firings.t_s)
    assert not ((run.firings.t_s > start_s) & (run.firings.t_s < end_s)).any()


def test_a_window_lies_on_one_side_of_missing_sound():
    """900 revolutions of a four-stroke single (an opportunity each two turns) around 180 that nobody heard, one in ten
    lost but for four beside the silence: the worst 200 revolutions lie where all 100 of theirs are known (by hand)."""
    revs = np.concatenate([np.arange(0, 450, 2), np.arange(630, 1080, 2)]).astype(float)
    lost = np.zeros(len(revs))
    lost[::10] = lost[222:228] = 1.0
    empty = np.full(len(revs), np.nan)
    found = Firings(revs / 50, np.zeros(len(revs), int), 1 - lost, empty, lost, empty, np.full(len(revs), 20.0), revs)
    runs = sounding([Span("run", 0.0, 21.6)], ((9.0, 12.6),))
    window = worst_window(Engine(), found, lost, runs, 200.0, limits.load("findings"))
    opportunities = np.sum((found.t_s >= window.start_s) & (found.t_s <= window.end_s))
    assert opportunities >= 80 and not window.start_s < 9.0 < window.end_s
    assert window.percent < 20


def test_a_stop_that_nobody_heard_is_none():
    """Two runs with nothing but missing sound between them count as one; with a second of quiet heard, as two."""
    runs = (Span("run", 0.0, 6.0), Span("quiet", 6.0, 10.0), Span("run", 10.0, 16.0))
    line = Timeline(True, 0.9, runs)
    settings = limits.load("findings")
    assert study_start(line, settings, ((5.95, 10.05),)).restarts == 0
    assert study_start(line, settings, ((7.0, 10.05),)).restarts == 1
    assert study_start(line, settings).restarts == 1
