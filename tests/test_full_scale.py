"""Samples beyond full scale: floats hold them as they are, so only what a ceiling leaves tells what was cut off."""

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from enginelog import analysis, limits, media
from enginelog.model import Clip, Engine
from enginelog.quality import judge, measure

LIMITS = limits.load("quality")
DEMO = Path(__file__).parents[1] / "recordings_demo" / "tiller_marigold_before.m4a"
TILLER = Engine(strokes=4, cylinders=1, rated_rpm=3350)


@pytest.fixture(scope="module")
def tiller():
    clip, _ = media.read(DEMO)
    return Clip(clip.samples / np.abs(clip.samples).max(), clip.rate_hz)


def analysed(samples, rate_hz, subtype="FLOAT"):
    stream = io.BytesIO()
    soundfile.write(stream, samples, round(rate_hz), format="WAV", subtype=subtype)
    stream.seek(0)
    run = analysis.analyse(stream, TILLER, name="scaled")
    return {problem.code for problem in run.quality.problems}, run.measures.speed


def test_the_same_sound_at_any_scale_is_the_same_recording(tiller):
    codes, speed = analysed(0.5 * tiller.samples, tiller.rate_hz)
    assert codes == set() and speed.confidence > 0.98
    for gain in (1.5, 100.0, 32768.0):
        others, other = analysed(np.float32(gain) * tiller.samples, tiller.rate_hz)
        assert others == codes
        assert other.rpm == pytest.approx(speed.rpm, rel=2e-4)
        assert other.confidence == pytest.approx(speed.confidence, abs=2e-3)


@pytest.mark.parametrize("way", ["16 bits", "floats", "scaled floats", "coded"])
def test_what_was_cut_off_at_full_scale_is_told_however_it_is_kept(tiller, way, tmp_path):
    cut = np.clip(4 * tiller.samples, -1, 1)
    if way == "coded":  # decodes to half as much again as full scale
        media.write(tmp_path / "a.m4a", Clip(cut, tiller.rate_hz), bit_rate=48_000)
        assert np.abs(media.read(tmp_path / "a.m4a")[0].samples).max() > LIMITS.value("full_scale_most")
        run = analysis.analyse(str(tmp_path / "a.m4a"), TILLER)
        codes = {problem.code for problem in run.quality.problems}
    else:
        gain = 32768 if way == "scaled floats" else 1
        codes, _ = analysed(gain * cut, tiller.rate_hz, "PCM_16" if way == "16 bits" else "FLOAT")
    assert codes & {"clipped", "clipped_heavy"}


def test_blocks_of_floats_are_judged_by_the_loudest_of_all(tiller):
    """A block that happens to stay near full scale is no more cut off than the others."""
    half, rate_hz = len(tiller.samples) // 2, tiller.rate_hz
    faint, loud = tiller.samples[:half] * 1.1 / np.abs(tiller.samples[:half]).max(), tiller.samples[half:] * 3.0
    parts = [measure(Clip(faint, rate_hz), LIMITS), measure(Clip(loud, rate_hz, half / rate_hz), LIMITS)]
    assert parts[0].clipped_share > 0 and parts[1].clipped_share > 0
    seconds = len(tiller.samples) / rate_hz
    assert judge(parts, seconds, LIMITS, floats=True).clipped_percent < 0.001
    assert judge(parts, seconds, LIMITS).clipped_percent > 0.02
