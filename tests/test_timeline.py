"""The timeline: levels, the course of events, run-down times, and whole recordings with known truth."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from enginelog import limits, media, speed, synthesis, timeline
from enginelog.model import RHYTHM, Clip, Engine, Track
from enginelog.timeline import heard, states
from enginelog.timeline.activity import BANDS_HZ
from enginelog.timeline.build import bridged, closed, merged, not_pulled_while_running, without_lone_pull
from enginelog.timeline.nets import Net, log_softmax, shipped

LIMITS = limits.load("timeline")
RATE = 16000


def clip_of(samples, rate=RATE, start_s=0.0) -> Clip:
    return Clip(np.asarray(samples, np.float32), rate, start_s)


def whole_timeline(clip: Clip, engine: Engine):
    track = speed.track(clip, engine, limits.load("speed"))
    return timeline.build(timeline.listen(clip, LIMITS), track, engine, LIMITS)


# ---------------------------------------------------------------- levels


def test_full_scale_sine_has_0_db_in_its_band_only():
    """Definition of dB of full scale: a full-scale sine has 0 dB."""
    t = np.arange(2 * RATE) / RATE
    heard = timeline.listen(clip_of(np.sin(2 * np.pi * 640 * t)), LIMITS)
    middle = heard.bands_db[20:-20].astype(float).mean(axis=0)
    assert BANDS_HZ[4] < 640 < BANDS_HZ[5]
    assert middle[4] == pytest.approx(0.0, abs=0.1)
    assert np.delete(middle, 4).max() < -30


def test_noise_power_adds_up_over_the_bands():
    """Parseval: white noise of variance s2 has s2 times the share of its band; 2 s2 relative to a full-scale sine."""
    noise = 0.1 * np.random.default_rng(0).standard_normal(10 * RATE)
    heard = timeline.listen(clip_of(noise), LIMITS)
    power = 10 ** (heard.bands_db.astype(float) / 10)
    share = (BANDS_HZ[-1] - BANDS_HZ[0]) / (RATE / 2)
    assert power.sum(axis=1).mean() == pytest.approx(2 * 0.01 * share, rel=0.05)


def test_blocks_join_to_the_whole():
    noise = np.random.default_rng(1).standard_normal(20 * RATE) * 0.1
    whole = timeline.listen(clip_of(noise), LIMITS)
    parts = [
        timeline.listen(clip_of(noise[: 12 * RATE]), LIMITS),
        timeline.listen(clip_of(noise[8 * RATE :], start_s=8.0), LIMITS),
    ]
    joined = timeline.join(parts, [0.0, 10.0])
    assert np.allclose(joined.t_s, whole.t_s)
    assert np.abs(joined.bands_db.astype(float) - whole.bands_db.astype(float))[5:-5].max() < 0.2


@pytest.mark.parametrize("count", [0, 1, 100, 161])
def test_listen_to_next_to_nothing(count):
    heard = timeline.listen(clip_of(np.zeros(count)), LIMITS)
    assert len(heard.t_s) == len(heard.bands_db) == len(heard.fine_db) == count // 160


# ---------------------------------------------------------------- engine or not, in noise


def seen_with(engine: float, frames: int = 200) -> states.Views:
    """The same logits in every frame."""
    return states.Views(np.full(frames, engine), np.zeros(frames), np.zeros((frames, 4)))


@pytest.mark.parametrize(("engine", "runs"), [(-1.5, 0), (2.0, 1)])
def test_where_the_levels_show_no_run_the_rhythm_may(engine, runs):
    marks = [(states.QUIET, 0, 120), (states.PULL, 120, 130), (states.QUIET, 130, 200)]
    found = heard.by_rhythm(marks, seen_with(engine), LIMITS)
    assert any(mark[0] == states.RUN for mark in found) == bool(runs)
    assert (states.PULL, 120, 130) in found
    run = [(states.RUN, 0, 200)]
    assert heard.by_rhythm(run, seen_with(-5.0), LIMITS) == run


def test_a_short_run_is_less_sure_than_a_long_one():
    seen = seen_with(2.0)
    assert heard.run_score(seen, 0, 20, LIMITS) < heard.run_score(seen, 0, 200, LIMITS)
    assert heard.probability(heard.run_score(seen_with(8.0), 0, 200, LIMITS)) > 0.95
    assert heard.probability(heard.run_score(seen_with(-5.0), 0, 200, LIMITS)) < 0.05


def test_a_run_grows_as_far_as_the_rhythm_goes_on():
    seen = seen_with(0.5)
    seen.engine[160:] = -4.0
    marks = [(states.QUIET, 0, 50), (states.RUN, 50, 100), (states.QUIET, 100, 200)]
    (_, first, last), after = heard.grown(marks, seen, LIMITS)
    assert first == 0 and abs(last - 160) <= 10 and after[0] == states.QUIET
    assert heard.grown(marks, seen_with(-4.0), LIMITS) == marks
    pulled = [(states.QUIET, 0, 30), (states.PULL, 30, 50), *marks[1:]]
    assert (states.PULL, 30, 50) in heard.grown(pulled, seen, LIMITS)


def test_a_run_reaches_over_the_quiet_in_which_a_speed_is_read():
    marks = [(states.QUIET, 0, 100), (states.RUN, 100, 200), (states.QUIET, 200, 300)]
    seen = seen_with(-1.5, 300)
    rpm = np.full(300, np.nan)
    rpm[20:90], rpm[210:214] = 3000.0, 3000.0
    track = Track(0.05 * np.arange(300), rpm, np.ones(300), rpm)
    before, run, after = heard.read_on(marks, seen, track, LIMITS)
    assert before[0] == after[0] == states.QUIET
    assert run == (states.RUN, 20, 200)  # four frames say nothing
    music = replace(seen, engine=np.full(300, -4.0))
    assert heard.read_on(marks, music, track, LIMITS) == marks
    pulled = [(states.QUIET, 0, 95), (states.PULL, 95, 100), *marks[1:]]
    assert heard.read_on(pulled, seen, track, LIMITS) == pulled  # who pulls has no engine running
    stopped = [(states.RUN, 0, 10), (states.RUNDOWN, 10, 20), (states.QUIET, 20, 100), *marks[1:]]
    assert heard.read_on(stopped, seen, track, LIMITS) == stopped
    far = replace(track, rpm=np.where(np.arange(300) < 45, rpm, np.nan))
    assert heard.read_on(marks, seen, far, LIMITS) == marks


def test_nobody_pulls_the_starter_of_a_running_engine():
    hum = [(states.PULL, 0, 20), (states.RUN, 20, 50), (states.PULL, 50, 70), (states.QUIET, 70, 90)]
    assert not_pulled_while_running(hum, 60)[1] == (states.QUIET, 20, 50)
    long_run = [(states.RUN, 0, 200), (states.PULL, 200, 220)]
    assert not_pulled_while_running(long_run, 60) == long_run
    stalled = [(states.RUN, 0, 30), (states.QUIET, 30, 50), (states.PULL, 50, 70)]
    assert not_pulled_while_running(stalled, 60) == stalled


@pytest.mark.parametrize(("height", "pulls", "kept"), [(0.5, 1, 0), (3.0, 1, 1), (0.5, 2, 2)])
def test_a_lone_pull_that_is_none_too_clear_is_none(height, pulls, kept):
    marks = [(states.QUIET, 0, 20), (states.PULL, 20, 40), (states.QUIET, 40, 60), (states.PULL, 60, 80)][: 2 * pulls]
    found = without_lone_pull(marks, np.full(80, height), LIMITS)
    assert sum(mark[0] == states.PULL for mark in found) == kept
    assert found[0][1] == 0 and found[-1][2] == marks[-1][2]


# ---------------------------------------------------------------- course of events


def test_course_is_the_best_of_all_courses():
    """Against trying every course (4^6 of them): exhaustive search is the outside reference for dynamic programming."""
    rng = np.random.default_rng(3)
    seen = states.Views(rng.normal(0, 2, 6), rng.normal(0, 4, 6), log_softmax(rng.normal(0, 8, (6, 4))))
    gain = LIMITS.value("state_gain") * seen.log_states
    gain[:, states.RUN] += LIMITS.value("rhythm_gain") * np.clip(seen.engine, -6, 6)
    gain[:, states.PULL] += LIMITS.value("burst_gain") * np.clip(seen.pull, -6, 6)
    gain[0] -= [0.0, LIMITS.value("start_cost_pull"), 0.0, LIMITS.value("start_cost_rundown")]
    cost = states.change_costs(LIMITS)

    def worth(course):
        return sum(gain[i, s] for i, s in enumerate(course)) - sum(cost[a, b] for a, b in itertools.pairwise(course))

    best = max(itertools.product(range(4), repeat=6), key=worth)
    assert tuple(states.course(seen, LIMITS)) == best


def test_interruption_at_the_same_speed_does_not_split_a_run():
    t = np.arange(0, 10, 0.05) + 0.025
    track = Track(t, np.full(200, 3000.0), np.ones(200), np.ones(200))
    marks = [(states.RUN, 0, 80), (states.QUIET, 80, 120), (states.RUN, 120, 200)]
    assert bridged(marks, track, 60) == [(states.RUN, 0, 200)]
    assert bridged(marks, track, 30) == marks
    slower = replace(track, rpm=np.where(t < 5, 3000.0, 2000.0))
    assert bridged(marks, slower, 60) == marks
    with_pull = [(states.RUN, 0, 80), (states.PULL, 80, 120), (states.RUN, 120, 200)]
    assert bridged(with_pull, track, 60) == with_pull


def test_a_pause_between_two_compressions_does_not_split_a_pull():
    marks = [(states.PULL, 0, 20), (states.QUIET, 20, 24), (states.PULL, 24, 30), (states.QUIET, 30, 60)]
    assert closed(marks, 8) == [(states.PULL, 0, 30), (states.QUIET, 30, 60)]
    assert closed(marks, 3) == marks


def test_merged_puts_equal_neighbours_together():
    assert merged([(0, 0, 3), (0, 3, 5), (2, 5, 9)]) == [(0, 0, 5), (2, 5, 9)]


def test_net_is_the_formula_of_its_docstring():
    rng = np.random.default_rng(5)
    net = Net(
        np.zeros(3), np.ones(3), rng.normal(size=(3, 4)), rng.normal(size=4), rng.normal(size=(4, 2)), np.zeros(2)
    )
    x = rng.normal(size=(7, 3))
    by_hand = [
        [
            sum(np.tanh(np.clip(row, -3, 3) @ net.inner[:, h] + net.inner_bias[h]) * net.outer[h, o] for h in range(4))
            for o in range(2)
        ]
        for row in x
    ]
    assert np.allclose(net.logits(x), by_hand)
    with pytest.raises(ValueError, match="5 features given"):
        net.logits(np.zeros((2, 5)))


def test_shipped_classifiers_are_whole():
    nets = shipped()
    assert set(nets) == {"engine", "pull", "state"}
    assert all(np.isfinite(v).all() for net in nets.values() for v in vars(net).values())


# ---------------------------------------------------------------- whole recordings


def assert_covers(found, seconds: float):
    """Spans follow each other without gap from the beginning to the end."""
    assert found.spans[0].start_s == pytest.approx(0.0, abs=0.01)
    assert found.spans[-1].end_s == pytest.approx(seconds, abs=0.05)
    for one, following in itertools.pairwise(found.spans):
        assert one.end_s == pytest.approx(following.start_s)
        assert one.start_s < one.end_s


@pytest.mark.parametrize(("seed", "kind"), [(10_001, "mower"), (10_002, "generator")])
def test_start_and_cut_of_a_clear_recording(seed, kind):
    scenario = synthesis.random_scenario(seed, kind, "easy", "start,cut")
    clip, truth = synthesis.make(scenario)
    found = whole_timeline(clip, scenario.engine)
    assert_covers(found, clip.seconds)
    assert found.engine_heard and found.confidence > 0.5
    assert found.pulls == len(truth.pulls)
    runs = [span for span in found.spans if span.kind == "run"]
    assert len(runs) == 1
    assert runs[0].start_s == pytest.approx(truth.run_start_s, abs=0.3)
    assert runs[0].end_s == pytest.approx(truth.cut_s, abs=0.3)
    assert found.seconds_to_run == pytest.approx(truth.seconds_to_run, abs=0.4)


def test_recording_of_a_run_alone_has_neither_start_nor_stop():
    scenario = synthesis.random_scenario(10_003, "pump", "easy", "steady", seconds=6.0)
    clip, _ = synthesis.make(scenario)
    found = whole_timeline(clip, scenario.engine)
    assert [span.kind for span in found.spans] == ["run"]
    assert (found.pulls, found.seconds_to_run, found.rundown_s, found.reason) == (0, None, None, None)


def test_pulls_without_a_start():
    scenario = synthesis.random_scenario(10_004, "tiller", "easy", "pulls_only")
    clip, truth = synthesis.make(scenario)
    found = whole_timeline(clip, scenario.engine)
    assert not found.engine_heard
    assert found.pulls == len(truth.pulls)
    assert "pull" in found.reason


@pytest.mark.parametrize("kind", ["talk", "rain", "silence"])
def test_other_sounds_are_no_engine(kind):
    clip = synthesis.make_other(10_005, kind, 5.0)
    found = whole_timeline(clip, Engine())
    assert not found.engine_heard
    assert found.reason
    assert_covers(found, clip.seconds)


@pytest.mark.parametrize(
    ("name", "engine", "heard"),
    [
        ("chainsaw_2-68391-B.ogg", Engine(2, 1), True),
        ("chainsaw_4-169127-B.ogg", Engine(2, 1), True),
        ("rain_1-54958-A.ogg", Engine(), False),
        ("rooster_2-71162-A.ogg", Engine(2, 1), False),
    ],
)
def test_real_recordings(real_recordings, name, engine, heard):
    """Open recordings (ESC-10, K. J. Piczak, ACM Multimedia 2015; Freesound), none of which was fitted on."""
    clip = media.read(real_recordings / name)[0]
    assert whole_timeline(clip, engine).engine_heard == heard


# ---------------------------------------------------------------- odd input


def test_too_short_to_tell():
    clip = clip_of(np.zeros(200))
    t = np.zeros(0)
    found = timeline.build(timeline.listen(clip, LIMITS), Track(t, t, t, t), Engine(), LIMITS)
    assert not found.engine_heard
    assert "too short" in found.reason


def test_track_without_rhythm_is_refused():
    heard = timeline.listen(clip_of(np.zeros(RATE)), LIMITS)
    t = np.arange(20) * 0.05 + 0.025
    with pytest.raises(ValueError, match="no rhythm"):
        timeline.build(heard, Track(t, t, t, t), Engine(), LIMITS)


def test_digital_silence_is_said_to_be_silent():
    heard = timeline.listen(clip_of(np.zeros(4 * RATE)), LIMITS)
    t = np.arange(80) * 0.05 + 0.025
    blank = np.full(80, np.nan)
    track = Track(t, blank, np.zeros(80), blank, np.zeros((80, len(RHYTHM))))
    found = timeline.build(heard, track, Engine(), LIMITS)
    assert not found.engine_heard
    assert "next to nothing" in found.reason
