"""An electric starter that cranks until the engine catches is no pull of a rope. The project's own rule, no source."""

from dataclasses import replace

import numpy as np
import pytest
from test_timeline_claims import RATE, as_found, scene

from enginelog import limits, timeline
from enginelog.model import Clip, Timeline
from enginelog.timeline import claims
from enginelog.timeline.rises import cranked

LIMITS = limits.load("timeline")
COURSES = [(0, 100), (1, 10), (2, 150), (3, 30), (0, 60)]  # quiet for 5 s, half a second that seems a pull, a run


def claimed(cranking_s: float, db: float = 12.0) -> Timeline:
    """Noise, louder by `db` for so long before the pull, and 30 dB louder while it runs."""
    seen, track = scene(*COURSES)
    wave = 0.001 * np.random.default_rng(5).standard_normal(int(len(track.t_s) * 0.05 * RATE))
    wave[int((5.0 - cranking_s) * RATE) : 5 * RATE] *= 10 ** (db / 20)
    wave[int(5.5 * RATE) : 13 * RATE] *= 10**1.5
    levels = timeline.listen(Clip(wave.astype(np.float32), RATE), LIMITS)
    return claims.claimed(replace(as_found(COURSES, 1), seconds_to_run=0.5), seen, levels, track, LIMITS)


@pytest.mark.parametrize(("seconds", "pulled"), [(0.0, True), (2.0, False), (4.0, False)])
def test_what_sounds_on_until_the_engine_runs_is_no_pull(seconds, pulled):
    """It was told as 1 pull, and 0.1 to 0.5 s to running, of engines that were cranked for seconds."""
    found = claimed(seconds)
    assert found.pulls_sure is pulled and (found.seconds_to_run is not None) is pulled
    if not pulled:
        assert "electric starter" in (found.pulls_reason or "") and not found.pulls_bounded


def test_nothing_is_said_of_it_where_another_pull_came_just_before():
    own = as_found([(0, 60), (1, 10), (0, 15), (1, 10), (2, 150)], 2).spans
    levels = timeline.listen(Clip(np.ones(13 * RATE, np.float32), RATE), LIMITS)
    assert not cranked(own, levels, LIMITS)
