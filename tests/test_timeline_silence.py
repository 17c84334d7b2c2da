"""Silence that a phone or an editor left: its edges are no start, no stop, no pull and no run-down."""

import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from enginelog import analysis, limits
from enginelog.model import Engine, Span
from enginelog.synthesis import codec
from enginelog.timeline.silence import held, long_ones, looked_at, may_hide_pulls, parted, sound_until
from enginelog.timeline.states import PULL, QUIET, RUN, RUNDOWN, Views

DEMO = Path(__file__).parent.parent / "recordings_demo"
LIMITS = limits.load("timeline")
T_S = 0.025 + 0.05 * np.arange(400)  # 20 s of frames


@cache
def sound(name):
    return codec.decode((DEMO / name).read_bytes())


def told(name, *stretches, coded=False):
    """The whole analysis of a demo recording with some stretches (seconds) set to zero."""
    samples, rate_hz = sound(name)
    samples = samples.copy()
    for start_s, end_s in stretches:
        samples[round(start_s * rate_hz) : round(end_s * rate_hz)] = 0.0
    source = io.BytesIO(codec.encode(samples, rate_hz, "aac"))
    if not coded:
        import soundfile

        source = io.BytesIO()
        soundfile.write(source, samples, rate_hz, format="WAV")
        source.seek(0)
    return analysis.analyse(source, Engine(machine="mower"), name="silenced")


def finding(run, code):
    return next(one for one in run.measures.findings if one.code == code)


def kinds(run):
    return [span.kind for span in run.timeline.spans]


# ---------------------------------------------------------------- the whole analysis


@pytest.mark.parametrize("coded", [False, True], ids=["wav", "aac"])
@pytest.mark.parametrize("name", ["tiller_marigold_before.m4a", "tiller_marigold_after.m4a"])
@pytest.mark.parametrize("long_s", [1.5, 4.0])
def test_an_engine_that_is_silenced_in_the_middle_neither_stops_nor_starts(name, long_s, coded):
    """Both demo tillers run from end to end (their truth files)."""
    run = told(name, (6.0, 6.0 + long_s), coded=coded)
    line = run.timeline
    assert kinds(run) == ["run", "quiet", "run"]
    assert line.spans[0].end_s == pytest.approx(6.0, abs=0.15)
    assert line.spans[2].start_s == pytest.approx(6.0 + long_s, abs=0.15)
    assert (line.start_s, line.cut_s, line.rundown_s, line.pulls, line.seconds_to_run) == (None, None, None, 0, None)
    assert "missing" in line.start_reason
    assert "missing" in line.pulls_reason
    assert finding(run, "start").verdict == "unknown"
    assert "started again" not in finding(run, "start").text


@pytest.mark.parametrize("long_s", [0.3, 0.7, 1.0])
def test_a_hole_in_a_run_leaves_it_one_run_without_pulls(long_s):
    run = told("tiller_marigold_after.m4a", (5.0, 5.0 + long_s))
    assert kinds(run) == ["run"]
    assert run.timeline.pulls_sure
    assert run.timeline.pulls == 0


def test_a_run_ends_where_its_sound_is_cut_off():
    run = told("tiller_marigold_after.m4a", (6.0, 99.0))
    assert kinds(run) == ["run", "quiet"]
    assert run.timeline.spans[0].end_s == pytest.approx(6.0, abs=0.15)
    assert run.timeline.cut_s is None
    assert "missing" in run.timeline.cut_reason
    assert "run-down is heard" not in finding(run, "stop").text


def test_an_engine_that_runs_as_the_sound_begins_was_not_heard_to_start():
    run = told("tiller_marigold_after.m4a", (0.0, 4.0))
    assert kinds(run) == ["quiet", "run"]
    assert run.timeline.spans[1].start_s == pytest.approx(4.0, abs=0.15)
    assert run.timeline.start_s is None
    assert not run.timeline.pulls_sure


def test_a_stop_that_was_heard_before_the_silence_is_told_as_without_it():
    """The demo mower is cut at 11.0 s and stands at 13.8 s (its truth file)."""
    line = told("mower_daisy_stop.m4a", (15.0, 99.0)).timeline
    assert line.cut_s == pytest.approx(10.98, abs=0.1)
    assert line.rundown_s == pytest.approx(2.8, abs=0.15)


def test_a_run_down_into_the_silence_has_no_end():
    run = told("mower_daisy_stop.m4a", (13.0, 99.0))
    line = run.timeline
    assert line.rundown_s is None
    assert "missing" in line.rundown_reason
    assert line.cut_s is None or line.cut_s == pytest.approx(10.98, abs=0.3)
    assert all(span.end_s <= 13.1 for span in line.spans if span.kind == "rundown")


@pytest.mark.parametrize("at_s", [10.0, 10.8, 11.3, 12.0])
def test_a_hole_about_the_cut_makes_no_pull_and_no_time(at_s):
    run = told("mower_daisy_stop.m4a", (at_s, at_s + 0.5))
    line = run.timeline
    assert "pull" not in kinds(run)
    assert line.cut_s is None or line.cut_s == pytest.approx(10.98, abs=0.3)
    assert line.rundown_s is None or line.rundown_s == pytest.approx(2.8, abs=0.3)


# ---------------------------------------------------------------- frame by frame


def views(states):
    """Frames of which each is surely what `states` says."""
    log_states = np.full((len(states), 4), -5.0, np.float32)
    log_states[np.arange(len(states)), states] = 0.0
    runs = (np.asarray(states) == RUN).astype(np.float32)
    return Views(8 * runs - 4, np.full(len(states), -3.0, np.float32), log_states, 25 * runs, runs, None, 0.05, runs)


def test_how_long_stretches_must_be():
    """Widths include the smear of 0.05 s on either side (limits): lost buffers, holes, and what parts a run."""
    silent = ((1.0, 1.2), (3.0, 4.0), (6.0, 8.0))
    assert looked_at(silent, LIMITS) == silent[1:]
    assert long_ones(silent, LIMITS) == silent[2:]
    quality = limits.load("quality")
    parts_s = quality.value("gap_longest_s") + 2 * quality.value("hole_smear_s")
    assert LIMITS.value("silence_parts_s") == pytest.approx(parts_s, abs=0.02)


def test_nothing_changes_without_silence():
    seen = views(np.full(400, RUN))
    assert held(seen, T_S, (), LIMITS) is seen
    marks = [(RUN, 0, 400)]
    assert parted(marks, T_S, ((3.0, 4.0),), LIMITS) is marks


def test_frames_beside_a_hole_take_what_is_said_beyond_its_edges():
    states = np.full(400, RUN)
    states[(T_S > 9.3) & (T_S < 10.2)] = RUNDOWN
    states[(T_S > 10.2) & (T_S < 11.4)] = PULL
    seen = held(views(states), T_S, ((10.0, 10.9),), LIMITS)
    assert (seen.log_states.argmax(axis=1) == RUN).all()
    assert (seen.engine == 4).all()


def test_nothing_is_carried_across_a_long_silence():
    """Running until 8 s, silent until 12 s, quiet from there on: by hand."""
    states = np.where(T_S < 8.0, RUN, QUIET)
    seen = held(views(states), T_S, ((8.0, 12.0),), LIMITS)
    assert (seen.log_states.argmax(axis=1) == states).all()
    assert (seen.engine[(T_S > 8.0) & (T_S < 12.0)] < -10).all()


def test_marks_are_parted_by_a_long_silence_and_what_is_left_is_no_run():
    marks = [(RUN, 0, 200), (RUNDOWN, 200, 260), (QUIET, 260, 400)]
    out = parted(marks, T_S, ((8.0, 11.0),), LIMITS)
    assert out == [(RUN, 0, 160), (QUIET, 160, 400)]
    short = parted([(RUN, 0, 400)], T_S, ((0.5, 19.5),), LIMITS)
    assert short == [(QUIET, 0, 400)]


def test_where_pulls_may_lie():
    runs = (Span("run", 0.0, 6.0), Span("quiet", 6.0, 10.0), Span("run", 10.0, 20.0))
    assert may_hide_pulls(runs, ((6.0, 10.0),))
    assert not may_hide_pulls(runs, ((3.0, 4.0),))  # a run goes on through it
    assert not may_hide_pulls((Span("run", 0.0, 6.0), Span("quiet", 6.0, 20.0)), ((6.0, 20.0),))  # nothing follows
    pulled = (Span("quiet", 0.0, 3.0), Span("pull", 3.0, 3.5), Span("run", 3.5, 20.0))
    assert not may_hide_pulls(pulled, ((0.0, 1.0),))  # as if the recording began later
    assert may_hide_pulls((Span("quiet", 0.0, 1.0), Span("run", 1.0, 20.0)), ((0.0, 1.0),))


def test_until_when_there_is_sound():
    silent = ((3.0, 4.0), (8.0, 9.0))
    assert [sound_until(at_s, silent) for at_s in (1.0, 3.5, 5.0, 9.5)] == [3.0, 3.5, 8.0, np.inf]
