"""A firing that sounds weak is not told to be lost: a quieter cylinder, and strong and weak firings that take turns."""

from __future__ import annotations

from dataclasses import replace
from math import log10

import numpy as np
import pytest
import sim_tracks as sim

from enginelog import limits
from enginelog.findings import judge, patterns, shares

LIMITS = limits.load("findings")


def judged(case: sim.Case, **changed):
    firings = changed.get("firings", case.firings)
    return judge(case.engine, case.quality, case.timeline, case.speed, case.track, firings, LIMITS)


def finding(measures, code: str):
    return next(one for one in measures.findings if one.code == code)


def twin(level: float, lost: float, seed: int = 5):
    """A twin one of whose cylinders sounds `level` as strong as the other and is told to lose its firings with this
    probability."""
    case = sim.make(seed, sim.Scenario(engine=sim.TWIN_360, snr_db=25.0))
    own = case.firings.slot == 1
    levels = np.where(own, level, 1.0) * 2 / (1 + level)
    miss = np.where(own, lost, 0.001)
    return case, replace(case.firings, slot_level=levels, miss_probability=miss)


def test_the_level_of_a_silent_cylinder_is_below_what_distance_makes():
    """Inverse distance law (textbook): outlets 0.3 m and 1.3 m from the microphone; 5 dB if one is turned away."""
    farther_db = 20 * log10(1.3 / 0.3) + 5.0
    assert 20 * log10(LIMITS.value("dead_cylinder_level")) == pytest.approx(-farther_db, abs=0.5)
    assert 20 * log10(LIMITS.value("faint_cylinder_level")) == pytest.approx(-20 * log10(1.3 / 0.3), abs=0.8)


@pytest.mark.parametrize(("level", "lost"), [(0.2, 0.97), (0.44, 0.97), (0.2, 0.001)])
def test_of_a_cylinder_that_sounds_weak_all_along_no_firing_is_called_lost(level, lost):
    """7 dB (0.44) and 14 dB (0.2) quieter than the other: it may as well be farther from the microphone."""
    case, firings = twin(level, lost)
    measures = judged(case, firings=firings)
    misfire, balance = finding(measures, "misfire"), finding(measures, "cylinder_balance")
    assert measures.firing.misfires is None and measures.firing.pattern is None
    assert misfire.verdict == "unknown" and f"{100 * level:.0f} % as strong" in misfire.text
    assert balance.verdict == "watch" and "farther from the microphone" in balance.text
    assert any("cooler" in one for one in balance.next) and any("ground one plug" in one for one in balance.next)
    assert measures.firing.misfire_low < 1 and measures.firing.misfire_high > 50
    assert "of firings lost" not in finding(measures, "settling").text


def test_a_silent_cylinder_and_one_that_fires_now_and_then_are_told():
    """Nothing is left of it; or one firing in five burns, and shows what it sounds like when it does. Of a twin that
    fires evenly the silent one is perhaps none (see test_single_told_as_twin)."""
    case, firings = twin(0.08, 0.97)
    uneven = replace(case, engine=sim.TWIN_180)
    assert finding(judged(uneven, firings=firings), "misfire").verdict == "fault"
    assert finding(judged(case, firings=firings), "misfire").verdict == "watch"
    case, firings = twin(0.5, 0.97)
    burns = (firings.slot == 1) & (np.cumsum(firings.slot == 1) % 5 == 0)
    firings = replace(firings, miss_probability=np.where(burns, 0.001, firings.miss_probability))
    measures = judged(case, firings=firings)
    assert measures.firing.pattern == "cylinder" and measures.firing.misfire_percent == pytest.approx(40, abs=1)


@pytest.mark.parametrize(
    ("angle", "level", "least"), [(360.0, 0.2, 0), (270.0, 0.05, 0), (360.0, 0.05, 0), (360.0, 0.6, 40)]
)
def test_what_a_faint_cylinder_loses_is_not_plain_though_it_is_watched(angle, level, least):
    """No count, forty of one cylinder called plainly lost: not where it is faint, nor where it is silent, since its
    place may lie in the sound of the one before."""
    case, firings = twin(level, 0.001)
    own = (firings.slot == 1) & (np.cumsum(firings.slot == 1) <= 40)
    firings = replace(firings, miss_probability=np.where(own, 0.98, np.nan))
    case = replace(case, engine=replace(case.engine, firing_angles_deg=(0.0, angle)))
    measures = judged(case, firings=firings)
    lost = round((measures.firing.misfire_low or 0.0) * len(firings.t_s) / 100)
    assert lost == least
    assert finding(measures, "cylinder_balance").verdict == ("unknown" if least else "watch")


@pytest.mark.parametrize(("level", "weak", "watched"), [(0.5, 40, True), (0.9, 40, False), (0.5, 3, False)])
def test_a_cylinder_that_is_often_lost_or_weak_is_watched(level, weak, watched):
    """0.9 stands for lost or weak (`model.Firings`): five at least, one in a hundred, of one that sounds weak."""
    case, firings = twin(level, 0.001)
    own = (firings.slot == 1) & (np.cumsum(firings.slot == 1) <= weak)
    measures = judged(case, firings=replace(firings, miss_probability=np.where(own, 0.9, np.nan)))
    assert not measures.firing.misfire_low and finding(measures, "misfire").verdict == "unknown"
    assert finding(measures, "cylinder_balance").verdict == ("watch" if watched else "unknown")


def single(ratio: float, lost: float):
    """A two-stroke whose every second firing is `ratio` as strong as the others, told lost with this probability."""
    case = sim.make(9, sim.Scenario(engine=sim.SINGLE2, rpm=6000.0, snr_db=25.0))
    weak = np.arange(len(case.firings.t_s)) % 2 == 1
    strength = case.firings.strength * np.where(weak, ratio, 1.0)
    return case, replace(case.firings, strength=strength, miss_probability=np.where(weak, lost, 0.001))


@pytest.mark.parametrize("lost", [0.97, 0.001])
@pytest.mark.parametrize("ratio", [0.25, 0.4])
def test_turns_of_weak_and_strong_are_not_told_to_be_lost_ones(ratio, lost):
    case, firings = single(ratio, lost)
    measures = judged(case, firings=firings)
    found = finding(measures, "misfire")
    assert measures.firing.pattern is None and measures.firing.misfires is None
    assert found.verdict == "unknown" and "every second firing sounds" in found.text and "load" in found.next[0]
    assert measures.firing.misfire_low < 1 and measures.firing.misfire_high > 49


@pytest.mark.parametrize(
    ("ratio", "lost", "percent", "pattern"), [(0.05, 0.97, 50, "every_second"), (0.7, 0.001, 0, "none")]
)
def test_turns_of_which_nothing_is_left_are_lost_and_strong_ones_burn(ratio, lost, percent, pattern):
    case, firings = single(ratio, lost)
    measures = judged(case, firings=firings)
    assert measures.firing.pattern == pattern and measures.firing.misfire_percent == pytest.approx(percent, abs=1)


def test_weak_turns_are_not_plainly_lost_where_nothing_else_is_told():
    case, firings = single(0.3, 0.97)
    weak = np.arange(len(firings.t_s)) % 2 == 1
    firings = replace(firings, miss_probability=np.where(weak, 0.98, np.nan))
    measures = judged(case, firings=firings)
    assert not measures.firing.misfire_low and finding(measures, "misfire").verdict == "unknown"


def test_turns_most_of_which_burn_are_no_pattern_of_lost_ones():
    case, firings = single(0.1, 0.001)
    weak = np.arange(len(firings.t_s)) % 2 == 1
    lost = weak & (np.arange(len(weak)) % 40 == 1)
    turns = patterns.Alternation(0.1, weak, lost=True)
    assert patterns.name_pattern(case.engine, firings, np.where(lost, 1.0, 0.0), turns, LIMITS) != "every_second"


def turning(ratio: float, spread: float):
    """A twin whose cylinders each fire strong and weak in turn, weak ones `ratio` as strong, uneven by `spread`; none
    could be judged but every fifth weak one, which seems lost."""
    case = sim.make(12, sim.Scenario(engine=sim.TWIN_180, snr_db=20.0))
    n = len(case.firings.t_s)
    weak = np.arange(n) % 4 >= 2
    uneven = 1 + spread * np.random.default_rng(3).standard_normal(n)
    seeming = weak & (np.cumsum(weak) % 5 == 0)
    strength = np.maximum(np.where(weak, ratio, 1.0) * uneven, 0.0)
    return case, replace(case.firings, strength=strength, miss_probability=np.where(seeming, 0.98, np.nan)), seeming


@pytest.mark.parametrize(("ratio", "told"), [(0.5, False), (0.1, True), (1.0, True)])
def test_weak_firings_in_turn_are_not_plainly_lost_where_noise_hides_the_turns(ratio, told):
    """Alike firings, and turns of which nothing is left, are no reason to take what is lost for weak."""
    case, firings, seeming = turning(ratio, 0.35)
    measures = judged(case, firings=firings)
    share = 100 * np.mean(seeming)
    assert (measures.firing.misfire_low or 0.0) == pytest.approx(share if told else 0.0, abs=0.2)
    assert finding(measures, "misfire").verdict == ("watch" if told else "unknown")


@pytest.mark.parametrize(("apart", "least", "most"), [(3, 2.4, 2.7), (60, 1.0, 1.2)])
def test_where_doubtful_ones_crowd_none_lost_rules_out_less(apart, least, most):
    """Two of 295 lost allow 2.4 % at 95 % (Clopper and Pearson 1934); the rule of three alone says 1.0 %."""
    probability = np.full(295, 0.001)
    probability[[10, 10 + apart]] = 0.35
    share, low, high = (100 * one for one in shares.share_interval(probability, LIMITS))
    assert share == 0 and low == 0 and least <= high <= most
