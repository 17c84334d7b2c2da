"""No firing is said to be lost, but some sound no stronger than a lost one would: what is then still told.

The upper end of a share of k of n is the exact one of Clopper & Pearson (1934). That a charge which does not burn
leaves up to a sixth of a firing's sound is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import hidden, judge
from enginelog.findings.shares import clopper_pearson
from enginelog.limits import load

LIMITS = load("findings")


def judged(weak: int, strength: float = 0.05, engine=sim.SINGLE2, snr_db: float = 15.0):
    """A healthy engine, `weak` of whose firings are heard so strong; all are told to have fired."""
    case = sim.make(77, sim.Scenario(engine=engine, seconds=20.0, rpm=4000.0))
    n = len(case.firings.t_s)
    heard = np.random.default_rng(5).normal(1.0, 0.1, n)
    heard[np.linspace(20, n - 20, weak).astype(int)] = strength
    levels = np.full(n, snr_db)
    firings = replace(case.firings, strength=heard, miss_probability=np.full(n, 0.001), snr_db=levels)
    measures = judge(case.engine, case.quality, case.timeline, case.speed, case.track, firings, LIMITS)
    return measures.firing, next(one for one in measures.findings if one.code == "misfire")


@pytest.mark.parametrize("engine", [sim.SINGLE2, sim.TWIN_360])
@pytest.mark.parametrize("strength", [0.05, 0.4])
def test_few_that_may_be_lost_make_the_upper_end(engine, strength):
    """0.4 is weaker than a lost one leaves, but six deviations from the others."""
    sure, few = judged(0, engine=engine)[0], judged(8, strength, engine)[0]
    assert sure.misfire_percent == few.misfire_percent == 0 and few.misfire_low == 0
    assert few.misfire_high == pytest.approx(100 * clopper_pearson(8, few.events)[1], rel=0.01)
    assert few.misfire_high > 2 * sure.misfire_high
    healthy, doubtful = (judged(weak, strength, engine)[1] for weak in (0, 8))
    assert healthy.verdict == doubtful.verdict == "ok"
    assert "of this length cannot rule out" in healthy.text and "as weak as lost ones" in doubtful.text


def test_with_many_in_noise_nothing_is_said_of_how_many():
    told, one = judged(60, snr_db=5.0)
    assert told.misfires is None and told.misfire_percent is None and told.misfire_low is None
    assert one.verdict == "unknown" and "60 of" in one.text and "no stronger than a lost one" in one.text and one.next
    clear, one = judged(60)
    assert one.verdict == "unknown" and "none of" in one.text.lower() and "as weak as lost ones" in one.text
    assert clear.misfire_high == pytest.approx(100 * clopper_pearson(60, clear.events)[1], rel=0.01)


def test_firings_that_differ_without_one_that_stands_apart_are_none():
    assert judged(8, 0.7)[0].misfire_high == pytest.approx(judged(0)[0].misfire_high)


def test_a_four_stroke_single_has_room_for_a_gap():
    assert judged(8, engine=sim.SINGLE4)[0].misfire_high == pytest.approx(judged(0, engine=sim.SINGLE4)[0].misfire_high)


def test_where_some_are_told_to_be_lost_the_count_stands():
    case = sim.make(78, sim.Scenario(engine=sim.SINGLE2, seconds=20.0, rpm=4000.0))
    n = len(case.firings.t_s)
    probability = np.where(np.arange(n) % 20 == 0, 0.99, 0.01)
    firings = replace(case.firings, strength=np.full(n, 0.1), miss_probability=probability)
    assert not hidden.perhaps_lost(sim.SINGLE2, firings, probability, LIMITS).any()
