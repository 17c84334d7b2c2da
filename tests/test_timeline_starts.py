"""Which pulls belong to the last start, and how long it took: courses of events with the answer by hand."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from enginelog import analysis, limits, media, synthesis
from enginelog.findings.startstop import pulls_heard, study_start
from enginelog.model import Clip, Engine, Span, Timeline
from enginelog.synthesis.scenario import Pull
from enginelog.timeline.starts import before_run, begun_s, seconds_to_run, since

LIMITS = limits.load("timeline")


def spans(*parts):
    """Spans from (kind, seconds)."""
    out, at = [], 0.0
    for kind, seconds in parts:
        out.append(Span(kind, at, at + seconds))
        at += seconds
    return tuple(out)


def as_file(clip):
    import soundfile

    stream = io.BytesIO()
    soundfile.write(stream, clip.samples, round(clip.rate_hz), format="WAV", subtype="FLOAT")
    stream.seek(0)
    return stream


PULLED = (("quiet", 1.0), ("pull", 0.6))
STOPPED = (("rundown", 2.0), ("quiet", 2.0))


@pytest.mark.parametrize(
    ("parts", "pulls", "seconds"),
    [
        ((*PULLED, ("run", 20.0)), 1, 0.6),
        ((*PULLED, *PULLED, ("run", 20.0)), 2, 2.2),
        ((*PULLED, ("run", 15.0), *STOPPED, *PULLED, ("run", 12.0)), 1, 0.6),  # a second start of its own
        ((*PULLED, ("run", 2.0), *STOPPED, *PULLED, ("run", 12.0)), 2, 8.2),  # a false start before it
        ((*PULLED, ("run", 9.0), *STOPPED, *PULLED, ("run", 2.0), *STOPPED, *PULLED, ("run", 9.0)), 2, 8.2),
        ((*PULLED, ("run", 10.0), ("quiet", 5.0), ("run", 10.0)), 1, 0.6),  # nothing parts the two runs
        ((("run", 10.0), *STOPPED, *PULLED), 0, None),  # pulled in vain after it ran
        ((*PULLED, ("run", 10.0), *STOPPED, *PULLED), 1, 0.6),
        ((*PULLED, *PULLED), 2, None),
        ((("run", 20.0),), 0, None),
    ],
)
def test_pulls_and_seconds_of_the_last_start(parts, pulls, seconds):
    course = spans(*parts)
    own = [span for span in since(before_run(course), begun_s(course, LIMITS)) if span.kind == "pull"]
    assert len(own) == pulls
    assert seconds_to_run(course, LIMITS) == (None if seconds is None else pytest.approx(seconds))


def test_a_false_start_is_as_short_here_as_in_the_findings():
    assert LIMITS.value("sustained_run_s") == limits.load("findings").value("false_start_s")


def test_the_words_tell_of_the_pulls_of_the_last_start():
    course = spans(*PULLED, ("run", 15.0), *STOPPED, *PULLED, ("run", 12.0))
    course = tuple(replace(s, rpm=500.0 + 10 * s.start_s) if s.kind == "pull" else s for s in course)
    line = Timeline(True, 0.9, course, pulls=1)
    assert study_start(line, limits.load("findings")).pulls == 1
    assert pulls_heard(line) == "pull 1 at about 720 rpm"


@pytest.mark.parametrize(("first_s", "pulls"), [(12.0, 1), (2.0, 2)])
def test_a_made_up_engine_that_is_started_twice(first_s, pulls):
    """Pulled at 1.0 s, runs, stops by itself, and is pulled once more: the truth of the synthesis says how long the
    last start took, by the same definition."""
    scenario = synthesis.random_scenario(93007, "mower", "easy", "steady")
    rpm = float(np.mean(synthesis.KINDS["mower"].pull_rpm))
    again_s = 1.6 + first_s + 1.3 * scenario.body.rundown_s + 1.5
    made = (Pull(1.0, 0.6, rpm, first_s, 3, 0), Pull(again_s, 0.6, rpm, np.inf, 3, 0))
    scenario = replace(scenario, pulls=made, seconds=again_s + 12.0)
    clip, truth = synthesis.make(scenario)
    line = analysis.analyse(as_file(clip), scenario.engine, name="made up").timeline
    assert truth.seconds_to_run == pytest.approx(truth.run_start_s - made[2 - pulls].at_s)
    assert (line.pulls, line.pulls_low, line.pulls_high) == (pulls, pulls, pulls)
    assert line.seconds_to_run == pytest.approx(truth.seconds_to_run, abs=0.4)


def test_the_words_tell_of_pulls_in_vain_apart():
    """Pulled once, ran, stopped, pulled twice in vain: the words told three pulls before the run."""
    course = spans(*PULLED, ("run", 15.0), *STOPPED, *PULLED, *PULLED, ("quiet", 1.0))
    course = tuple(replace(s, rpm=500.0 + 10 * s.start_s) if s.kind == "pull" else s for s in course)
    line = Timeline(True, 0.9, course, pulls=1, pulls_after=2)
    assert pulls_heard(line) == "pull 1 at about 510 rpm"
    found = study_start(line, limits.load("findings"))
    assert (found.pulls, found.vain_count) == (1, "2 pulls")


DEMO = Path(__file__).parents[1] / "recordings_demo"


def behind_noise(name: str, seconds: float, seed: int, level: float | None = None) -> Clip:
    """A demo recording with pink noise (power falling with frequency) before it, of an effective value; of that of its
    own first half second where none is told."""
    clip, _ = media.read(DEMO / name)
    level = level or float(clip.samples[: round(0.5 * clip.rate_hz)].std())
    wave = np.fft.rfft(np.random.default_rng(seed).standard_normal(round(seconds * clip.rate_hz)))
    noise = np.fft.irfft(wave / np.sqrt(np.maximum(np.arange(len(wave)), 1.0)))
    samples = np.concatenate([level * noise / noise.std(), clip.samples]).astype(np.float32)
    return Clip(samples, clip.rate_hz)


@pytest.mark.parametrize("seed", [1, 2])
def test_pulls_are_not_made_of_noise_before_a_run(seed):
    """The demo begins with the engine running; behind 25 s of noise it was told to have been pulled 2 or 4 times."""
    clip = behind_noise("tiller_marigold_after.m4a", 25.0, seed, 2e-3)
    run = analysis.analyse(as_file(clip), Engine(4, 1, rated_rpm=3350.0, machine="tiller"), name="made up")
    assert run.timeline.pulls_low == 0 and run.timeline.engine_heard
    start = next(finding for finding in run.measures.findings if finding.code == "start")
    assert start.verdict == "unknown"


def test_no_more_pulls_are_sure_than_there_were_behind_noise():
    """Two true pulls; 5 were told as sure."""
    clip = behind_noise("mower_daisy_rough_start.mp4", 25.0, 1)
    run = analysis.analyse(as_file(clip), Engine(4, 1, machine="mower"), name="made up")
    assert run.timeline.pulls_low <= 2
