"""Frames judged while the sound comes in: the same as at once, and little kept of what is over."""

from functools import cache

import numpy as np
import pytest

from enginelog import limits, speed, synthesis, timeline
from enginelog.model import Engine, Track
from enginelog.timeline import watching
from enginelog.timeline.activity import Activity

LIMITS = limits.load("timeline")
LOOPS = 24  # of ten seconds of running


@cache
def heard() -> tuple[Activity, Track, float]:
    """Levels and track of a generator that runs for minutes and is switched off, and when that is."""
    clip, truth = synthesis.make(synthesis.random_scenario(4711, "generator", "easy", "cut", seconds=26.0))
    track = speed.track(clip, Engine(), limits.load("speed"))
    activity = timeline.listen(clip, LIMITS)
    rows = np.concatenate([np.tile(np.arange(200, 1200), LOOPS), np.arange(1200, activity.rows)])
    frames = np.concatenate([np.tile(np.arange(40, 240), LOOPS), np.arange(240, len(track.t_s))])
    longer = (getattr(activity, name)[rows] for name in ("bands_db", "flatness", "peak_db", "fine_db"))
    seen = (getattr(track, name)[frames] for name in ("rpm", "confidence", "rpm_std", "rhythm"))
    tracked = Track(0.05 * (np.arange(len(frames)) + 0.5), *seen)
    return Activity(0.01 * (np.arange(len(rows)) + 0.5), *longer), tracked, truth.run_end_s + 10.0 * LOOPS - 12.0


def in_parts(activity: Activity, track: Track, part_s: float) -> watching.Watch:
    watch = timeline.Watch(Engine(), LIMITS)
    for first_s in np.arange(0.0, activity.rows / 100, part_s):
        rows = (activity.t_s >= first_s) & (activity.t_s < first_s + part_s)
        frames = (track.t_s >= first_s) & (track.t_s < first_s + part_s)
        watch.add(watching.part_of(activity, rows), watching.part_of(track, frames))
    return watch


@pytest.fixture
def short_pieces(monkeypatch):
    monkeypatch.setattr(watching, "PIECE", 800)
    monkeypatch.setattr(watching, "MARGIN", 200)


@pytest.mark.parametrize("part_s", [7.0, 26.0, 130.0])
def test_parts_are_judged_as_all_at_once(part_s, short_pieces):
    activity, track, cut_s = heard()
    whole, parts = (in_parts(activity, track, each).finish() for each in (1000.0, part_s))
    for name in ("engine", "pull", "log_states", "firing_hz"):
        assert np.array_equal(getattr(parts.seen, name), getattr(whole.seen, name))
    for name in ("start_s", "peak_db", "fine_db", "bands_db", "bands_every", "blocks"):
        assert np.array_equal(getattr(parts.traces, name), getattr(whole.traces, name))


def test_a_recording_of_one_piece_is_kept_whole():
    activity, track, cut_s = heard()
    kept = in_parts(activity, track, 26.0).finish().traces
    assert np.array_equal(kept.fine_db, activity.fine_db) and np.array_equal(kept.bands_db, activity.bands_db)
    assert kept.bands_every == 1


@pytest.mark.parametrize("pieces", [3, 6, 8])  # the cut lies where one ends and the next begins
def test_of_many_pieces_the_fine_levels_are_kept_where_something_changes(pieces, monkeypatch):
    activity, track, cut_s = heard()
    monkeypatch.setattr(watching, "PIECE", 2 * round(cut_s * 10 / pieces))
    monkeypatch.setattr(watching, "MARGIN", 200)
    kept = in_parts(activity, track, 26.0).finish().traces
    near = slice(int(100 * (cut_s - 4)), int(100 * (cut_s + 16)))
    assert np.array_equal(kept.fine_db[near], activity.fine_db[near])
    # Where the loop's joints come near to a pull the levels are kept, too; nearly all of the run is let go.
    assert np.mean(kept.fine_db.any(axis=(1, 2))) < 0.2
    assert len(kept.bands_db) == -(-activity.rows // kept.bands_every)
    assert np.array_equal(kept.peak_db, activity.peak_db)


def test_the_timeline_of_many_pieces_is_that_of_one(monkeypatch):
    activity, track, cut_s = heard()
    once = timeline.build(activity, track, Engine(), LIMITS)
    monkeypatch.setattr(watching, "PIECE", 800)
    pieces = timeline.tell(in_parts(activity, track, 26.0).finish(), track, Engine(), LIMITS)
    assert [span.kind for span in once.spans] == [span.kind for span in pieces.spans]
    assert [span.end_s for span in once.spans] == pytest.approx([span.end_s for span in pieces.spans], abs=0.3)
    ran = next(span for span in pieces.spans if span.kind == "run")
    assert ran.end_s - ran.start_s > 200 and ran.end_s == pytest.approx(cut_s, abs=0.5)
    assert pieces.rundown_s == pytest.approx(once.rundown_s, abs=0.3)


def test_nothing_at_all_is_too_short():
    empty = np.zeros(0)
    watch = timeline.Watch(Engine(), LIMITS)
    assert watch.finish() is None
    watch.add(Activity(empty, np.zeros((0, 10)), empty, empty, np.zeros((0, 5, 2))), Track(*[empty] * 4))
    assert watch.finish() is None
