"""A run that was not at one speed: the speeds it held are named, and its middle value is not sold as its speed.

Truth is the simulated engine's own programme: `throttle` of `sim_tracks.Scenario` (moment, factor on the speed,
seconds) and the speeds of `enginelog.synthesis`.
"""

import io
import json
import re
import sys
from dataclasses import replace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim
import soundfile

from enginelog import analysis, compare, limits, report, synthesis
from enginelog.advice import signs, usual
from enginelog.findings import judge
from enginelog.model import Analysis, ClipInfo, Engine, HeldSpeed, Moment, Run, Speed, StoredRun
from enginelog.report import run_line
from enginelog.store import StoreUnreadableError, figures

LIMITS = limits.load("findings")
IDLE_FULL_IDLE = ((8.0, 1.9, 0.15), (16.0, 1.0, 0.15))
MOVED = sim.Scenario(rpm=1600.0, seconds=24.0, throttle=IDLE_FULL_IDLE, run_up=False, lead_s=0.0)


def judged(case: sim.Case, **engine):
    told = replace(case.engine, **engine)
    return judge(told, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)


def run_of(case: sim.Case, **engine) -> Run:
    clip = ClipInfo("moved.wav", "ab" * 32, 24.0, 48000, 1, "made up")
    told = replace(case.engine, **engine)
    parts = (case.quality, case.timeline, case.track, case.firings)
    return Run("0", "2026-04-11T09:00:00Z", clip, told, *parts, judged(case, **engine))


def finding(measures, code):
    return next(one for one in measures.findings if one.code == code)


def test_the_speed_of_a_run_is_cleaned_once(monkeypatch):
    """Work, not a result: what is measured and the speeds held go on from one and the same series."""
    from enginelog.findings import series

    case, cleaned, clean_series = sim.make(20100, MOVED), [], series.clean_series

    def counted(track, span, used):
        cleaned.append(span)
        return clean_series(track, span, used)

    for name in ("gather", "series"):
        monkeypatch.setattr(sys.modules[f"enginelog.findings.{name}"], "clean_series", counted)
    assert len(judged(case).speed.held) == 3
    assert cleaned == series.run_spans(case.timeline)


@pytest.mark.parametrize("seed", range(20100, 20106))
def test_each_speed_held_is_found_with_its_time(seed):
    speed = judged(sim.make(seed, MOVED)).speed
    assert speed.changed
    assert [one.rpm for one in speed.held] == pytest.approx([1600.0, 3040.0, 1600.0], rel=0.015)
    ends = [(one.start_s, one.end_s) for one in speed.held]
    # Told shorter rather than longer: the change itself, and what is not sure about it, is left out.
    assert ends == [pytest.approx(pair, abs=1.3) for pair in ((0.0, 8.0), (8.3, 16.0), (16.3, 24.0))]
    assert speed.range_low_rpm <= 1620 and speed.range_high_rpm >= 3000


def test_a_run_at_one_speed_has_none_however_it_runs():
    """Hunting, misfires, a rough start and a load step (up to 25 %) move the speed too, but not to another setting."""
    for kind in sim.KINDS:
        for seed in range(20200, 20204):
            speed = judged(sim.draw(kind, seed)).speed
            assert not speed.changed and not speed.held and not speed.held_words, (kind, seed)


def test_a_slow_turn_of_the_throttle_is_no_held_speed():
    """Only where it came from and where it is at the end, on its way to 3200 rpm, are."""
    slowly = ((4.0, 2.0, 8.0),)
    speed = judged(sim.make(20300, replace(MOVED, throttle=slowly))).speed
    assert [one.rpm for one in speed.held] == pytest.approx([1600, 1600 * (2 - np.exp(-18 / 8))], rel=0.02)


def test_a_speed_that_is_not_known_has_not_changed():
    case = sim.make(20100, MOVED)
    assert not judged(replace(case, speed=Speed(None, None, None, None, 0.0))).speed.changed


UNSURE = {"confidence": 0.01, "told": False}  # of a median: the run as a whole makes it unlikely


def test_speeds_surely_held_are_told_where_the_middle_is_not():
    """'The speed could not be read' stood beside 'throttle moved from 2726 to 13754 rpm'."""
    case = sim.make(20106, MOVED)
    measures = judged(replace(case, speed=replace(case.speed, **UNSURE)))
    assert [round(one.rpm, -1) for one in measures.speed.held] == [1600, 3040, 1600] and measures.speed.told
    assert measures.speed.confidence == min(one.confidence for one in measures.speed.held) > 0.5
    assert len(measures.throttle) == 2 and finding(measures, "throttle").verdict == "ok"


@pytest.mark.parametrize("less", ["frames", "another speed", "an engine", "one speed"])
def test_else_neither_the_speeds_nor_the_movements_between_them_are(less):
    case = sim.make(20106, MOVED if less != "one speed" else replace(MOVED, throttle=()))
    case = replace(case, speed=replace(case.speed, **UNSURE))
    if less == "frames":
        case = replace(case, track=replace(case.track, confidence=0.45 * case.track.confidence))
    elif less == "another speed":
        case = replace(case, speed=replace(case.speed, or_rpm=3200.0))
    elif less == "an engine":
        case = replace(case, timeline=replace(case.timeline, confidence=0.6))
    measures = judged(case)
    assert measures.speed == Speed.unknown() and measures.throttle == ()
    moved = [one for one in measures.findings if one.code == "throttle"]
    assert all(one.verdict == "unknown" and "is not sure" in one.text for one in moved)
    assert len(moved) == (less != "one speed")


def test_one_confidence_is_told_of_a_run_that_held_several_speeds():
    """Of the record, of its summary and of the list of runs; no surer than the recording is trusted."""
    case = sim.make(20102, MOVED)
    case = replace(case, speed=replace(case.speed, confidence=0.2), quality=replace(case.quality, trust=0.9))
    run = run_of(case)
    speed = json.loads(report.to_json(run))["speed"]
    assert speed["confidence"] == min(one["confidence"] for one in speed["held"]) <= 0.9
    assert f"confidence {speed['confidence']:.2f} of 1" in " ".join(report.summary_text(run, 80).split())
    kept = StoredRun(
        1,
        1,
        "before",
        Moment("2026-04-11T09:00:00Z", "+02:00"),
        analysis=Analysis(1, Moment("2026-04-11T09:00:00Z", "+02:00"), "0", figures.figures_of(run)),
    )
    assert run_line.figures(kept).startswith("speed changed, held about"), "and not perhaps"


def test_verdicts_are_of_the_speeds_held_and_not_of_the_middle():
    case = sim.make(20101, MOVED)
    both = finding(judged(case, rated_rpm=3040.0, idle_rpm=1600.0), "speed")
    assert both.verdict == "ok" and "idles at" in both.text and "told rated speed 3040 rpm" in both.text
    slow = finding(judged(case, idle_rpm=1300.0), "speed")
    assert slow.verdict == "watch" and "held about 1600, then 3040" in slow.text and slow.value < 1650
    fast = finding(judged(case, rated_rpm=2700.0), "speed")
    assert fast.verdict in ("watch", "fault") and "held about 1600, then 3040, then 1600 rpm" in fast.text
    hertz = finding(judged(case, alternator_poles=2, machine="generator"), "generator_frequency")
    # 120 f / poles: 3040 rpm with two poles is 50.67 Hz (textbook); the idling engine's 1600 rpm would be 26.7 Hz.
    assert hertz.value == pytest.approx(50.67, rel=0.015) and hertz.verdict == "ok"


def test_a_stumble_as_the_throttle_opens_is_no_unsteadiness():
    """The fall before the climb once counted to the stretch at constant load before it, as a fault."""
    stumbles = ((8.0, 0.8, 0.08), (8.6, 1.9, 0.15), (16.0, 1.0, 0.15))
    for seed in range(20400, 20404):
        measures = judged(sim.make(seed, replace(MOVED, throttle=stumbles)))
        assert finding(measures, "steadiness").verdict in ("ok", "unknown"), seed


def test_the_summary_and_the_record_say_what_was_held():
    run = run_of(sim.make(20102, MOVED))
    text = " ".join(report.summary_text(run, 80).split())
    assert "the speed changed: held about 1600, then 3040, then 1600 rpm" in text
    assert "95 % interval" not in text.split("Speed", 1)[1].split("Steadiness", 1)[0]
    assert f"at {run.measures.speed.rpm:.0f} rpm" not in text
    speed = json.loads(report.to_json(run))["speed"]
    assert speed["changed"] is True and [round(one["rpm"], -1) for one in speed["held"]] == [1600, 3040, 1600]
    assert speed["rpm"] == pytest.approx(run.measures.speed.rpm, abs=0.05), "still the median, as documented"
    assert "1600\u00a0rpm, then 3040\u00a0rpm, then 1600\u00a0rpm" in report.to_html(run)


def test_the_band_of_a_moved_throttle_says_of_which_stretch_it_is():
    """By the programme the first speed is held to 8 s, the second from 8.3 to 16 s, the first again from 16.3 s."""
    text = " ".join(report.summary_text(run_of(sim.make(20102, MOVED)), 80).split())
    found = re.search(
        r"Steadiness within a band .*; where it stayed longest at one speed, ([\d.]+) s to ([\d.]+) s", text
    )
    assert found is not None
    start_s, end_s = float(found[1]), float(found[2])
    assert any(low - 0.3 <= start_s and end_s <= high + 0.3 for low, high in ((0.0, 8.0), (8.3, 16.0), (16.3, 24.0)))
    assert "longest at one speed" not in report.summary_text(make_runs.healthy_generator())


def test_one_speed_is_recorded_as_such():
    speed = json.loads(report.to_json(make_runs.healthy_generator()))["speed"]
    assert speed["changed"] is False and speed["held"] == []
    assert speed["range_low_rpm"] is None and speed["range_high_rpm"] is None


def held(*rpm: float, confidence: float = 0.9) -> Speed:
    levels = tuple(HeldSpeed(one, 2.0 * k, 2.0 * k + 1.5, confidence) for k, one in enumerate(rpm))
    return Speed(rpm[0], 1000.0, 9000.0, None, 0.9, None, min(rpm), max(rpm), levels)


def test_many_speeds_one_speed_and_doubt_in_words():
    assert held(3000, 9000, 4000, 9100, 3000, 8000).held_words == "held 6 speeds between 3000 and 9100 rpm"
    one = replace(held(980.0), range_low_rpm=940.0, range_high_rpm=2510.0)
    assert one.held_words == "held about 980 rpm, else between 940 and 2510 rpm"
    run = run_of(sim.make(20102, MOVED))
    unsure = replace(run.measures, speed=replace(held(1600, 3040, confidence=0.4), or_rpm=3200.0))
    text = " ".join(report.summary_text(replace(run, measures=unsure)).split())
    assert "changed: perhaps held about 1600, then 3040 rpm, or twice as fast, which sounds nearly the same" in text


def test_nothing_else_takes_the_middle_for_the_speed():
    run = run_of(sim.make(20103, MOVED))
    record = report.record(run_of(sim.make(20103, MOVED), machine="mower", blade_length_mm=500.0, alternator_poles=2))
    assert signs.sure_rpm(record) is None and signs.top_rpm(record) == pytest.approx(3040, rel=0.015)
    shown = {line.title: line.value for line in usual.usual_values(record)}
    judged_rpm = signs.finding(record, "blade_speed")["value"]
    assert judged_rpm == pytest.approx(3040, rel=0.02), "the fast one hurts"
    assert shown["Highest safe speed of a 500 mm blade"] == f"{judged_rpm:.0f} rpm, the highest held"
    assert any(" Hz at 30" in value for value in shown.values())
    other = replace(run_of(sim.make(20104, replace(MOVED, throttle=()))), clip=replace(run.clip, sha256="cd" * 32))
    found = compare.compare(run, other)
    assert not found.comparable and "not at one speed (held about 1600, then 3040" in found.reason
    assert "speed" not in [one.code for one in found.measures], "its middle value is held against nothing"
    at = Moment("2026-04-11T09:00:00Z", "+02:00")
    kept = figures.from_text(figures.to_text(figures.figures_of(run)))
    assert kept.held_rpm == pytest.approx([one.rpm for one in run.measures.speed.held])
    figures.from_text(figures.to_text(kept))
    line = run_line.figures(StoredRun(1, 1, "before", at, analysis=Analysis(1, at, "0", kept)))
    assert line.startswith("speed changed, held about 1600, then 3040, then 1600 rpm")
    with pytest.raises(StoreUnreadableError, match="held_rpm"):
        figures.from_text('{"held_rpm": ["x"]}')


@pytest.mark.parametrize("seed", [20500, 20501])
def test_heard_from_a_made_up_recording(seed):
    """The whole way from sound: idle, full and idle again as `synthesis` moves the throttle."""
    clip, truth = synthesis.make(synthesis.random_scenario(seed, "generator", "easy", "throttle"))
    sound = io.BytesIO()
    soundfile.write(sound, clip.samples, round(clip.rate_hz), format="WAV")
    sound.seek(0)
    speed = analysis.analyse(sound, Engine(machine="generator"), name="moved.wav").measures.speed
    assert speed.changed and len(speed.held) == 3
    for one in speed.held:
        inside = (truth.t_s > one.start_s) & (truth.t_s < one.end_s)
        assert one.rpm == pytest.approx(float(np.median(truth.rpm[inside])), rel=0.01)
