"""Where an engine may turn faster than its speed was read, no share of lost firings is told, anywhere.

What it would lose at that speed is arithmetic: fired on every second turn only, it has twice as many firings due, and
all between those that were heard are lost (the share of lost ones is lost over due).
"""

from __future__ import annotations

from dataclasses import replace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import faster, judge
from enginelog.limits import load
from enginelog.model import Analysis, Measures, Moment, Run, StoredRun
from enginelog.report import run_line, summary_text, to_html
from enginelog.report.record import record
from enginelog.store.figures import figures_of

LIMITS = load("findings")
TWIN = replace(sim.TWIN_360, assumed=("firing_angles_deg",))


def judged(times: float | None, engine=sim.SINGLE4, **scenario) -> Measures:
    case = sim.make(331, sim.Scenario(engine=engine, seconds=20.0, rpm=3000.0, **scenario))
    speed = replace(case.speed, or_rpm=None if times is None else times * case.speed.rpm)
    return judge(case.engine, case.quality, case.timeline, speed, case.track, case.firings, LIMITS)


def misfire(measures: Measures):
    return next(one for one in measures.findings if one.code == "misfire")


def plain(run: Run) -> tuple[str, str, str]:
    """Summary, page and line of the job record, each in one line."""
    at = Moment("2026-04-11T09:00:00Z", "+02:00")
    line = run_line.figures(StoredRun(1, 1, "before", at, analysis=Analysis(1, at, "0", figures_of(run))))
    summary, page = (" ".join(text.replace("\u00a0", " ").split()) for text in (summary_text(run), to_html(run)))
    return summary, page, line


@pytest.mark.parametrize(
    ("lost", "times", "share"), [(0.0, 2, 50.0), (0.0, 3, 66.667), (10.0, 2, 55.0), (100.0, 2, 100.0)]
)
def test_the_share_at_the_faster_speed(lost, times, share):
    """0 of 10 lost are 10 of 20 at twice, 20 of 30 at three times; 1 of 10 are 11 of 20."""
    assert faster.share_percent(lost, times) == pytest.approx(share, abs=0.001)


def test_none_lost_at_the_speed_read_is_no_share_where_every_second_may_be():
    sure, doubted = judged(None), judged(2)
    assert sure.firing.misfire_percent == 0 and misfire(sure).verdict == "ok"
    one, firing = misfire(doubted), doubted.firing
    events = firing.events
    assert one.verdict == "unknown" and one.value is None and one.next
    assert f"none of {events} firings was lost, but at " in one.text and "50 % would be" in one.text
    assert "with every second firing lost" in one.text
    assert firing.misfires is None and firing.misfire_percent is None and firing.pattern is None
    assert firing.misfire_low == 0
    assert firing.misfire_high == pytest.approx(50 + sure.firing.misfire_high / 2)
    assert firing.windows == () and all(each.misfire_percent is None for each in firing.cylinders)
    run = replace(make_runs.healthy_generator(), measures=doubted)
    told = record(run)["firing"]
    assert told["misfires"] is None and told["misfire_percent"] is None and told["misfire_high"] > 50
    summary, page, line = plain(run)
    at_rpm = f"{doubted.speed.rpm:.0f} rpm"
    assert f"Misfires cannot tell: at {at_rpm} none of {events} firings was lost" in summary
    for text in (summary, page):
        assert "none heard in" not in text and "cannot be ruled out" not in text
    assert "No lost firing was heard" not in page and "misfires cannot be told" in line


def test_what_is_lost_at_the_speed_read_is_so_many_at_least():
    """At either speed too many are lost: the verdict stands, the share does not."""
    sure, doubted = judged(None, miss_share=0.1), judged(2, miss_share=0.1)
    one, firing = misfire(doubted), doubted.firing
    assert one.verdict == misfire(sure).verdict == "fault"
    assert one.text.startswith("At least ") and "Sound alone does not name the cause" in one.text
    assert one.value == firing.misfire_low == pytest.approx(sure.firing.misfire_low)
    assert firing.misfires is None and firing.misfire_high is None
    summary, page, line = plain(replace(make_runs.healthy_generator(), measures=doubted))
    share = f"{sure.firing.misfire_percent:.1f} %"
    assert "Misfires at least" in summary and ">at least" in page and "misfires at least" in line
    assert f"lost: {share}" not in summary and f"lost: {share}" not in page


def test_a_slower_speed_leaves_the_count_as_it_is():
    """Half as fast, firing evenly, it has as many firings, and none of them is lost."""
    sure, doubted = judged(None, engine=TWIN), judged(0.5, engine=TWIN)
    assert doubted.firing == sure.firing and sure.firing.misfires == 0
    assert misfire(doubted).verdict == "unknown" and misfire(doubted).value == 0


def test_cylinders_are_compared_only_where_their_firings_can_be_counted():
    """Of a twin that may turn twice as fast on one cylinder, the two heard are one."""
    doubted = judged(2, engine=TWIN)
    balance = next(one for one in doubted.findings if one.code == "cylinder_balance")
    assert balance.verdict == "unknown" and "% lost" not in balance.text
    assert all(each.relative_strength is None for each in doubted.firing.cylinders)
    assert "up to 50 % would be" in misfire(doubted).text, "a cylinder that is only unlike the other loses none"
    summary = plain(replace(make_runs.weak_twin(), measures=doubted))[0]
    assert "Cylinders cannot tell: cylinders are compared only" in summary


def test_an_interval_without_a_count_reaches_as_far_in_the_words_as_in_the_record():
    """Of 100 firings 3 to 9 are perhaps lost; of 200 at twice the speed 100 more are."""
    case = sim.make(331, sim.Scenario(seconds=20.0, rpm=3000.0))
    chance = np.where(np.arange(len(case.firings.t_s)) % 10 == 0, 0.6, 0.02)
    case = replace(case, firings=replace(case.firings, miss_probability=chance))
    doubted = replace(case.speed, or_rpm=2 * case.speed.rpm)
    sure, open_one = (
        judge(case.engine, case.quality, case.timeline, speed, case.track, case.firings, LIMITS)
        for speed in (case.speed, doubted)
    )
    assert sure.firing.misfire_percent is None and sure.firing.misfire_high is not None
    high = open_one.firing.misfire_high
    assert high == pytest.approx(50 + sure.firing.misfire_high / 2)
    assert f"up to {high:.0f} % would be lost" in misfire(open_one).text and "would be" not in misfire(sure).text
    assert misfire(open_one).verdict == "unknown" and misfire(open_one).next


def test_a_rough_start_tells_no_share_either():
    rough = {"rough_s": 8.0, "rough_share": 0.25, "rough_wobble_percent": 1.0}
    sure, doubted = judged(None, **rough), judged(2, **rough)
    assert sure.settling.found is True and sure.settling.rough_misfire_percent > 5
    assert doubted.settling.found is True and doubted.settling.rough_misfire_percent is None
    assert doubted.settling.settle_s == sure.settling.settle_s
    text = next(one.text for one in doubted.findings if one.code == "settling")
    assert "firings lost" not in text and "Settled after" in text
