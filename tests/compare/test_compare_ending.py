"""A run that ends while it is recorded is taken to end a little late, so that it runs down in its last moment; made-up
recordings with known truth showed up to 0.6 s. That is neither unsteadiness nor misfire."""

from dataclasses import replace

import numpy as np
import pytest
from test_compare_runs import CLEANING, LIMITS, named, of_code, run

from enginelog.compare import compare, firing, steady
from enginelog.compare.sample import take
from enginelog.model import Run


@pytest.fixture(scope="module")
def healthy() -> Run:
    return run("healthy", 1)


def cut(one: Run, name: str, tail_s: float) -> Run:
    """The same: in its last half second it slows down by a quarter and fires no more; the recording then goes on for
    `tail_s`."""
    end_s = one.timeline.spans[-1].end_s
    slower = 1 - 0.5 * np.clip(one.track.t_s - (end_s - 0.5), 0.0, 0.5)
    lost = np.where(one.firings.t_s > end_s - 0.5, 0.98, one.firings.miss_probability)
    track, firings = replace(one.track, rpm=one.track.rpm * slower), replace(one.firings, miss_probability=lost)
    return longer(replace(one, track=track, firings=firings), name, tail_s)


def longer(one: Run, name: str, tail_s: float) -> Run:
    """The same, its recording going on after the run for so long."""
    found = named(one, name)
    return replace(found, clip=replace(found.clip, seconds=one.timeline.spans[-1].end_s + tail_s))


def test_what_runs_down_in_the_last_moment_makes_no_run_worse(healthy):
    """'Worse: steadiness', 0.7 to 2.7 %, of a healthy engine that was switched off just before the recording ended."""
    assert healthy.timeline.spans[-1].kind == "run"
    after = cut(run("later", 8), "cut", 1.5)
    found = compare(healthy, after)
    assert not [one.code for one in found.measures if one.verdict == "worse"]
    taken = take(after, LIMITS, CLEANING)
    plain = take(longer(run("later", 8), "plain", 1.5), LIMITS, CLEANING)
    assert steady.band(taken).value == pytest.approx(steady.band(plain).value)
    assert firing.lost_share(taken).value == pytest.approx(firing.lost_share(plain).value)
    assert of_code(found, "steadiness").after == pytest.approx(steady.band(taken).value, rel=0.01)


def test_all_of_a_run_counts_with_which_the_recording_ends(healthy):
    whole = take(cut(healthy, "whole", 0.0), LIMITS, CLEANING)
    shorter = take(cut(healthy, "shorter", 1.5), LIMITS, CLEANING)
    assert len(whole.firings.t_s) > len(shorter.firings.t_s)
    assert len(shorter.firings.t_s) > 0.9 * len(whole.firings.t_s)
