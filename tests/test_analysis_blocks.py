"""What is kept of the blocks of a recording: every moment once, and nothing besides."""

import math

import numpy as np
import pytest

from enginelog import analysis, firing, limits, timeline
from enginelog.firing import joining
from enginelog.model import RHYTHM, Engine, Firings, Track
from enginelog.timeline import Activity

BLOCKS = 7
PITCH = RHYTHM.index("pitch")


def times(first_s: float, hop_s: float) -> np.ndarray:
    return first_s + hop_s * (np.arange(round(30 / hop_s)) + 0.5)


def found(first_s: float) -> tuple[Activity, Track, Firings]:
    """What the stages found in thirty seconds of 3000 rpm, every column of it made from the time."""
    t_s, fine_s, fired_s = times(first_s, 0.05), times(first_s, 0.01), times(first_s, 0.04)
    rhythm = np.ones((600, len(RHYTHM)), np.float32)
    rhythm[:, PITCH] = t_s / 60
    track = Track(t_s, 10 * t_s, np.ones(600), np.ones(600), rhythm)
    activity = Activity(fine_s, np.stack([fine_s] * 10, axis=1), fine_s, fine_s, np.zeros((3000, 5, 2)))
    columns = {name: np.ones(750) for name in Firings.__dataclass_fields__}
    columns |= {"t_s": fired_s, "slot": np.zeros(750, int), "revolutions": 2.0 * np.arange(750)}
    return activity, track, Firings(**columns)


def kept_of(blocks: int) -> analysis._Heard:
    heard = analysis._Heard(timeline.Watch(Engine(), limits.load("timeline")))
    for number in range(blocks):
        analysis._keep(heard, 26.0 * number + 2.0 * (number > 0), *found(26.0 * number))
    analysis._put_away(heard, math.inf)
    return heard


def test_of_each_block_only_its_own_part_is_kept():
    heard = kept_of(3)
    assert [len(track.t_s) for track in heard.tracks] == [560, 520, 560]
    for track in heard.tracks:
        assert all(column.base is None for column in (track.t_s, track.rpm))
    assert all(rhythm.base is None for rhythm in heard.rhythms)  # no view of a whole block


@pytest.mark.parametrize("parts", [2, 3, 32])
def test_every_moment_is_kept_once_however_many_parts_are_kept_apart(parts, monkeypatch):
    monkeypatch.setattr(analysis, "PARTS", parts)
    heard = kept_of(BLOCKS)
    assert len(heard.tracks) == len(heard.firings)
    assert len(heard.tracks) - heard.chunks < parts and heard.chunks == BLOCKS // parts
    seconds = 26.0 * (BLOCKS - 1) + 30.0
    track = analysis._end_to_end(analysis._taken(heard.tracks))
    firings = firing.join(analysis._taken(heard.firings))
    levels = heard.watch.finish().traces
    assert np.allclose(track.t_s, 0.05 * (np.arange(20 * seconds) + 0.5)) and np.allclose(track.rpm, 10 * track.t_s)
    assert np.allclose(analysis._unpacked(heard.rhythms)[:, PITCH], track.t_s / 60)
    assert not heard.tracks and not heard.firings
    assert levels.rows == 100 * seconds and levels.start_s == pytest.approx(0.005)
    assert np.allclose(levels.bands_db[:, 3], 0.01 * (np.arange(100 * seconds) + 0.5))
    assert np.allclose(firings.t_s, 0.04 * (np.arange(25 * seconds) + 0.5))
    assert np.allclose(np.diff(firings.revolutions), 2.0)


def test_firings_of_hours_are_joined_as_those_of_minutes(monkeypatch):
    blocks = [found(26.0 * number)[2] for number in range(BLOCKS)]
    whole = firing.join(blocks)
    monkeypatch.setattr(joining, "RECENT", 900)
    parts = firing.join(blocks)
    for name in Firings.__dataclass_fields__:
        assert np.array_equal(getattr(parts, name), getattr(whole, name))


def test_firings_an_hour_apart_go_on_counting():
    """So many intervals lie between that their number is more than two bytes hold (32 767)."""
    joined = firing.join([found(0.0)[2], found(3600.0)[2]])
    assert np.allclose(np.diff(joined.revolutions)[joined.t_s[1:] < 3600], 2.0)
    gap = int(np.argmax(np.diff(joined.t_s)))
    passed_s = joined.t_s[gap + 1] - joined.t_s[gap]
    assert passed_s > 3000 and joined.revolutions[gap + 1] - joined.revolutions[gap] == pytest.approx(50 * passed_s)
    assert joined.slot.min() >= 0


def test_no_firings_stay_none():
    heard = analysis._Heard(timeline.Watch(Engine(), limits.load("timeline")))
    for first_s in (0.0, 26.0):
        activity, track, _ = found(first_s)
        analysis._keep(heard, first_s + 2.0 * (first_s > 0), activity, track, joining.empty())
    analysis._put_away(heard, math.inf)
    assert len(firing.join(heard.firings).t_s) == 0 and len(heard.tracks) == 2
