"""Rough for a while in between, less rough but not smooth, and a moment in which the engine cut out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import changing, cutting_out, judge, settling
from enginelog.findings.roughness import Roughness
from enginelog.limits import load
from enginelog.model import Span
from enginelog.report import words

LIMITS = load("findings")


def judged(case: sim.Case):
    return judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


def finding(measures, code):
    return next(one for one in measures.findings if one.code == code)


def losing(case: sim.Case, where: np.ndarray) -> sim.Case:
    """The case with just these firings (mask) lost, and no doubt of it."""
    strength = np.where(where, 0.05, np.where(case.firings.strength < 0.3, 1.0, case.firings.strength))
    return replace(case, firings=replace(case.firings, miss_probability=np.where(where, 0.97, 0.01), strength=strength))


def whole(seed=3, seconds=60.0) -> sim.Case:
    return sim.make(seed, sim.Scenario(seconds=seconds, miss_share=0.0, snr_db=26.0))


def shares(seed: int, share: np.ndarray) -> Roughness:
    """Windows of half a second with twelve firings each, lost at this share (n,)."""
    lost = np.random.default_rng(seed).binomial(12, share).astype(float)
    t_s = 0.25 + 0.5 * np.arange(len(share))
    return Roughness(t_s, lost, np.full(len(share), 12.0), np.full(len(share), np.nan), 1)


T_S = 0.5 * np.arange(120)


@pytest.mark.parametrize("seed", range(4))
def test_the_while_lies_where_ruptures_finds_two_changes(seed):
    """Begin and end of a binomial while against the two change points of ruptures (Dynp, l2)."""
    ruptures = pytest.importorskip("ruptures", reason="install ruptures to compare change-point positions")
    rough = shares(seed, np.where((T_S > 18) & (T_S < 38), 0.25, 0.01))
    passing = changing.fit_while(rough, 1.0, LIMITS.value("settling_while_s"))
    theirs = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(rough.lost).predict(n_bkps=2)[:2]
    assert (passing.begin_s, passing.settle_s) == pytest.approx([0.5 * place for place in theirs], abs=2.1)
    assert settling._comes_and_goes(passing, changing.fit_change(rough), 3000.0, LIMITS)


def falling(kind: str) -> np.ndarray:
    """Share of losses of a rough start of 15 s, of one that grows rougher, or of none that changes."""
    return {
        "step": np.where(T_S < 15, 0.25, 0.01),
        "exponential": 0.01 + 0.3 * np.exp(-T_S / 5),
        "worse": np.where(T_S < 40, 0.01, 0.2),
        "throughout": np.full(len(T_S), 0.12),
    }[kind]


@pytest.mark.parametrize("kind", ["step", "exponential", "worse", "throughout"])
def test_what_falls_or_rises_or_stays_is_not_taken_for_a_while(kind):
    for seed in range(12):
        rough = shares(seed, falling(kind))
        passing = changing.fit_while(rough, 1.0, LIMITS.value("settling_while_s"))
        assert not settling._comes_and_goes(passing, changing.fit_change(rough), 3000.0, LIMITS), seed


def test_a_fault_in_the_midst_of_a_run_is_no_rough_start():
    """It was told as one that settled after the fault, of an engine of which nothing was lost in the first 18 s."""
    case = whole()
    rng = np.random.default_rng(7)
    t_s = case.firings.t_s - case.firings.t_s[0]
    measures = judged(losing(case, (t_s > 18) & (t_s < 38) & (rng.random(len(t_s)) < 0.15)))
    told = finding(measures, "settling")
    assert told.verdict == "watch" and told.text.startswith("Rough for a while, from ")
    assert measures.settling.found is False and measures.settling.course == "passing"
    assert (told.start_s, told.end_s) == pytest.approx((18, 38), abs=3)
    assert words.title(told.code, told.of) == "Roughness over time"
    assert "While rough for a while 1" in finding(measures, "misfire").text


def test_less_rough_is_not_smooth():
    case = whole(4)
    rng = np.random.default_rng(8)
    t_s = case.firings.t_s - case.firings.t_s[0]
    measures = judged(losing(case, rng.random(len(t_s)) < np.where(t_s < 15, 0.3, 0.07)))
    text = finding(measures, "settling").text
    assert "less so, but not smooth" in text and "Settled" not in text
    assert not measures.settling.found and measures.settling.course == "lessens"
    assert "once it ran smoothly" not in finding(measures, "misfire").text


def test_rough_throughout_is_rough_at_first_and_at_last():
    """A share that makes a fault, all of it in one part of the run."""
    for part in (slice(0, 40), slice(80, None)):
        share = np.zeros(120)
        share[part] = 0.2
        assert not settling._throughout(shares(1, share), LIMITS)
    assert settling._throughout(shares(1, np.full(120, 0.2)), LIMITS)


@pytest.mark.parametrize(("last_s", "stops", "away"), [(8, True, True), (8, False, False), (30, True, False)])
def test_what_is_lost_as_it_dies_away_is_no_fault_of_its_firing(last_s, stops, away):
    """Fuel shut off to stop it (many manuals ask for it before storage; common practice, no source): it was told as a
    fault, with no word of its lying before the stop. Not of an engine that goes on, nor of half a minute of it."""
    case, rng = whole(), np.random.default_rng(9)
    t_s = case.firings.t_s
    case = losing(case, (t_s > t_s[-1] - last_s) & (rng.random(len(t_s)) < 0.4))
    if stops:
        end_s = case.timeline.spans[-1].end_s
        spans = (*case.timeline.spans, Span("rundown", end_s, end_s + 2.0), Span("quiet", end_s + 2.0, end_s + 5.0))
        case = replace(case, timeline=replace(case.timeline, spans=spans))
    measures = judged(case)
    told, course = finding(measures, "misfire"), finding(measures, "settling")
    assert measures.settling.course == "worsens" and course.verdict == "watch"
    assert (told.verdict == "watch", "dies away" in told.text, "dies away" in course.text) == (away,) * 3
    assert told.verdict in ("watch", "fault")


# ---------------------------------------------------------------- cutting out


def row_lost(count: int, at: int = 700) -> sim.Case:
    case = whole(5, 120.0)
    return losing(case, (np.arange(len(case.firings.t_s)) >= at) & (np.arange(len(case.firings.t_s)) < at + count))


@pytest.mark.parametrize(("count", "verdict"), [(0, "ok"), (2, "ok"), (4, "watch"), (12, "watch")])
def test_a_cut_out_in_a_long_recording_is_told_however_small_its_share(count, verdict):
    """Four in a row, or twelve, of some 3000: by chance alone, at that share, never (the expected number of rows as
    long among n independent losses of share p is about n p^k)."""
    case = row_lost(count)
    told = finding(judged(case), "misfire")
    assert told.verdict == verdict and ("It cut out for" in told.text) == (verdict == "watch")
    if verdict == "watch":
        assert f"at {case.firings.t_s[700]:.1f} s: {count} firings lost in a row" in told.text


def test_rows_that_chance_explains_are_no_cut_out():
    case, rng = whole(6, 120.0), np.random.default_rng(2)
    lost = rng.random(len(case.firings.t_s)) < 0.3
    assert np.diff(np.flatnonzero(np.diff(np.r_[0, lost, 0]))).max() > 4  # there are such rows
    firings = losing(case, lost).firings
    assert cutting_out.longest_cut_out(firings, firings.miss_probability, LIMITS) is None


def test_no_cut_out_across_a_gap_nor_at_an_end_nor_among_what_is_not_heard():
    case = row_lost(8)
    firings, lost = case.firings, case.firings.miss_probability
    assert cutting_out.longest_cut_out(firings, lost, LIMITS).firings == 8
    gap = replace(firings, t_s=firings.t_s + np.where(np.arange(len(lost)) > 704, 3.0, 0.0))
    assert cutting_out.longest_cut_out(gap, lost, LIMITS) is None
    assert cutting_out.longest_cut_out(firings, np.where(lost < 0.5, 0.45, lost), LIMITS) is None
    end = slice(0, 708)
    ended = replace(firings, t_s=firings.t_s[end])
    assert cutting_out.longest_cut_out(ended, lost[end], LIMITS) is None
