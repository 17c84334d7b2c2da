"""Cylinders: the value of the finding is what was judged, beside its own limit, and advice goes on from the same."""

from __future__ import annotations

from dataclasses import replace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim

from enginelog import advice, report
from enginelog.advice.signs import signs_of
from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import Finding
from enginelog.report.facts import facts
from enginelog.report.judged import judged

LIMITS = load("findings")
USED = {f"findings.{name}": LIMITS.value(name) for name in ("misfire_watch_percent", "misfire_fault_percent")}


def measured(seed: int, **changes):
    """Measures of a made-up 270/450 twin, and its finding on the cylinders."""
    case = sim.make(seed, sim.Scenario(seconds=40.0, engine=sim.TWIN_270, **changes))
    found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)
    return found, next(one for one in found.findings if one.code == "cylinder_balance")


def signs(measures) -> set[str]:
    run = replace(make_runs.weak_twin(), measures=measures)
    return signs_of((advice.Heard(report.record(run)),), LIMITS)


@pytest.mark.parametrize(("share", "verdict", "name"), [(0.4, "fault", "fault"), (0.03, "watch", "watch")])
def test_what_one_cylinder_loses_stands_beside_the_limit_on_what_is_lost(share, verdict, name):
    """ "96 % strong, limit 70 %: fault" of a cylinder that lost 40 % of its firings: 96 keeps a limit of at least 70.
    And to `advise` one cylinder sounded weaker than the other, which it did not."""
    measures, balance = measured(8, miss_share=share, miss_slot=1, snr_db=26.0)
    lost = measures.firing.cylinders[1].misfire_percent
    assert lost == pytest.approx(100 * share, rel=0.5) and measures.firing.pattern == "cylinder"
    assert balance.verdict == verdict and balance.value == pytest.approx(lost)
    assert balance.limit == LIMITS.value(f"misfire_{name}_percent") < balance.value
    assert "of its own firings" in balance.text and "farther" not in balance.text
    assert "one_cylinder_misses" in signs(measures) and "weak_cylinder" not in signs(measures)


def test_a_weak_cylinder_stands_beside_the_limit_on_strength():
    measures, balance = measured(8, slot_levels=(1.0, 0.4), snr_db=26.0)
    assert balance.verdict == "watch" and balance.value < balance.limit == 100 * LIMITS.value("weak_cylinder_level")
    assert "farther from the microphone" in balance.text and "weak_cylinder" in signs(measures)


def test_few_lost_by_one_cylinder_that_is_as_strong_as_the_other_reach_no_limit():
    """Five lost in thousands were to be watched, beside a strength that is not."""
    measures, balance = measured(3, miss_share=0.008, miss_slot=1, snr_db=26.0)
    assert measures.firing.pattern == "cylinder" and 0 < measures.firing.cylinders[1].misfire_percent < 1
    assert balance.verdict == "ok" and balance.value > balance.limit


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        (
            Finding("cylinder_balance", "fault", "One loses 40 % of its own.", 40.0, "%", 4.0, "x"),
            "40 % of the firings",
        ),
        (Finding("cylinder_balance", "watch", "One is 59 % strong.", 59.0, "%", 70.0, "x"), "59 % strong, the weakest"),
    ],
    ids=["lost", "strength"],
)
def test_the_table_says_what_the_figure_is_of(finding, said):
    twin = make_runs.weak_twin()
    run = replace(twin, measures=replace(twin.measures, findings=(finding,)), limits_used=USED)
    row = next(fact for fact in facts(run) if fact.label == "Cylinders")
    assert said in judged(run, row, finding).replace("\xa0", " ")


def test_a_record_of_an_earlier_version_gives_no_weak_cylinder_by_what_was_lost():
    """There the level stood beside the verdict on what was lost: 96 % strong, fault."""
    run = make_runs.weak_twin()
    older = Finding("cylinder_balance", "fault", "104 % strong, 96 % strong.", 96.0, "%", 70.0, "x")
    assert "weak_cylinder" not in signs(replace(run.measures, findings=(older,)))


def test_that_those_plainly_lost_are_one_cylinders_is_for_advice_too():
    """The finding said "more than 90 % of them belong to one cylinder" (13 CCR 1968.2(e)(3.1.3)); advice, for want of a
    count, looked at what both cylinders share."""
    case = sim.make(8, sim.Scenario(seconds=40.0, engine=sim.TWIN_270, miss_share=0.25, miss_slot=1, snr_db=26.0))
    sure = case.firings.miss_probability
    firings = replace(case.firings, miss_probability=np.where(sure > 0.95, sure, np.nan))
    measures = judge(case.engine, case.quality, case.timeline, case.speed, case.track, firings, LIMITS)
    misfire = next(one for one in measures.findings if one.code == "misfire")
    assert measures.firing.misfires is None and "belong to one cylinder" in misfire.text
    assert "one_cylinder_misses" in signs(measures)
    told = report.record(replace(make_runs.weak_twin(), measures=measures))
    found = advice.advise(advice.Situation((advice.Heard(told),)))
    assert "old_fuel" in {each.cause.name for each in found.ruled_out}
