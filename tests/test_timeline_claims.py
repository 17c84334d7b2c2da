"""What is claimed of starting and stopping: probabilities against every course, ranges of pulls, what is withheld."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from enginelog import limits, timeline
from enginelog.model import RHYTHM, Clip, Span, Timeline, Track
from enginelog.timeline import claims, cues, heard, lifts, states
from enginelog.timeline.activity import Activity
from enginelog.timeline.build import without_faint_pulls
from enginelog.timeline.chances import chances
from enginelog.timeline.nets import log_softmax

LIMITS = limits.load("timeline")
RATE = 16000


def test_chances_are_the_sum_over_all_courses():
    """Against every course (4^5 of them), each weighed by exp of its evidence less its costs: the definition."""
    rng = np.random.default_rng(4)
    seen = states.Views(rng.normal(0, 2, 5), rng.normal(0, 2, 5), log_softmax(rng.normal(0, 4, (5, 4))))
    gain, cost = states.gains(seen, LIMITS), states.change_costs(LIMITS)
    gain[0] -= states.first_costs(LIMITS)
    state, begins, ended, total = np.zeros((5, 4)), np.zeros((5, 4)), np.zeros((5, 4)), 0.0
    for course in itertools.product(range(4), repeat=5):
        worth = sum(gain[i, s] for i, s in enumerate(course)) - sum(cost[a, b] for a, b in itertools.pairwise(course))
        weight = math.exp(worth)
        total += weight
        for i, now in enumerate(course):
            state[i, now] += weight
            before = None if i == 0 else course[i - 1]
            begins[i, now] += weight * (before != now)
            if before not in (None, now):
                ended[i, before] += weight
    found = chances(seen, LIMITS)
    assert np.allclose(found.state, state / total)
    assert np.allclose(found.begins, begins / total)
    assert np.allclose(found.ended, ended / total)


# ---------------------------------------------------------------- pulls, start, cut


def scene(*courses: tuple[int, int], sure: float = 4.0) -> tuple[states.Views, Track]:
    """Frames of 50 ms: (state, frames) one after the other, each said with `sure` as logit against the others."""
    course = np.concatenate([np.full(frames, state) for state, frames in courses])
    logits = np.full((len(course), 4), 0.0)
    logits[np.arange(len(course)), course] = sure
    running, pulled = course == states.RUN, course == states.PULL
    seen = states.Views(np.where(running, 4.0, -4.0), np.where(pulled, sure, -sure), log_softmax(logits))
    t = (np.arange(len(course)) + 0.5) * 0.05
    blank = np.full(len(course), np.nan)
    return seen, Track(t, blank, blank, blank)


def sound(seconds: float) -> timeline.Activity:
    """Quiet noise, then noise 20 dB louder from the middle on."""
    noise = 0.01 * np.random.default_rng(0).standard_normal(int(seconds * RATE))
    noise[len(noise) // 2 :] *= 10
    return timeline.listen(Clip(noise.astype(np.float32), RATE), LIMITS)


def as_found(courses, pulls: int) -> Timeline:
    edges = np.concatenate([[0], np.cumsum([frames for _, frames in courses])]) * 0.05
    spans = tuple(
        Span(states.KINDS[state], float(a), float(b))
        for (state, _), a, b in zip(courses, edges[:-1], edges[1:], strict=True)
    )
    return Timeline(True, 0.95, spans, pulls, 3.0, 1.5)


STARTED = [(0, 40), (1, 15), (0, 40), (1, 15), (2, 150), (3, 30), (0, 60)]


def claim(courses, pulls: int, sure: float = 4.0, seconds: float | None = None, silent=(), **changes) -> Timeline:
    """seconds: of sound (`sound`); as many as there are frames where none are told."""
    seen, track = scene(*courses, sure=sure)
    found = replace(as_found(courses, pulls), **changes)
    return claims.claimed(found, seen, sound(seconds or len(track.t_s) * 0.05), track, LIMITS, silent)


def test_what_is_clear_is_told():
    found = claim(STARTED, 2)
    assert (found.pulls_low, found.pulls_high, found.pulls_words, found.pulls_reason) == (2, 2, "2", None)
    assert (found.start_s, found.cut_s) == (pytest.approx(5.5), pytest.approx(13.0))
    assert (found.seconds_to_run, found.rundown_s) == (3.0, 1.5)


def test_a_pull_that_hardly_stands_out_makes_a_range():
    seen, track = scene(*STARTED)
    weak = slice(40, 55)  # the first pull, somewhat less likely than quiet (the second leads to the run and is sure)
    logits = np.full((15, 4), -4.0)
    logits[:, [states.QUIET, states.PULL]] = [0.0, -0.7]
    seen.log_states[weak], seen.pull[weak] = log_softmax(logits), 0.0
    found = claims.claimed(as_found(STARTED, 2), seen, sound(17.5), track, LIMITS)
    assert (found.pulls_low, found.pulls_high, found.pulls_words) == (1, 2, "1 to 2")
    assert found.pulls_reason and found.seconds_to_run is None


def test_a_number_that_may_be_anything_has_no_upper_end():
    found = claim(STARTED, 2, sure=0.4)
    assert found.pulls_reason and found.pulls_high is None


def test_a_run_without_a_pull_before_it_has_an_open_number():
    found = claim([(0, 100), (2, 150), (0, 60)], 0)
    assert found.pulls_words == "0 or more" and "no pull" in found.pulls_reason
    assert found.start_s is None and found.start_reason
    again = claim([(0, 40), (1, 15), (2, 90), (0, 60), (2, 90)], 1)
    assert again.pulls_high is None and again.pulls_low == 1


def test_nothing_is_no_number():
    found = claim([(0, 200)], 0, engine_heard=False)
    assert found.pulls_reason and (found.start_reason, found.cut_reason) == ("no engine ran", "no engine ran")


def test_what_runs_from_first_to_last_has_neither_start_nor_cut():
    found = claim([(2, 300)], 0)
    assert found.pulls_sure and found.pulls == 0
    assert "begins" in found.start_reason and "to the end" in found.cut_reason and found.rundown_s is None


def test_an_engine_that_is_doubtful_has_no_sure_cut():
    found = claim(STARTED, 2, confidence=0.5)
    assert found.cut_s is None and found.rundown_s is None and found.rundown_reason == found.cut_reason


def falling(at_s: float, by_db: float) -> timeline.Activity:
    """Noise of 17.5 s that grows softer by `by_db` at a moment."""
    noise = 0.1 * np.random.default_rng(2).standard_normal(int(17.5 * RATE))
    noise[int(at_s * RATE) :] *= 10 ** (-by_db / 20)
    return timeline.listen(Clip(noise.astype(np.float32), RATE), LIMITS)


@pytest.mark.parametrize(("at_s", "by_db"), [(13.0, 20.0), (12.6, 20.0), (13.45, 16.0), (13.2, 9.0)])
def test_a_fall_of_the_level_is_found_where_it_is(at_s, by_db):
    fallen_db, found_s = claims.steepest(falling(at_s, by_db), 13.0)
    assert found_s == pytest.approx(at_s, abs=0.04) and fallen_db == pytest.approx(by_db, abs=2.5)


@pytest.mark.parametrize(
    ("at_s", "by_db", "told_s"), [(13.4, 20.0, 13.4), (13.4, 10.0, None), (13.15, 10.0, 13.0), (16.0, 20.0, 13.0)]
)
def test_a_run_ends_where_its_sound_does(at_s, by_db, told_s):
    """Its rhythm says 13.0 s. Silence is the end itself; a lesser fall that lies elsewhere leaves it open."""
    seen, track = scene(*STARTED)
    found = claims.claimed(as_found(STARTED, 2), seen, falling(at_s, by_db), track, LIMITS)
    assert found.cut_s == (None if told_s is None else pytest.approx(told_s, abs=0.04))
    assert (found.cut_reason is None) == (told_s is not None)
    if told_s == 13.4:  # it stood still 1.5 s after the end of its rhythm
        assert found.rundown_s == pytest.approx(1.1, abs=0.04)
    if told_s is not None:  # the spans say the same, and follow each other without gap
        run, down = found.spans[-3:-1]
        assert (run.kind, down.kind) == ("run", "rundown") and run.end_s == down.start_s == found.cut_s


def test_no_run_down_without_length_is_left():
    """0.4 s of it are gone, since the sound falls away so much later than the rhythm, of 0.6 s in all."""
    seen, track = scene(*STARTED)
    found = claims.claimed(replace(as_found(STARTED, 2), rundown_s=0.6), seen, falling(13.4, 20.0), track, LIMITS)
    assert found.cut_s == pytest.approx(13.4, abs=0.04)
    assert found.rundown_s is None and found.rundown_reason


def test_a_cut_beyond_what_follows_the_run_is_not_told_by_the_level():
    """The run-down lasts for 0.2 s, then it is pulled again: the fall at 13.4 s lies in that pull."""
    courses = [*STARTED[:-2], (3, 4), (1, 26), (0, 60)]
    assert claims.ending_at(as_found(courses, 2).spans, 13.4) is None
    assert claims.ending_at(as_found(courses, 2).spans, 13.1)[4].end_s == 13.1


def test_a_run_hardly_louder_than_the_quiet_may_hide_pulls():
    seen, track = scene(*STARTED)
    even = timeline.listen(
        Clip((0.05 * np.random.default_rng(1).standard_normal(int(17.5 * RATE))).astype(np.float32), RATE), LIMITS
    )
    found = claims.claimed(as_found(STARTED, 2), seen, even, track, LIMITS)
    assert found.pulls_high is None and "noise" in found.pulls_reason


def test_old_records_are_sure():
    assert Timeline(True, 0.9, (), 3).pulls_words == "3" and Timeline(True, 0.9, (), 3).pulls_least == 3


# ---------------------------------------------------------------- mains, short runs, lifts


@pytest.mark.parametrize(("rate_hz", "part"), [(100.0, 1), (33.334, 3), (24.0, 5), (29.985, 4), (25.3, 0), (13.3, 0)])
def test_hum_beats_at_parts_of_twice_the_mains(rate_hz, part):
    """50 and 60 Hz mains; what hums does so at twice that, since the force goes with the square of the current."""
    steady = rate_hz * (1 + 1e-4 * np.random.default_rng(2).standard_normal(60))
    assert heard.mains_part(steady, LIMITS) == part
    assert heard.mains_part(rate_hz * np.linspace(0.95, 1.05, 60), LIMITS) == 0


@pytest.mark.parametrize(("rate_hz", "beat", "hums"), [(25.0, 3.0, 0), (25.0, 0.3, 1), (50.0, 1.8, 1), (100.0, 3.0, 1)])
def test_an_engine_at_a_part_of_the_mains_rate_beats_in_its_hiss(rate_hz, beat, hums):
    """A generator at 3000 rpm fires 25 times a second; its hiss beats so, that of a transformer at 100 Hz alone."""
    seen = states.Views(
        *(np.zeros(60), np.zeros(60), np.zeros((60, 4))), firing_hz=np.full(60, rate_hz), beat=np.full(60, beat)
    )
    assert heard.hums(seen, 0, 60, LIMITS) == bool(hums)


def test_a_short_run_after_a_pull_must_be_surer():
    marks = [(0, 0, 20), (1, 20, 35), (0, 35, 40), (2, 40, 80), (0, 80, 200), (2, 200, 400)]
    first, second = (heard.asked_of(marks, marks[i], 0.05, LIMITS) for i in (3, 5))
    assert (first, second) == (LIMITS.value("short_run_heard"), LIMITS.value("heard_from"))


def test_a_short_run_in_a_long_recording_must_be_surer():
    alone, whole = [(0, 0, 100), (2, 100, 140), (0, 140, 200)], [(0, 0, 8), (2, 8, 56)]
    assert heard.asked_of(alone, alone[1], 0.05, LIMITS) == LIMITS.value("short_run_alone")
    assert heard.asked_of(whole, whole[1], 0.05, LIMITS) == LIMITS.value("heard_from")


def test_a_short_run_in_which_all_that_was_heard_lies_is_never_told_surely():
    """A choice, no source: a syllable held for 1.3 s was told as 14 400 rpm; one that a pull leads to, or a second run,
    makes it likelier an engine."""
    alone = [(states.RUN, 0, 26), (states.QUIET, 26, 170)]
    pulled = [(states.PULL, 0, 8), (states.RUN, 8, 40), (states.QUIET, 40, 170)]
    again = [*alone, (states.RUN, 170, 300)]
    assert heard.most_of(alone, 0.05, LIMITS) < 0.5
    assert heard.most_of(pulled, 0.05, LIMITS) == heard.most_of(again, 0.05, LIMITS) == 1.0


def test_lulls_are_short_between_firings_and_long_between_ticks():
    """Twenty firings a second leave 0.05 s between them, two ticks half a second."""
    lengths = []
    for each in (5, 50):
        level = np.full((600, 10), -60.0)
        level[::each] = -20.0
        rows = np.arange(600)
        activity = Activity(
            0.005 + 0.01 * rows, level.astype(np.float16), np.zeros(600), np.zeros(600), np.zeros((600, 5, 2))
        )
        lengths.append(float(np.exp(np.median(cues.gaps(activity)[100:500]))))
    assert lengths[0] == pytest.approx(0.05, abs=0.011) and lengths[1] == pytest.approx(0.5, abs=0.011)


def test_half_a_decibel_of_steady_noise_is_many_deviations():
    """Level of noise over T in bandwidth B: mean of B T exponential powers, deviation 10 / ln 10 / sqrt(B T) dB."""
    rng = np.random.default_rng(3)
    noise = 0.1 * rng.standard_normal(20 * RATE)
    noise[12 * RATE : 12 * RATE + RATE // 2] *= 10 ** (1.0 / 20)
    activity = timeline.listen(Clip(noise.astype(np.float32), RATE), LIMITS)
    t = np.arange(0.025, 20, 0.05)
    quiet = (np.abs(t - 12.25) > 1.0) & (t > 1) & (t < 19)
    level = lifts.moving_mean(activity.bands_db.astype(float), 50)
    spread = level[(activity.t_s > 1) & (activity.t_s < 11)].std(axis=0)
    assert spread[8] == pytest.approx(10 / math.log(10) / math.sqrt((5000 - 3150) * 0.5), rel=0.5)
    found = np.sinh(lifts.lifts(activity, t, np.zeros(len(t), bool), 50)[:, 0])
    assert found[np.abs(t - 12.25) < 0.1].min() > 6
    assert found[quiet].max() < 5


def test_pulls_after_the_last_run_started_nothing():
    """Two led to it. A knock once the engine stands may be a pull or none; who pulls in vain pulls again."""
    vain = [(1, 15), (0, 40)]
    for more, after, words in ((vain, 0, ""), (2 * vain, 2, "2 pulls"), (3 * vain, 3, "3 pulls")):
        found = claim([*STARTED, *more], 2, seconds=11.0)
        assert (found.pulls_low, found.pulls_high, found.pulls_sure) == (2, 2, True)
        assert (found.pulls_after, found.vain_words, len(found.start_pulls)) == (after, words, 2)
        assert found.start_s is not None and found.seconds_to_run is not None
    assert claim(STARTED, 2).vain_words == ""
    assert claim([*STARTED, *vain], 2, confidence=0.5).pulls_high is None, "it may have been no engine"


@pytest.mark.parametrize(("silent", "known"), [((18.5, 19.5), True), ((14.0, 15.0), True), ((3.2, 4.2), False)])
def test_sound_missing_after_the_last_run_hides_no_pull_that_led_to_it(silent, known):
    """It ran from 5.5 to 13 s and was pulled again in vain at 17.5 and 20.3 s."""
    found = claim([*STARTED, *(2 * [(1, 15), (0, 40)])], 2, seconds=11.0, silent=(silent,))
    assert (found.pulls_low, found.pulls_high) == (2, 2 if known else None)
    assert known or "missing" in found.pulls_reason


def test_a_pull_before_a_run_is_sure_only_where_its_burst_is_clear():
    """The likeliest course makes pulls of noise where a run comes later: here one of three, which the burst denies."""
    courses = [(0, 40), (1, 15), (0, 300), *STARTED]
    seen, track = scene(*courses)
    seen.pull[40:55] = LIMITS.value("pull_clear") - 0.5
    every = chances(seen, LIMITS)
    found = as_found(courses, 3)
    assert claims.counted(found.spans, seen, every, track.t_s, LIMITS).sure == 2
    alone = tuple(replace(span, kind="quiet") if span.kind == "run" else span for span in found.spans)
    assert claims.counted(alone, seen, every, track.t_s, LIMITS).sure == 3, "of pulls alone the course is enough"


def test_faint_pulls_are_quiet_where_an_engine_runs():
    """The first stands out of nothing; the second does, and the third, which leads to the run, need not."""
    marks = [(0, 0, 40), (1, 40, 55), (0, 55, 90), (1, 90, 105), (0, 105, 140), (1, 140, 155), (2, 155, 400)]
    logits = np.full(400, -4.0)
    logits[50], logits[95], logits[150] = (LIMITS.value("pull_least") + off for off in (-0.2, 0.2, -0.2))
    assert without_faint_pulls(marks, logits, LIMITS) == [(0, 0, 90), *marks[3:]]
    assert without_faint_pulls(marks[:-1], logits, LIMITS) == marks[:-1], "of pulls alone all count"


def test_pulls_after_an_engine_that_ran_from_the_start_are_none_of_a_start():
    found = claim([(2, 200), (3, 30), *2 * [(0, 40), (1, 15)], (0, 40)], 0)
    assert (found.pulls_low, found.pulls_high, found.pulls_after) == (0, 0, 2)


def test_one_of_several_pulls_in_vain_that_is_not_clear_leaves_their_number_open():
    courses = [*STARTED, *3 * [(1, 15), (0, 40)]]
    seen, track = scene(*courses)
    last = slice(-55, -40)
    seen.pull[last] = LIMITS.value("pull_clear") - 0.5
    found = claims.claimed(as_found(courses, 2), seen, sound(len(track.t_s) * 0.05), track, LIMITS)
    assert (found.pulls_after, found.vain_words) == (2, "2 pulls or more")


def test_a_speed_that_is_hardly_read_says_nothing_of_the_engine():
    """A choice, no source: the cues of the reading are 0 up to log-odds of -1, and then grow with it; what the whole
    recording says of the speed counts only where it is read."""
    assert not cues.surely(np.array([[-4.0, 8.0], [-1.0, 8.0]])).any()
    read = cues.surely(np.array([[0.5, 2.0], [2.0, 8.0], [5.0, 8.0]]))
    assert (np.diff(read, axis=0) >= 0).all() and (read[1:] > 0).all()
    assert read[0, 1] == 0.0 and np.isclose(read[1, 1], 2.0)


def test_what_is_read_before_a_cut_says_nothing_of_what_comes_after_it():
    """A choice, no source: the speed is read surely up to 5 s and never after; from there on the cues are 0."""
    t_s = (np.arange(200) + 0.5) * 0.05
    rhythm = np.zeros((200, len(RHYTHM)))
    rhythm[:, RHYTHM.index("whole_odds")] = 8.0
    track = Track(t_s, np.full(200, 3000.0), np.where(t_s < 5.0, 0.99, 0.02), np.ones(200), rhythm)
    found = cues.reading_cues(track)
    assert (found[t_s < 3.4] > 1.0).all() and not found[t_s > 5.0].any()


def test_an_engine_heard_by_its_reading_alone_is_never_told_surely():
    """A choice, no source: what the frames say without the reading bounds the confidence, or a value below one half."""
    marks = [(states.RUN, 0, 200)]
    nothing = np.zeros((200, 4))

    def told(read: float, unread: float | None) -> float:
        views = states.Views(np.full(200, read), np.zeros(200), nothing)
        without = None if unread is None else np.full(200, unread)
        return heard.confidence_of(marks, replace(views, unread=without), LIMITS)[0]

    assert told(6.0, None) == told(6.0, 6.0) > 0.9
    assert told(6.0, -1.0) == LIMITS.value("read_most") < 0.5
    assert told(6.0, 2.0) == told(2.0, None)
    assert told(1.0, 6.0) == told(1.0, None)


@pytest.mark.parametrize(
    ("sure", "hidden", "high", "said"),
    [(2, 0, 3, "2 to 3"), (1, 0, 2, "1 to 2"), (0, 0, 2, "up to 2"), (2, 2, 4, "2 to 4")],
)
def test_a_range_of_pulls_has_two_ends(sure, hidden, high, said):
    """'2 to 2 pulls', of two that were sure where more may have been."""
    found = as_found(((states.PULL, 10), (states.PULL, 10)), 2)
    told = claims._pulls(found, None, claims.Count(0.0, sure, hidden), LIMITS)
    assert (told["pulls_low"], told["pulls_high"]) == (sure, high) and told["pulls_reason"].startswith(f"{said} pulls")


def test_when_an_engine_that_stumbled_began_to_run_is_not_told():
    """A rope is drawn in 0.3 to 0.8 s (common practice, no source): what seems a pull of 2 s holds the first turns of
    the engine, whose start was told 1.4 s late."""
    for frames, told in ((15, True), (40, False)):
        found = claim([(0, 40), (1, 15), (0, 40), (1, frames), (2, 150), (3, 30), (0, 60)], 2)
        assert (found.start_s is not None) is told and (found.seconds_to_run is not None) is told
        assert found.pulls_sure and (told or "stumbled" in (found.start_reason or ""))
