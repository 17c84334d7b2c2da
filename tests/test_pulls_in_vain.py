"""An engine that ran, stopped, and was perhaps pulled in vain. The project's own rules, no source."""

from dataclasses import replace

import make_runs
import pytest
import sim_tracks as sim
from test_timeline_claims import STARTED, as_found, scene, sound

from enginelog import limits
from enginelog.findings import judge
from enginelog.model import ClipInfo, Compared, Comparison, Finding, Run, Span, Timeline
from enginelog.report.handback_answer import _compared
from enginelog.report.headline import headline
from enginelog.timeline import claims

LIMITS, CLEANING = limits.load("timeline"), limits.load("findings")
VAIN = [(1, 15), (0, 40)]
SPANS = (
    Span("pull", 1.0, 1.4), Span("run", 1.5, 18.0), Span("rundown", 18.0, 20.5),
    Span("pull", 21.0, 21.4), Span("pull", 22.5, 22.9), Span("quiet", 22.9, 24.0),
)  # fmt: skip
DIED = Timeline(True, 0.95, SPANS, 1, 0.5, 2.5, cut_s=18.0, pulls_after_open=2)


def claimed(courses, unclear: tuple[slice, ...]) -> Timeline:
    seen, track = scene(*courses)
    for each in unclear:
        seen.pull[each] = LIMITS.value("pull_clear") - 0.5
    return claims.claimed(as_found(courses, 2), seen, sound(len(track.t_s) * 0.05), track, LIMITS)


def judged(line: Timeline, machine: str = "pump") -> Run:
    case = sim.make(64, sim.Scenario(seconds=24.0))
    engine = replace(case.engine, machine=machine)
    found = judge(engine, case.quality, line, case.speed, case.track, case.firings, CLEANING)
    clip = ClipInfo("after", "a" * 64, 24.0, 48000, 1, "made up")
    return Run("0", "", clip, engine, case.quality, line, case.track, case.firings, found)


def finding(run: Run, code: str) -> Finding:
    return next(one for one in run.measures.findings if one.code == code)


def test_pulls_after_the_run_that_are_heard_but_not_sure_are_not_denied():
    """Three pulls after a run of which one is clear were told as none. One sound alone is a knock."""
    found = claimed([*STARTED, *3 * VAIN], (slice(-55, -40), slice(-110, -95)))
    assert (found.pulls_after, found.pulls_after_open) == (0, 3)
    assert found.maybe_in_vain == "what follows may be 3 pulls in vain, or knocks"
    assert claimed([*STARTED, *3 * VAIN], ()).pulls_after_open == 0, "told"
    assert claimed([*STARTED, *VAIN], ()).pulls_after_open == 0
    assert claimed(STARTED, ()).maybe_in_vain == ""


def test_an_engine_that_may_have_been_pulled_in_vain_is_not_called_good():
    run = judged(DIED)
    start = finding(run, "start")
    assert start.verdict == "unknown" and start.text.endswith(
        "Then it stopped; what follows may be 2 pulls in vain, or knocks."
    )
    assert headline(run).verdict == "unknown" and "pulled in vain cannot be told" in headline(run).title
    stopped = replace(DIED, spans=SPANS[:3], pulls_after_open=0)
    assert finding(judged(stopped), "start").verdict == "ok" and headline(judged(stopped)).verdict == "ok"
    begun = finding(judged(replace(DIED, spans=(Span("run", 0.0, 18.0), *SPANS[2:]), pulls=0)), "start")
    assert begun.verdict == "unknown" and "then it stopped, and what follows may be 2 pulls" in begun.text


def test_a_blade_is_not_judged_by_a_stop_that_nobody_may_have_switched_off():
    stop = finding(judged(DIED, "mower"), "stop")
    assert stop.verdict == "unknown" and "may have stopped by itself" in stop.text


@pytest.mark.parametrize("full", [True, False])
def test_nor_is_the_answer_green(full):
    sides = Compared("before.m4a", "a" * 64, "ran"), Compared("after.m4a", "b" * 64, "ran")
    run = make_runs.healthy_generator()
    after = replace(run, timeline=replace(run.timeline, pulls_after_open=2))
    assert _compared(Comparison(True, "better", "Better: misfires.", *sides), run, after, full).tone == "watch"
