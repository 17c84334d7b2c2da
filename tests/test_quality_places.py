"""Recordings that went on long before and after the engine ran: judged by the run; by all of it where none is told."""

import io
from pathlib import Path

import numpy as np
import pytest

from enginelog import analysis, limits, media
from enginelog.model import Clip, Engine, Span
from enginelog.quality import judge, measure, with_hum
from enginelog.quality.places import running, within

LIMITS = limits.load("quality")
RATE = 16_000
DEMO = Path(__file__).parents[1] / "recordings_demo" / "tiller_marigold_before.m4a"
BLOCK_S, STEP_S = 30.0, 26.0


def noise(seconds, db, seed=1):
    return (10 ** (db / 20) * np.random.default_rng(seed).standard_normal(round(seconds * RATE))).astype(np.float32)


def beats(seconds, seed=2):
    """A burst of noise 25 times a second, about -20 dB of full scale."""
    t = np.arange(round(seconds * RATE)) / RATE
    return noise(seconds, -12.0, seed) * np.exp(-(t * 25 % 1) * 3).astype(np.float32)


def measured(samples, hum=None):
    """Blocks as the analysis reads them."""
    starts = np.arange(0, max(len(samples) / RATE - (BLOCK_S - STEP_S), 0.1), STEP_S)
    clips = [Clip(samples[round(a * RATE) : round((a + BLOCK_S) * RATE)], RATE, float(a)) for a in starts]
    parts = [measure(clip, LIMITS) for clip in clips]
    return parts if hum is None else [with_hum(part, hum(clip)) for part, clip in zip(parts, clips, strict=True)]


def judged(samples, spans=(), hum=None):
    return judge(measured(samples, hum), len(samples) / RATE, LIMITS, spans=spans)


def told(quality):
    return {problem.code: problem.text for problem in quality.problems}


def beside(before_s, run_s, after_s):
    edges = np.cumsum([0, before_s, run_s, after_s])
    spans = [Span(kind, a, b) for kind, a, b in zip(("quiet", "run", "quiet"), edges, edges[1:], strict=False)]
    return tuple(span for span in spans if span.end_s > span.start_s)


@pytest.mark.parametrize("before", [noise(120, -60.0), np.zeros(120 * RATE, np.float32)], ids=["noise", "nothing"])
@pytest.mark.parametrize("gain", [1.0, 40.0], ids=["good", "overloaded"])
def test_what_is_long_before_and_after_a_run_is_not_laid_to_it(before, gain):
    run = np.clip(gain * beats(16.0), -1, 1)
    alone = judged(run)
    for first, last in ((before, before[:0]), (before[:0], before), (before[: 50 * RATE], before[: 70 * RATE])):
        whole = np.concatenate([first, run, last])
        found = judged(whole, beside(len(first) / RATE, 16.0, len(last) / RATE))
        assert set(told(found)) == set(told(alone)) and found.trust == alone.trust
        assert found.clipped_percent == pytest.approx(alone.clipped_percent, rel=0.1)
        assert {"level_low"} <= set(told(judged(whole)))  # what all of it would be called


def test_a_recording_that_runs_all_through_is_judged_as_without_a_timeline():
    sound = np.clip(30 * beats(70.0), -1, 1)
    sound[20 * RATE : 20 * RATE + 1500] = 0.0
    assert judged(sound, (Span("run", 0.0, 69.95),)) == judged(sound)


def test_what_is_missing_within_the_run_or_before_it_came_again_is_told():
    """A phone that silences what is even: between a pull and the run that follows it, and in the run."""
    sound = np.concatenate([noise(60.0, -60.0), beats(1.0), np.zeros(3 * RATE), beats(16.0), noise(60.0, -60.0)])
    spans = (Span("quiet", 0, 60), Span("pull", 60, 61), Span("quiet", 61, 64), Span("run", 64, 80))
    assert told(judged(sound, (*spans, Span("quiet", 80, 140))))["gated"].startswith("14 %")
    torn = np.concatenate([noise(60.0, -60.0), beats(16.0)])
    for at in (64.0, 70.0):
        torn[round(at * RATE) : round((at + 0.1) * RATE)] = 0.0
    assert told(judged(torn, beside(60, 16, 0)))["gaps"].startswith("2 short holes")
    torn[10 * RATE : 10 * RATE + 1600] = 0.0
    assert told(judged(torn, beside(60, 16, 0)))["gaps"].startswith("2 short holes")


def test_a_short_run_cut_off_all_through_is_destroyed_however_long_the_quiet():
    sound = np.concatenate([noise(120.0, -60.0), np.sign(beats(8.0))])
    assert judged(sound).usable and not judged(sound, beside(120, 8, 0)).usable


def test_hum_is_told_of_the_run():
    sound = np.concatenate([noise(60.0, -60.0), beats(16.0)])

    def hum(clip):
        at_s = clip.start_s + np.arange(0.025, clip.seconds, 0.05)
        return np.where(at_s < 60, 0.9, 0.02)

    assert judged(sound, beside(60, 16, 0), hum).hum_percent == pytest.approx(2.0, abs=0.3)


def test_a_very_short_run_is_judged_with_what_is_beside_it():
    spans = (Span("quiet", 0, 20), Span("run", 20, 20.6), Span("quiet", 20.6, 40))
    assert running(spans, 40.0, 2.0) == (pytest.approx((19.3, 21.3)),)
    assert running((Span("run", 0, 0.6), Span("quiet", 0.6, 40)), 40.0, 2.0) == (pytest.approx((0.0, 1.3)),)
    sound = noise(40.0, -60.0)
    sound[20 * RATE : round(20.6 * RATE)] = beats(0.6)
    assert judged(sound, spans).usable


def test_parts_of_a_block_by_hand():
    sound = np.concatenate([noise(10.0, -60.0), np.clip(50 * beats(10.0), -1, 1)])
    (part,) = measured(sound)
    loud = within(part, ((10.0, 20.0),))
    assert within(part, ((0.0, 19.95),)) is part and within(part, ((20.0, 30.0),)) is None
    assert loud.clipped_share == pytest.approx(2 * part.clipped_share, rel=0.01)
    assert within(part, ((0.0, 9.9),)).clipped_share == 0.0
    assert len(loud.levels_db) == 200 and loud.seconds == pytest.approx(10.0)
    assert loud.levels_db.min() > within(part, ((0.0, 9.9),)).levels_db.max()


def test_silence_that_was_filled_in_is_no_fault_of_the_phone():
    sound = beats(40.0)
    sound[5 * RATE : 8 * RATE] = 0.0
    sound[12 * RATE : round(12.5 * RATE)] = 0.0
    filled = ((5.0, 8.0), (12.0, 12.5))
    for spans in ((), (Span("run", 0, 5), Span("quiet", 5, 8), Span("run", 8, 40))):
        assert set(told(judged(sound, spans))) == {"gated", "gaps"}
        found = judge(measured(sound), 40.0, LIMITS, spans=spans, filled=filled)
        assert told(found) == {} and found.trust == 1.0
        assert found.silent_s == judged(sound).silent_s and len(found.silent_s) == 2
    sound[20 * RATE : round(20.2 * RATE)] = 0.0
    both = judge(measured(sound), 40.0, LIMITS, filled=filled)
    assert told(both)["gaps"].startswith("1 short hole in the sound (0.20 s")


def test_a_file_that_is_mostly_holes_is_to_be_copied_again():
    sound = beats(20.0)
    holes = [(at, at + 0.2) for at in np.arange(0.1, 19.5, 0.4)]
    for start_s, end_s in holes:
        sound[round(start_s * RATE) : round(end_s * RATE)] = 0.0
    found = judge(measured(sound), 20.0, LIMITS, filled=holes)
    assert not found.usable and found.problems[0].code == "destroyed" and "copy the file" in found.problems[0].advice
    assert "recorder app" in judged(sound).problems[0].advice


def test_a_damaged_file_is_told_once_and_the_phone_not_blamed(tmp_path):
    data = bytearray(DEMO.read_bytes())
    middle = len(data) // 3
    data[middle : middle + 18_000] = np.random.default_rng(3).bytes(18_000)
    (tmp_path / "damaged.m4a").write_bytes(data)
    quality = analysis.analyse(str(tmp_path / "damaged.m4a"), Engine(strokes=4, cylinders=1)).quality
    assert set(told(quality)) == {"damaged"} and quality.trust == LIMITS.value("trust_damaged")
    assert any(end_s - start_s > 1.0 for start_s, end_s in quality.silent_s)


@pytest.fixture(scope="module")
def tiller():
    clip, _ = media.read(DEMO)
    return clip


@pytest.mark.parametrize("case", ["noise before", "nothing before", "noise after"])
def test_who_forgets_to_stop_the_recording_is_told_what_the_engine_alone_tells(tiller, case):
    from soundfile import write

    rate, engine = round(tiller.rate_hz), Engine(strokes=4, cylinders=1, rated_rpm=3350)
    quiet = 1e-3 * np.random.default_rng(2).standard_normal(120 * rate) * case.startswith("noise")
    quiet = quiet.astype(np.float32)
    runs = []
    for sounds in ([tiller.samples], [quiet, tiller.samples] if case.endswith("before") else [tiller.samples, quiet]):
        stream = io.BytesIO()
        write(stream, np.concatenate(sounds), rate, format="WAV", subtype="FLOAT")
        stream.seek(0)
        runs.append(analysis.analyse(stream, engine, name="long"))
    alone, long = runs
    assert told(long.quality) == told(alone.quality) == {}
    assert long.measures.speed.confidence > alone.measures.speed.confidence - 0.1
    assert long.measures.speed.rpm == pytest.approx(alone.measures.speed.rpm, rel=1e-3)
