"""A two-stroke whose strong and empty turns alternate in a part of its run was perhaps read at double its speed there.

At double its speed a two-stroke is due to fire twice as often as it does: each second turn is empty, without a slip
(arithmetic).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import in_turns, judge
from enginelog.limits import load

LIMITS = load("findings")


def judged(from_s: float, to_s: float, engine=sim.SINGLE2, settled: int = 1):
    """A healthy engine whose every second firing is heard weak from `from_s` to `to_s`."""
    case = sim.make(91, sim.Scenario(engine=engine, seconds=20.0, rpm=6700.0, run_up=False, lead_s=0.0))
    t_s = case.firings.t_s
    heard = np.random.default_rng(6).normal(1.0, 0.15, len(t_s))
    heard[(t_s > from_s) & (t_s < to_s) & (np.arange(len(t_s)) % 2 == 0)] *= 0.3
    firings = replace(case.firings, strength=heard, miss_probability=np.full(len(t_s), 0.001))
    track = replace(case.track, settled=np.full(len(case.track.t_s), settled, np.int8))
    parts = in_turns.parts_in_turns(case.engine, firings, track, LIMITS)
    measures = judge(case.engine, case.quality, case.timeline, case.speed, track, firings, LIMITS)
    return parts, measures, {one.code: one for one in measures.findings}


def test_neither_the_speed_nor_what_was_lost_is_told_surely():
    parts, measures, told = judged(8.0, 16.0)
    (first, last), *others = parts.spans_s
    assert not others and first == pytest.approx(8.0, abs=1.0) and last == pytest.approx(16.0, abs=1.0)
    assert measures.speed.confidence < 0.5 and measures.firing.misfire_percent is None
    assert measures.firing.misfire_low is None and told["steadiness"].verdict == "unknown"
    for code in ("speed", "misfire"):
        assert told[code].verdict == "unknown" and "perhaps turned half as fast" in told[code].text


@pytest.mark.parametrize(
    ("from_s", "to_s", "told"),
    [
        (0.0, 0.0, {}),
        (8.0, 9.5, {}),
        (0.0, 20.0, {}),
        (8.0, 16.0, {"settled": 2}),
        (8.0, 16.0, {"engine": sim.SINGLE4}),
    ],
)
def test_nowhere_or_all_along_or_known_to_fire_so_is_for_others_to_say(from_s, to_s, told):
    parts, measures, _ = judged(from_s, to_s, **told)
    assert parts is None and measures.speed.confidence > 0.5


def test_a_speed_held_elsewhere_stays_sure():
    parts = in_turns.Parts(((0.0, 5.0),))
    assert parts.meets(4.0, 9.0) and not parts.meets(5.5, 9.0)
