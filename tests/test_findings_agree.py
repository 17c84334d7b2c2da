"""Findings agree with what stands beside them on the page: the timeline, the speed's interval, the headline's doubt."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim

from enginelog.findings import judge, settling_verdict
from enginelog.findings.doubt import UNSTEADY
from enginelog.findings.roughness import Roughness
from enginelog.findings.settling import SettlingStudy, fit_change
from enginelog.limits import load, topics
from enginelog.model import Finding, HeldSpeed, Span, Speed, Timeline
from enginelog.report import summary_text, to_html, words
from enginelog.report.facts import hunting, speed, stopping
from enginelog.report.record import record

LIMITS = load("findings")
STOPPED = (Span("run", 0.0, 15.0, 3000.0), Span("rundown", 15.0, 18.0), Span("quiet", 18.0, 20.0))


def judged(case: sim.Case):
    return judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


def finding(case: sim.Case, code: str, **changes):
    return next(one for one in judged(replace(case, **changes)).findings if one.code == code)


def wandering() -> sim.Case:
    """A saw revved by hand: no hunting, no load, a band a good tenth wide."""
    case = sim.make(301, sim.Scenario(seconds=20.0, wobble_percent=0.2))
    t_s = case.track.t_s
    blips = sum(np.exp(-(((t_s - at_s) / 0.4) ** 2)) for at_s in (3.0, 6.1, 11.2, 14.0, 17.7))
    engine = replace(case.engine, machine="saw", strokes=2)
    return replace(case, engine=engine, track=replace(case.track, rpm=case.track.rpm * (1 + 0.15 * blips)))


@pytest.mark.parametrize(("half_width", "verdict"), [(0.004, "watch"), (0.25, "unknown")])
def test_a_wide_band_is_nothing_to_watch_where_no_one_speed_was_held(half_width, verdict):
    case = wandering()
    rpm = case.speed.rpm
    width = replace(case.speed, rpm_low=rpm * (1 - half_width), rpm_high=rpm * (1 + half_width))
    one = finding(case, "steadiness", speed=width)
    assert one.verdict == verdict
    assert ("no one speed" in one.text) == (verdict == "unknown") and one.next


def test_a_narrow_band_is_narrow_all_the_same():
    """What is moved widens a band; it makes none narrower."""
    case = sim.make(302, sim.Scenario(seconds=20.0, wobble_percent=0.1))
    width = replace(case.speed, rpm_low=case.speed.rpm * 0.8, rpm_high=case.speed.rpm * 1.2)
    assert finding(case, "steadiness", speed=width).verdict == "ok"


def test_one_interval_says_in_summary_and_finding_that_there_was_no_one_speed():
    assert LIMITS.value("steady_one_speed") == load("speed").value("one_speed_within")


def test_nothing_is_called_good_of_what_is_only_perhaps_an_engine():
    """The headline says of it that it was not clear enough to judge."""
    assert LIMITS.value("said_engine_confidence") == words.SURE_ENGINE
    case = sim.make(303, sim.Scenario(seconds=20.0))
    sure = replace(case, timeline=replace(case.timeline, confidence=0.9))
    doubted = replace(case, timeline=replace(case.timeline, confidence=0.6))
    for code in ("misfire", "hunting", "settling", "pops"):
        assert finding(sure, code).verdict == "ok"
        assert finding(doubted, code).verdict == "unknown"
    assert finding(doubted, "misfire").text.endswith("Not sure: other sounds can be like this one.")
    not_there = {finding(doubted, code).text for code in ("hunting", "settling", "pops")}
    assert not_there == {"Cannot tell: what was heard is perhaps no engine."}, "'no bangs' beside a doubt says nothing"
    assert all(finding(doubted, code).value is None for code in ("hunting", "settling", "pops"))


WIDE = {"rpm_low": 2780.0, "rpm_high": 3220.0}


@pytest.mark.parametrize(
    ("course", "change", "found", "why"),
    [
        ({}, {}, False, "No hunting"),
        ({}, {"confidence": 0.49}, None, "the speed is perhaps not read rightly"),
        ({}, {"confidence": 0.3, "or_rpm": 6000.0}, False, "No hunting"),
        ({}, {"rpm": None, "rpm_low": None, "rpm_high": None, "confidence": 0.0}, None, "could not be read"),
        ({"wobble_percent": 1.2}, {}, False, "No hunting"),
        ({"wobble_percent": 1.2}, WIDE, None, UNSTEADY),
        ({"wobble_percent": 1.2}, WIDE | {"confidence": 0.13, "or_rpm": 6000.0}, None, UNSTEADY),
        ({"drift_percent": 25.0}, {}, None, UNSTEADY),
    ],
)
def test_hunting_is_denied_only_of_a_speed_that_is_known_and_was_held(course, change, found, why):
    """A wobble is a few per cent of the speed whichever octave it is read in; a speed that is not held hides it.
    Finding, record, row of the summary and page say the same."""
    case = sim.make(303, sim.Scenario(seconds=20.0, **course))
    case = replace(case, speed=replace(case.speed, **change))
    measures = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)
    one = next(each for each in measures.findings if each.code == "hunting")
    assert why in one.text and one.verdict == ("unknown" if found is None else "ok")
    assert measures.hunting.found is found
    run = replace(make_runs.healthy_generator(), measures=measures)
    assert record(run)["hunting"]["found"] is found
    assert ("none heard" in hunting(run).value) == (found is False)
    text, page = " ".join(summary_text(run).split()), to_html(run)
    assert ("Hunting none heard" in text) == (found is False)
    assert ("Hunting cannot tell" in text) == (found is None)
    assert ("No hunting" in page) == (found is False)


@pytest.mark.parametrize(("seconds", "slowest_s"), [(5.0, 2.0), (15.0, 6.0), (40.0, None)])
def test_no_hunting_says_which_swings_a_short_recording_cannot_show(seconds, slowest_s):
    """Two and a half swings are the least to tell one (`hunting_cycles`); the slowest looked for takes ten seconds."""
    assert LIMITS.value("hunting_cycles") == 2.5 and LIMITS.value("hunting_low_hz") == 0.1
    case = sim.make(303, sim.Scenario(seconds=seconds, run_up=False, lead_s=0.0))
    one = finding(case, "hunting")
    assert one.verdict == "ok"
    said = re.search(r"A swing slower than one in ([\d.]+) s needs a longer recording\.$", one.text)
    if slowest_s is None:
        assert said is None
    else:
        assert said is not None and float(said[1]) == pytest.approx(slowest_s, rel=0.1)


def test_nobody_is_told_to_record_the_same_twice():
    """A band on its limit and a swing that would not show ask for one and the same recording at a steady speed."""
    on_the_limit = finding(sim.make(303, sim.Scenario(seconds=20.0, drift_percent=6.0)), "steadiness")
    hidden = finding(sim.make(303, sim.Scenario(seconds=20.0, drift_percent=25.0)), "hunting")
    assert "lies within that interval" in on_the_limit.text and UNSTEADY in hidden.text
    assert on_the_limit.next == hidden.next and len(hidden.next) == 1


def test_a_swing_that_was_found_is_told_whatever_is_doubted_beside_it():
    case = sim.make(309, sim.Scenario(seconds=20.0, hunt_hz=0.8, hunt_swing_percent=8.0))
    unsure = replace(case.speed, confidence=0.4)
    assert finding(case, "hunting", speed=unsure) == finding(case, "hunting")
    assert finding(case, "hunting").verdict in ("watch", "fault")


def test_the_band_is_in_the_record_where_the_finding_gives_it_and_nowhere_else():
    """The run record keeps null for what was not determined: moved by hand, the speed has no steady-state band."""
    for case, known in ((wandering(), False), (sim.make(302, sim.Scenario(seconds=20.0, wobble_percent=0.1)), True)):
        moved = replace(case.speed, rpm_low=case.speed.rpm * 0.8, rpm_high=case.speed.rpm * 1.2)
        measures = judge(case.engine, case.quality, case.timeline, moved, case.track, case.firings, LIMITS)
        one = next(each for each in measures.findings if each.code == "steadiness")
        told = record(replace(make_runs.healthy_generator(), measures=measures))["speed"]
        bands = [told[name] for name in ("band_percent", "band_low_percent", "band_high_percent")]
        assert (one.value is not None) == known and all((band is not None) == known for band in bands)
        assert known or "Cannot tell" in one.text


def test_a_band_of_a_speed_in_doubt_is_said_to_be_not_sure():
    """The finding gives the figure and doubts it; "cannot tell" beside it would deny it."""
    case = sim.make(302, sim.Scenario(seconds=20.0, wobble_percent=0.1))
    unsure = replace(case.speed, confidence=0.4)
    measures = judge(case.engine, case.quality, case.timeline, unsure, case.track, case.firings, LIMITS)
    text = " ".join(summary_text(replace(make_runs.healthy_generator(), measures=measures)).split())
    assert "Steadiness not sure: within a band" in text and "Not judged: Steadiness" in text


@pytest.mark.parametrize("width", [0.004, 0.2])
def test_a_band_kept_by_an_earlier_version_is_not_told_where_its_finding_withheld_it(width):
    run = make_runs.healthy_generator()
    withheld = Finding("steadiness", "unknown", "Cannot tell: no one speed was held.")
    found = tuple(withheld if one.code == "steadiness" else one for one in run.measures.findings)
    speed_kept = replace(run.measures.speed, band_percent=100 * width)
    text = " ".join(
        summary_text(replace(run, measures=replace(run.measures, speed=speed_kept, findings=found))).split()
    )
    assert "Steadiness cannot tell: no one speed was held." in text and "within a band" not in text


@pytest.mark.parametrize(
    ("told", "sure_verdict"),
    [({"rated_rpm": 3000.0}, "ok"), ({"rated_rpm": 2600.0}, "fault"), ({"rated_rpm": 2780.0}, "watch")],
)
def test_a_speed_that_is_only_perhaps_right_is_neither_good_nor_a_fault(told, sure_verdict):
    """The headline says "perhaps at 3000 rpm" then; a number that may be wrong stops no machine and clears none."""
    assert LIMITS.value("said_speed_confidence") == words.SURE_SPEED
    case = sim.make(321, sim.Scenario(seconds=20.0))
    case = replace(case, engine=replace(case.engine, **told, blade_length_mm=500.0))
    sure = replace(case, speed=replace(case.speed, confidence=0.51))
    perhaps = replace(case, speed=replace(case.speed, confidence=0.49))
    assert finding(sure, "speed").verdict == sure_verdict and "Not sure" not in finding(sure, "speed").text
    one = finding(perhaps, "speed")
    assert one.verdict == ("unknown" if sure_verdict == "ok" else "watch")
    assert one.text.endswith("Not sure: the speed is perhaps not read rightly.") and "record again" in one.next[0]
    assert finding(sure, "blade_speed").verdict == "ok" and finding(perhaps, "blade_speed").verdict == "unknown"
    assert finding(perhaps, "misfire") == finding(sure, "misfire")


def test_speeds_held_are_as_sure_as_they_are_told_whatever_the_run_as_a_whole_is():
    """A run whose throttle was moved has no one speed, so that its confidence says nothing of those it held."""
    held = (HeldSpeed(1800.0, 0.0, 8.0, 0.9), HeldSpeed(3000.0, 9.0, 20.0, 0.8))
    whole = Speed(2900.0, 1700.0, 3010.0, None, 0.1, range_low_rpm=1790.0, range_high_rpm=3010.0, held=held)
    assert whole.sure(0.5) and not whole.sure(0.85)
    assert not replace(whole, range_low_rpm=None, range_high_rpm=None, held=()).sure(0.5)


def test_where_no_pull_was_heard_no_more_is_said_of_a_doubtful_start():
    case = sim.make(311, sim.Scenario(seconds=20.0))
    line = Timeline(True, 0.6, (Span("quiet", 0.0, 2.0), Span("run", 2.0, 20.0, 3000.0)))
    assert finding(case, "start", timeline=line).text == "Cannot tell: no pull of the starter stands out."
    pulled = replace(line, spans=(Span("pull", 1.0, 1.6), *line.spans[1:]), pulls=1)
    one = finding(case, "start", timeline=pulled)
    assert one.verdict == "unknown" and "1 pull" in one.text and "Not sure" in one.text


def test_a_run_down_on_the_timeline_is_not_denied():
    """Nobody is sent to record until standstill what is recorded until standstill."""
    why = "when the ignition went off is not clear"
    line = Timeline(True, 0.95, STOPPED, cut_reason=why, rundown_reason=why)
    one = finding(sim.make(304, sim.Scenario(seconds=20.0)), "stop", timeline=line)
    assert one.verdict == "unknown" and "run-down is heard from about 15.0 to 18.0 s" in one.text and why in one.text
    assert one.next and not any("keep recording" in step for step in one.next)
    run = replace(make_runs.healthy_generator(), timeline=line)
    fact = stopping(run)
    assert fact.value == "not timed" and fact.behind == why


def test_a_recording_that_ends_with_the_engine_running_says_so():
    why = "the engine runs to the end of the recording"
    line = Timeline(True, 0.95, STOPPED[:1], cut_reason=why, rundown_reason=why)
    one = finding(sim.make(305, sim.Scenario(seconds=15.0)), "stop", timeline=line)
    assert why in one.text and one.next == ("keep recording until the engine stands still",)
    assert stopping(replace(make_runs.healthy_generator(), timeline=line)).value == "not heard"


def test_an_earlier_run_down_is_not_taken_for_that_of_a_run_that_goes_on():
    spans = (*STOPPED[:2], Span("pull", 18.0, 18.6), Span("run", 18.6, 40.0, 3000.0))
    line = Timeline(True, 0.95, spans, 1, rundown_reason="the engine runs to the end of the recording")
    one = finding(sim.make(306, sim.Scenario(seconds=40.0)), "stop", timeline=line)
    assert "run-down is heard" not in one.text
    assert stopping(replace(make_runs.healthy_generator(), timeline=line)).value == "not heard"


@pytest.mark.parametrize("seconds", [2.8, 5.0])
def test_a_short_run_is_not_said_to_be_longer_than_it_was(seconds):
    case = sim.make(307, sim.Scenario(seconds=seconds))
    case = replace(case, timeline=Timeline(True, 0.9, (Span("run", 0.0, seconds, 3000.0),)))
    text = finding(case, "settling").text
    assert f"heard for {seconds:.1f} s" in text and "longer than" not in text


def test_no_firing_is_not_counted_as_only_nought():
    case = sim.make(308, sim.Scenario(seconds=20.0))
    none = type(case.firings)(
        **{name: getattr(case.firings, name)[:0] for name in type(case.firings).__dataclass_fields__}
    )
    text = finding(case, "misfire", firings=none).text
    assert "no firing could be followed" in text and "0 firing" not in text


def test_cylinders_are_not_said_to_be_inseparable_beside_misses_that_are_one_cylinders():
    """The misses are laid to one cylinder there, and the page draws a row for each."""
    case = sim.make(310, sim.Scenario(seconds=20.0, engine=sim.TWIN_270))
    unsure = replace(case.firings, miss_probability=np.full(len(case.firings.t_s), np.nan))
    text = finding(case, "cylinder_balance", firings=unsure).text
    assert "only where lost firings can be counted" in text and "apart" not in text


def test_the_page_says_what_is_missing_and_marks_what_it_draws():
    run = make_runs.weak_twin()
    page = to_html(replace(run, quality=replace(run.quality, snr_db=None)))
    assert re.search(r"Engine sound</dt>\s*<dd[^>]*>not told: its quietest part", page)
    assert "A cross is a firing that was lost" in page, "crosses stand at the strength that was left"


def test_how_well_founded_a_limit_is_is_said_once():
    """'common practice: common practice, no source' stood under a failed start."""
    for topic in topics():
        for limit in load(topic).values():
            assert f"{limit.status}: {limit.status}" not in limit.cited, limit.name
            assert limit.cited.startswith(limit.status) and limit.source in limit.cited
    page = to_html(make_runs.pulls_only())
    assert "Loud parts" in page and "Engine sound" not in page, "what is loud there is no engine"


def test_what_is_rough_throughout_lost_as_many_firings_as_were_counted():
    """One share on one page: the level fitted to windows differs a little from the count."""
    case = sim.make(331, sim.Scenario(seconds=30.0, miss_share=0.12))
    rough, misfire = finding(case, "settling"), finding(case, "misfire")
    assert rough.text.startswith(f"Rough throughout ({misfire.value:.1f} % of firings lost")


def test_a_speed_that_rests_on_an_assumed_layout_says_so_beside_its_confidence():
    """Four cylinders taken for one turn 980 rpm into 3900, as surely: a car's idle nobody told the cylinders of."""
    run = make_runs.healthy_generator()
    told = replace(run, engine=replace(run.engine, assumed=()))
    taken = replace(run, engine=replace(run.engine, assumed=("strokes", "cylinders")))
    assert "which nobody told" not in speed(told).behind
    assert "if 4 strokes and 1 cylinder, which nobody told" in speed(taken).behind


def test_nothing_is_told_in_rpm_of_a_speed_that_could_not_be_read():
    """Half or twice the speed would swing by half or twice as many rpm."""
    unread = Speed(None, None, None, None, 0.0)
    hunting_one = sim.make(305, sim.Scenario(seconds=20.0, hunt_hz=0.6, hunt_swing_percent=6.0))
    assert judged(hunting_one).hunting.found is True
    measures = judged(replace(hunting_one, speed=unread))
    assert measures.hunting.found is None and measures.hunting.swing_rpm is None
    rough = sim.make(85, sim.Scenario(seconds=22.0, rough_s=6.0, rough_share=0.2, lead_s=2.0))
    assert judged(rough).settling.rough_swing_rpm
    measures = judged(replace(rough, speed=unread))
    assert measures.settling.found is True and measures.settling.rough_swing_rpm is None
    for one in measures.findings:
        assert "swings" not in one.text and (one.code != "hunting" or one.verdict == "unknown")
    only_swings = SettlingStudy("settles", 6.0, None, None, None, None, None, (5.0, 7.0))
    evidence = SimpleNamespace(settling=only_swings, span=Span("run", 0.0, 20.0))
    assert "speed could not be read" in settling_verdict.judge_settling(evidence, LIMITS).text


@pytest.mark.parametrize("later", [False, True])
def test_a_run_settles_by_its_own_firings(later):
    """The same clean run alone, and with another, before it or after, that misfires: what is said of it is the same."""
    case = sim.make(335, sim.Scenario(seconds=20.0, lead_s=10.0))
    n = len(case.firings.t_s)
    clean = replace(case.firings, miss_probability=np.full(n, 0.001), snr_db=np.full(n, 8.0))
    alone = replace(case, firings=clean)
    assert finding(alone, "settling").text.startswith("Runs alike")
    at = np.arange(150)  # six seconds more
    other = replace(
        clean,
        t_s=(34.0 if later else 2.0) + 0.04 * at,
        revolutions=2.0 * at,
        miss_probability=np.where(later & (at % 7 == 0), 0.95, 0.001),
        **{name: getattr(clean, name)[:150] for name in ("slot", "strength", "slot_level", "timing", "snr_db")},
    )
    parts = (clean, other) if later else (other, clean)
    names = clean.__dataclass_fields__
    both = replace(clean, **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
    first = Span("run", float(other.t_s[0]), float(other.t_s[-1]), 3000.0)
    spans = tuple(sorted((*case.timeline.spans, first), key=lambda span: span.start_s))
    told = finding(replace(case, firings=both), "settling", timeline=replace(case.timeline, spans=spans))
    assert told.text.startswith("Runs alike")


@pytest.mark.parametrize("smooth", [14, 30, 120])
def test_how_rough_a_start_was_hangs_on_no_smooth_running_after_it(smooth):
    """Twelve windows of 60 rpm (standard deviation), then so many of 5: peak to peak 2 sqrt(2) times, as of a sine."""
    rng = np.random.default_rng(336)
    n = 12 + smooth
    deviation = np.where(np.arange(n) < 12, 60.0, 5.0)
    swing = deviation**2 * rng.chisquare(4, n) / 4
    rough = Roughness(0.25 + 0.5 * np.arange(n), np.where(np.arange(n) < 12, 3.0, 0.0), np.full(n, 12.0), swing, 4.0)
    change = fit_change(rough)
    assert change.told_first_swing == pytest.approx(np.sqrt(swing[:12].mean()), rel=0.1)
    assert change.told_last_swing == pytest.approx(np.sqrt(swing[12:].mean()), rel=0.15)
    hidden = replace(rough, swing=np.where((np.arange(n) > 1) & (np.arange(n) < 12), np.nan, swing))
    assert fit_change(hidden).told_first_swing is None, "two windows of twelve"


def test_a_single_doubtful_loss_has_no_pattern():
    """No pattern named where nothing is sure (misfire_sure), nor of one alone: never 'none' beside a lost one."""
    case = sim.make(333, sim.Scenario(seconds=20.0, snr_db=26.0))
    for chance in (0.6, 0.99):
        told = np.full(len(case.firings.t_s), 0.001)
        told[100] = chance
        measures = judged(replace(case, firings=replace(case.firings, miss_probability=told)))
        text = next(one.text for one in measures.findings if one.code == "misfire")
        assert measures.firing.misfires == 1 and measures.firing.pattern == (None if chance < 0.8 else "random")
        assert text.startswith("1 of ") and "  " not in text and "They come" not in text
    told[100] = 0.4
    measures = judged(replace(case, firings=replace(case.firings, miss_probability=told)))
    assert (measures.firing.misfires, measures.firing.pattern) == (0, "none")


@pytest.mark.parametrize("seconds", [9.3, 12.7, 20.0, 31.4])
@pytest.mark.parametrize("hz", [0.35, 0.6, 2.2])
def test_a_swing_ends_within_the_recording(seconds, hz):
    case = sim.make(334, sim.Scenario(seconds=seconds, hunt_hz=hz, hunt_swing_percent=6.0))
    assert (finding(case, "hunting").end_s or 0.0) <= case.track.t_s[-1]


# ---------------------------------------------------------------- a generator's frequency and its rated speed


def generating(rpm: float, **told) -> dict[str, Finding]:
    """The findings on a two-pole set held at `rpm`."""
    case = sim.make(331, sim.Scenario(rpm=rpm, seconds=12.0, wobble_percent=0.1))
    engine = replace(case.engine, machine="generator", alternator_poles=2, **told)
    return {code: finding(case, code, engine=engine) for code in ("speed", "generator_frequency")}


@pytest.mark.parametrize(
    ("rpm", "rated_rpm", "said"),
    [(3420.0, 3000.0, "above 50 Hz"), (3320.0, 3600.0, "below 60 Hz"), (2820.0, 3000.0, "below 50 Hz")],
)
def test_a_told_rated_speed_says_which_mains_a_generator_is_for(rpm, rated_rpm, said):
    """f = P N / 120: two poles give 50 Hz at 3000 and 60 Hz at 3600 rpm (generator service manual)."""
    told = generating(rpm, rated_rpm=rated_rpm)
    assert said in told["generator_frequency"].text
    assert ("too fast" in told["speed"].text) == (rpm > rated_rpm)


def test_untold_the_nearer_mains_counts():
    assert "below 60 Hz" in generating(3320.0)["generator_frequency"].text
    assert "above 50 Hz" in generating(3270.0)["generator_frequency"].text


def test_a_generator_that_idled_gets_no_fault_for_its_frequency():
    """Idling, a set feeds nothing (as in judge_speed: nearer to the told idle speed than to the rated one)."""
    for told in ({"rated_rpm": 3000.0}, {}):
        one = generating(1900.0, idle_rpm=1900.0, **told)["generator_frequency"]
        assert one.verdict == "unknown" and one.value is None and "it idled" in one.text
        assert one.next and "rated speed" in one.next[0]
    assert generating(2700.0, idle_rpm=1900.0, rated_rpm=3000.0)["generator_frequency"].verdict == "fault"
