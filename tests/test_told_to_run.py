"""An engine that the sound alone would be taken for none, told of by the word of somebody who stood beside it."""

import io

import numpy as np
import pytest
import soundfile

from enginelog import analysis, report
from enginelog.model import Engine

RPM, RATE_HZ, SECONDS = 3350.0, 16_000, 8


def as_wav(samples: np.ndarray) -> io.BytesIO:
    stream = io.BytesIO()
    soundfile.write(stream, samples.astype(np.float32), RATE_HZ, format="WAV")
    stream.seek(0)
    return stream


def harmonics() -> np.ndarray:
    """Ten harmonics of the cycle of a four-stroke (half the speed: common practice, no source), as strong as
    their order is low, in little noise: a tone rather than an engine to the judge."""
    rng = np.random.default_rng(3)
    t_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    waves = [np.sin(2 * np.pi * RPM / 120.0 * k * t_s + rng.uniform(0, 6.28)) / k for k in range(1, 11)]
    sound = np.sum(waves, axis=0) + 0.1 * rng.standard_normal(len(t_s))
    return 0.3 * sound / np.abs(sound).max()


@pytest.fixture(scope="module")
def by_sound():
    return analysis.analyse(as_wav(harmonics()), Engine(), "tone.wav")


@pytest.fixture(scope="module")
def by_word():
    return analysis.analyse(as_wav(harmonics()), Engine(), "tone.wav", ran=True)


def test_by_its_sound_alone_it_is_none(by_sound):
    assert not by_sound.timeline.engine_heard and not by_sound.timeline.by_word
    assert by_sound.measures.speed.rpm is None


def test_by_word_its_speed_is_told_and_nothing_is_sure(by_word):
    speed, story = by_word.measures.speed, by_word.timeline
    assert story.engine_heard and story.by_word
    assert speed.rpm == pytest.approx(RPM, rel=0.003) and speed.rpm_low <= RPM <= speed.rpm_high
    assert 0.0 < speed.confidence < 0.5 and story.confidence < 0.5
    assert story.start_s is None and story.cut_s is None


def test_what_is_shown_says_by_whose_word(by_sound, by_word):
    told = report.record(by_word)
    assert told["engine_heard"] and told["engine_reason"].endswith(by_sound.timeline.reason)
    assert told["engine_probability"] < 0.5
    text = " ".join(report.summary_text(by_word).split())
    assert "at your word" in text and "at your word" not in report.summary_text(by_sound)
    assert "at your word" in report.to_html(by_word)


def test_where_nothing_repeats_the_word_alone_makes_no_engine():
    rng = np.random.default_rng(4)
    silence = 1e-6 * rng.standard_normal(SECONDS * RATE_HZ)
    run = analysis.analyse(as_wav(silence), Engine(), "silence.wav", ran=True)
    assert run.measures.speed.rpm is None and not run.timeline.by_word


def test_an_engine_that_is_heard_is_told_of_alike():
    """Pulses at the firing moments, which is heard as an engine: the word changes nothing."""
    rng = np.random.default_rng(5)
    sound = 0.01 * rng.standard_normal(SECONDS * RATE_HZ)
    fade = np.exp(-np.arange(800) / 100.0)
    at_s = np.cumsum(120.0 / RPM * (1 + 0.004 * rng.standard_normal(int(SECONDS * RPM / 120.0) - 2)))
    for moment_s in at_s:
        first = int(moment_s * RATE_HZ)
        sound[first : first + 800] += (0.3 * fade * rng.standard_normal(800))[: len(sound) - first]
    runs = [analysis.analyse(as_wav(sound), Engine(), "engine.wav", ran=ran) for ran in (False, True)]
    assert runs[0].timeline.engine_heard and runs[0].timeline.confidence >= 0.5
    assert runs[0].timeline == runs[1].timeline and runs[0].measures.speed == runs[1].measures.speed


def test_nothing_is_called_good_by_word(by_word):
    """A tone has no lost firings either."""
    assert len(by_word.measures.findings) > 5
    assert all(one.verdict != "ok" for one in by_word.measures.findings)
    assert any("at your word" in one.text for one in by_word.measures.findings if one.code == "misfire")
