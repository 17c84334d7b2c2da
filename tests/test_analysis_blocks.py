"""What is kept of the blocks of a recording: every moment once, and nothing besides."""

import numpy as np

from enginelog import analysis, speed
from enginelog.model import Track


def block(first_s: float) -> Track:
    t_s = first_s + 0.05 * np.arange(600)
    return Track(t_s, t_s * 10, np.ones(600), np.ones(600), np.ones((600, 2), np.float32))


def test_of_each_block_only_its_own_part_is_kept():
    kept: list[Track] = []
    starts_s = [0.0, 28.0, 54.0]
    for clip_start_s, start_s in zip((0.0, 26.0, 52.0), starts_s, strict=True):
        analysis._keep(kept, block(clip_start_s), start_s)
    assert [len(track.t_s) for track in kept] == [560, 520, 560]
    for track in kept:
        assert all(column.base is None for column in (track.t_s, track.rpm, track.rhythm))  # no view of a whole block
    whole = speed.join(kept, starts_s)
    assert np.allclose(whole.t_s, 0.05 * np.arange(1640)) and np.allclose(whole.rpm, whole.t_s * 10)


def test_a_track_without_rhythm_stays_one():
    kept: list[Track] = []
    t_s = np.arange(4.0)
    for start_s in (0.0, 2.0):
        analysis._keep(kept, Track(t_s + start_s, t_s, t_s, t_s), start_s)
    assert (
        kept[0].rhythm is None and kept[0].t_s.tolist() == [0.0, 1.0] and kept[1].t_s.tolist() == [2.0, 3.0, 4.0, 5.0]
    )
