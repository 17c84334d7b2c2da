"""What a whole recording says against its runs: steps from note to note, and sound as loud that goes on for longer.

Semitones: equal temperament, twelve equal steps to an octave, 2 to the power of 1/12 each (the usual definition; from
memory). Notes and engines are put together here from numbers; chances are checked against odds worked out by hand.
"""

import numpy as np
import pytest

from enginelog import limits, speed, timeline
from enginelog.model import Clip, Engine
from enginelog.timeline import beside
from enginelog.timeline.cues import BLOCK
from enginelog.timeline.states import PULL, QUIET, RUN, Views
from enginelog.timeline.traces import Traces

LIMITS = limits.load("timeline")
HOP_S = 0.05
MAJOR = (0, 2, 4, 5, 7, 9, 11, 12)  # semitones of the notes of a scale


def track_of(semitones, base_hz: float = 55.0, frames: int = 14, sway: float = 0.0, seed: int = 0) -> np.ndarray:
    """Logarithms of a rate that stays `frames` at each of the pitches, with a sway of its own."""
    pitch = np.repeat(np.asarray(semitones, float), frames) * np.log(2.0) / 12 + np.log(base_hz)
    return pitch + sway * np.random.default_rng(seed).standard_normal(len(pitch))


def test_steps_of_a_scale_are_found_with_their_sizes():
    found = beside.steps(track_of(MAJOR, sway=0.001))
    assert np.rint(found).tolist() == [2, 2, 1, 2, 2, 2, 1]
    assert np.abs(found - np.rint(found)).max() < 0.05


def test_a_melody_is_likelier_music_and_an_engine_is_not():
    melody = beside.likelihood(beside.steps(track_of([0, 2, 4, 1, 4, 2, 0, 3, 1, 0], sway=0.001)))
    assert melody > LIMITS.value("notes_from")
    slow = np.log(50.0) + 0.1 * np.sin(2 * np.pi * np.arange(600) * HOP_S / 4.0)  # hunts by 10 %, once in four seconds
    revved = np.log(50.0) + np.clip(np.arange(600) * 0.02 - 4.0, 0.0, 1.0)  # a throttle opened: up by e in 2.5 s
    assert len(beside.steps(slow)) == 0 and len(beside.steps(revved)) == 0


@pytest.mark.parametrize("size", [3.0, 5.0, 7.0, 7.02, 4.98])
def test_steps_of_one_size_do_not_make_music_however_many(size):
    """An engine that hunts between two speeds; a track that goes over to 4/3 or 3/2 of the speed and back."""
    found = beside.steps(track_of([0.0, size] * 40, sway=0.001))
    assert len(found) > 60 and beside.likelihood(found) <= LIMITS.value("notes_from")


def test_steps_of_any_size_speak_against_music():
    """Expected per step, from its definition: the mean of k cos(x) - ln I0(k) over all x is -ln I0(k)."""
    sizes = np.random.default_rng(1).uniform(0.75, 4.4, 4000)
    each = beside.GRID * np.cos(2 * np.pi * sizes) - np.log(np.i0(beside.GRID))
    assert each.mean() == pytest.approx(-np.log(np.i0(beside.GRID)), abs=0.15)
    assert beside.likelihood(sizes) < 0


def test_long_tracks_are_walked_through_in_pieces(monkeypatch):
    pitch = track_of([0, 2, 4, 1, 4, 2, 0, 3, 1, 0] * 8, sway=0.001)
    whole = beside.steps(pitch)
    monkeypatch.setattr(beside, "PIECE", 97)
    assert np.isin(np.round(whole, 9), np.round(beside.steps(pitch), 9)).all()


def recording(seconds: float, run: tuple[float, float], beside_db: float, pitch: np.ndarray | None = None):
    """Marks, views, moments and levels of a recording whose one run is at -20 dB, the rest `beside_db` under it."""
    frames = round(seconds / HOP_S)
    first, last = (round(at / HOP_S) for at in run)
    marks = [(QUIET, 0, first), (RUN, first, last), (QUIET, last, frames)]
    blocks = np.full((round(seconds / 0.1), 7), -20.0 - beside_db)
    blocks[round(run[0] / 0.1) : round(run[1] / 0.1), 0] = -20.0
    rows = len(blocks) * BLOCK
    levels = Traces(0.005, np.zeros(rows), np.zeros(rows), np.zeros((rows, 5, 2)), np.zeros((rows, 10)), 1, blocks)
    firing_hz = np.full(frames, 30.0)
    if pitch is not None:
        firing_hz[first : first + len(pitch)] = np.exp(pitch)
    seen = Views(np.zeros(frames), np.zeros(frames), np.zeros((frames, 4)), firing_hz.astype(np.float32))
    return [mark for mark in marks if mark[2] > mark[1]], seen, np.arange(frames) * HOP_S + HOP_S / 2, levels


@pytest.mark.parametrize("beside_db", [0.0, 12.0])
def test_a_run_amid_much_that_is_as_loud_is_less_likely_one(beside_db):
    """10 s in 200 s: of the 190 s beside them 15 never count: the odds fall 17.5 times; what is quieter counts not."""
    marks, seen, t_s, levels = recording(200.0, (60.0, 70.0), beside_db)
    chance, after = beside.doubted(marks, 0.95, seen, t_s, levels, LIMITS)
    odds = 0.95 / 0.05 / (17.5 if beside_db == 0.0 else 1.0)
    assert chance == pytest.approx(odds / (1 + odds), abs=0.005)
    assert after == marks


def test_talk_that_never_comes_near_to_an_engine_is_not_counted_however_long():
    marks, seen, t_s, levels = recording(200.0, (180.0, 190.0), 0.0)
    seen.engine[:] = -7.0
    assert beside.doubted(marks, 0.6, seen, t_s, levels, LIMITS) == (0.6, marks)
    for frame in (0, 1):
        seen.engine[frame::40] = 0.0  # one frame in twenty: a third of the 190 s counts
    chance, _ = beside.doubted(marks, 0.9, seen, t_s, levels, LIMITS)
    odds = 9.0 / ((190 * 0.05 / beside.OFTEN - 15) / 10)
    assert chance == pytest.approx(odds / (1 + odds), abs=0.01)


def test_what_is_hardly_an_engine_then_is_none():
    marks, seen, t_s, levels = recording(200.0, (60.0, 70.0), 0.0)
    confidence, after = beside.doubted(marks, 0.7, seen, t_s, levels, LIMITS)
    assert after == [(QUIET, 0, 4000)]
    assert confidence == pytest.approx(1 - (0.7 / 0.3 / 17.5) / (1 + 0.7 / 0.3 / 17.5), abs=0.005)


@pytest.mark.parametrize(("seconds", "run"), [(30.0, (5.0, 14.0)), (60.0, (10.0, 50.0)), (20.0, (0.0, 20.0))])
def test_engines_lose_nothing_to_short_noise_or_less_of_it_than_they_run(seconds, run):
    marks, seen, t_s, levels = recording(seconds, run, 0.0)
    assert beside.doubted(marks, 0.6, seen, t_s, levels, LIMITS) == (0.6, marks)


def test_a_run_that_steps_from_note_to_note_is_none():
    melody = track_of([0, 2, 4, 1, 4, 2, 0, 3, 1, 0] * 3, sway=0.001)
    marks, seen, t_s, levels = recording(60.0, (2.0, 58.0), 40.0, melody)
    confidence, after = beside.doubted(marks, 0.9, seen, t_s, levels, LIMITS)
    assert after == [(QUIET, 0, 1200)] and confidence > 0.5


def test_steps_beside_a_run_count_against_it_but_not_more_than_a_radio_may():
    melody = track_of([0, 2, 4, 1, 4, 2, 0, 3, 1, 0] * 3, sway=0.001)
    marks, seen, t_s, levels = recording(60.0, (2.0, 58.0), 40.0, melody)
    late = [(QUIET, 0, 1000), (RUN, 1000, 1200)]  # the melody ends before it
    chance, after = beside.doubted(late, 0.97, seen, t_s, levels, LIMITS)
    odds = (
        0.97 / 0.03 / np.exp(LIMITS.value("notes_beside")) / ((48 - 15) / 10)
    )  # 48 s of it as loud, 15 of which never count
    assert chance == pytest.approx(odds / (1 + odds), abs=0.005) and after == late


def test_nothing_is_said_where_nothing_runs():
    marks, seen, t_s, levels = recording(60.0, (2.0, 58.0), 0.0)
    none = [(QUIET, 0, 600), (PULL, 600, 610), (QUIET, 610, 1200)]
    assert beside.doubted(none, 0.8, seen, t_s, levels, LIMITS) == (0.8, none)


@pytest.mark.parametrize("runs", [False, True])
def test_music_is_told_from_all_of_a_recording_in_which_nothing_runs(runs):
    melody = track_of([0, 2, 4, 1, 4, 2, 0, 3, 1, 0] * 3, sway=0.001)
    marks, seen, _, _ = recording(60.0, (2.0, 58.0), 40.0, melody)
    none = [(QUIET, 0, 300), (PULL, 300, 310), (QUIET, 310, 1200)]
    assert beside.is_music(marks if runs else none, seen, LIMITS) is not runs
    assert not beside.is_music(none, recording(60.0, (2.0, 58.0), 40.0)[1], LIMITS)


def test_drums_amid_a_melody_are_no_pulls_of_a_starter():
    """Notes of a plucked string (harmonics that die away) in a minor pentatonic scale, a drum on every second one."""
    rate_hz, rng = 16_000, np.random.default_rng(4)
    t_s = np.arange(int(0.6 * rate_hz)) / rate_hz
    sound = []
    for number, semitone in enumerate(rng.choice([0, 3, 5, 7, 10, 12, 15], 40)):
        hz = 82.4 * 2 ** (semitone / 12)
        note = sum(np.sin(2 * np.pi * k * hz * t_s) / k for k in range(1, 9)) * np.exp(-t_s)
        drum = rng.standard_normal(len(t_s)) * np.exp(-t_s / 0.08) * (number % 2)
        sound.append(0.1 * note + 0.3 * drum)
    clip = Clip((np.concatenate(sound) + 1e-3 * rng.standard_normal(40 * len(t_s))).astype(np.float32), rate_hz)
    engine = Engine()
    track = speed.track(clip, engine, limits.load("speed"))
    found = timeline.build(timeline.listen(clip, LIMITS), track, engine, LIMITS)
    assert not found.engine_heard and found.pulls == 0
    assert found.reason is not None and found.reason.startswith("music was heard, but no regular firing")
