"""Engines that stopped and were started again, before or after the work. The project's own rules, no source."""

from dataclasses import replace

import make_runs
import pytest
import sim_tracks as sim

from enginelog import limits
from enginelog.compare import compare
from enginelog.compare.running_on import ended
from enginelog.findings import judge
from enginelog.model import ClipInfo, Run, Span
from enginelog.report.comparison import comparison_record, comparison_text

CLEANING = limits.load("findings")


def run(name: str, seed: int = 1) -> Run:
    case = sim.make(seed, sim.Scenario(seconds=40.0))
    found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, CLEANING)
    clip = ClipInfo(name, name * 8, 60.0, 48000, 1, "made up")
    return Run("0", "", clip, case.engine, case.quality, case.timeline, case.track, case.firings, found)


@pytest.fixture(scope="module")
def steady() -> Run:
    return run("steady")


def with_runs(one: Run, name: str, *seconds: float, vain: int = 0, gap_s: float = 4.0) -> Run:
    """The same, having run for so long each time, from a pull each, and at last pulled so many times in vain."""
    spans, at_s = [], 1.0
    for length in seconds:
        spans += [Span("pull", at_s, at_s + 0.5), Span("run", at_s + 0.5, at_s + 0.5 + length)]
        at_s += 0.5 + length + gap_s
    spans += [Span("pull", at_s + 2 * k, at_s + 2 * k + 0.5) for k in range(vain)]
    line = replace(one.timeline, spans=tuple(spans), pulls=1, pulls_low=1, pulls_high=1, pulls_after=vain)
    return replace(one, timeline=line, clip=replace(one.clip, name=name, sha256=name * 8))


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def of_code(found, code):
    return next((one for one in found.measures if one.code == code), None)


@pytest.mark.parametrize(
    ("seconds", "lead"),
    [
        ((4.2, 3.9), "It started twice, and ran only 4.2 s and 3.9 s. "),  # told in green that it runs now, for 8.0 s
        ((2.0, 2.0, 2.5), "It started 3 times, and ran only 2.0 s, 2.0 s and 2.5 s. "),
        ((4.0, 3.0, 2.0, 4.5), "It started 4 times, and ran only 4.5 s at most, 4.5 s in the end. "),
        ((20.0, 6.0), "It started twice, and ran 20 s and 6.0 s. "),  # it may die again as it did after 20 s
    ],
)
def test_an_engine_that_never_ran_on_is_not_said_to_run_now(steady, seconds, lead):
    found = compare(make_runs.pulls_only(), with_runs(steady, "after", *seconds))
    assert found.verdict == "cannot_tell" and plain(found.summary).startswith(lead)
    assert "runs now" not in found.summary and "Whether somebody stopped it cannot be told." in found.summary
    assert f"ran {'twice' if len(seconds) == 2 else f'{len(seconds)} times'} (" in found.after.heard


def test_one_that_stopped_and_then_ran_on_runs_now_and_is_said_to_have_stopped(steady):
    found = compare(make_runs.pulls_only(), with_runs(steady, "after", 8.0, 20.0))
    assert found.verdict == "better" and found.summary.startswith("It runs now. ")
    assert "It stopped in between and was started again." in found.summary
    false_start = compare(make_runs.pulls_only(), with_runs(steady, "after", 1.5, 20.0))
    assert false_start.verdict == "better" and "in between" not in false_start.summary


def test_a_gap_in_the_sound_is_no_stop(steady):
    """As in the recording's own report: between the runs is nothing but a stretch that an editor made silent."""
    spans = (Span("run", 1.0, 11.0), Span("quiet", 11.0, 13.0), Span("run", 13.0, 23.0))
    torn = replace(steady, timeline=replace(steady.timeline, spans=spans))
    assert ended(torn, CLEANING) == [10.0]
    silent = replace(torn, quality=replace(torn.quality, silent_s=((11.0, 13.0),)))
    assert ended(silent, CLEANING) == []
    assert compare(make_runs.pulls_only(), silent).summary.startswith("It runs now. ")


def test_that_it_died_before_and_ran_on_after_is_told_and_never_called_better(steady):
    """It was told as "No difference that matters"."""
    died, well = with_runs(steady, "before", 4.0, 3.5), with_runs(run("later", 8), "after", 23.0)
    found = compare(died, well)
    one = of_code(found, "stops")
    assert one.verdict == "changed" and (one.before, one.after) == (1.0, 0.0)
    assert plain(one.short) == "once before (ran 4.0 s and 3.5 s), not after (ran 23 s in one go)"
    assert one.text.endswith("; whether somebody stopped it cannot be told.")
    assert found.verdict != "same" and "Changed: stopping and starting again." in found.summary
    assert "[~] Changed: Stopping and starting again. Once before" in plain(comparison_text(found, 200))
    assert comparison_record(found)["measures"][0]["code"] == "stops"
    back = of_code(compare(well, died), "stops")
    assert back.verdict == "changed" and plain(back.short).startswith("not before (ran 23 s in one go), once after")


def test_a_run_as_short_as_the_one_that_ended_shows_no_change(steady):
    found = compare(with_runs(steady, "before", 9.0, 3.5), with_runs(run("later", 8), "after", 8.0))
    one = of_code(found, "stops")
    assert one.verdict == "cannot_tell" and "recorded for too short" in one.text and found.verdict != "same"
    both = of_code(
        compare(with_runs(steady, "before", 9.0, 9.0), with_runs(run("later", 8), "after", 9.0, 20.0)), "stops"
    )
    assert both.verdict == "cannot_tell" and "too short" not in both.text


def test_one_that_did_not_start_again_has_stopped_too(steady):
    found = compare(with_runs(steady, "before", 8.0, vain=3), with_runs(run("later", 8), "after", 20.0))
    one = of_code(found, "stops")
    assert plain(one.short) == "once before (ran 8.0 s, and did not start again), not after (ran 20 s in one go)"
    assert found.verdict != "same"


def test_neither_stopped(steady):
    assert of_code(compare(steady, with_runs(run("later", 8), "after", 1.5, 20.0)), "stops") is None


def test_what_cannot_be_compared_says_all_the_same_that_it_stopped(steady):
    found = compare(with_runs(steady, "before", 3.2, 1.0), with_runs(run("later", 8), "after", 20.0))
    assert not found.comparable and [one.code for one in found.measures][:1] == ["stops"]


def test_one_that_may_have_been_pulled_in_vain_after_it_ran_is_not_said_to_run_now(steady):
    """It was told in green as "It runs now"."""
    ran = with_runs(steady, "after", 20.0)
    open_ = replace(ran, timeline=replace(ran.timeline, pulls_after_open=3))
    found = compare(make_runs.pulls_only(), open_)
    assert found.verdict == "cannot_tell"
    assert plain(found.summary).startswith("It started, ran 20 s and stopped; what follows may be 3 pulls in vain")
    assert "After: it stopped, and what follows may be 3 pulls in vain, or knocks." in compare(steady, open_).notes
    assert compare(make_runs.pulls_only(), ran).verdict == "better"
    back = compare(open_, make_runs.pulls_only())
    assert back.verdict == "cannot_tell" and "it may not have started again" in back.summary


@pytest.mark.parametrize(("stood_s", "verdict"), [(1.0, "better"), (8.0, "cannot_tell")])
def test_a_short_run_after_which_it_stood_on_is_no_evidence_that_it_runs(steady, stood_s, verdict):
    """Pulls in vain after it may be too faint: whoever shows that it runs does not let it stand."""
    ran = with_runs(steady, "after", 7.0)
    end_s = ran.timeline.spans[-1].end_s
    line = replace(ran.timeline, spans=(*ran.timeline.spans, Span("quiet", end_s, end_s + stood_s)))
    found = compare(make_runs.pulls_only(), replace(ran, timeline=line))
    assert found.verdict == verdict
    assert verdict == "better" or plain(found.summary).startswith("It started, and ran only 7.0 s")
