"""What somebody new trips over: an answer that contradicts itself, says a thing twice, or does not fit the machine.

The engines are simulated (`sim_tracks`), whose programme is the truth.
"""

import os
import re
import subprocess
import sys
from dataclasses import replace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim
import soundfile

from enginelog import limits, report
from enginelog.advice.at_bench import as_step
from enginelog.findings import judge, settling_verdict, words
from enginelog.findings.settling import SettlingStudy
from enginelog.limits.trade import cautions, knowledge
from enginelog.model import Finding, Problem, Quality
from enginelog.report.headline import headline

CALL = "import sys; from enginelog.cli import main; sys.exit(main({!r}))"
LIMITS = limits.load("findings")


def steadiness(seed: int, wobble_percent: float, **engine):
    known = {"gaps": 0.0, "glitches": 0.0, "outliers": 0.0}  # else the band's upper bound is wider
    scenario = sim.Scenario(rpm=9000.0, seconds=20.0, wobble_percent=wobble_percent, run_up=False, lead_s=0.0, **known)
    case = sim.make(seed, scenario)
    told = replace(case.engine, **engine)
    found = judge(told, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)
    return next(one for one in found.findings if one.code == "steadiness")


@pytest.mark.parametrize("seed", range(20600, 20604))
def test_a_machine_without_a_governor_is_not_held_to_what_governors_do(seed):
    """No governor holds a saw's speed (common practice, no source): it wanders without a fault."""
    saw, mower = (steadiness(seed, 1.0, strokes=2, machine=machine) for machine in ("saw", "mower"))
    assert saw.value == mower.value and 2.5 < saw.value < 8.0
    assert (saw.verdict, mower.verdict) == ("ok", "watch")
    assert "no governor" in saw.text and "generating sets" not in saw.text and "generating sets" in mower.text
    wide, same = (steadiness(seed, 2.6, strokes=2, machine=machine) for machine in ("trimmer", "pump"))
    assert wide.value > 8.0 and (wide.verdict, same.verdict) == ("watch", "fault")
    assert any("governor" in step for step in same.next) and not any("governor" in step for step in wide.next)
    assert wide.next


def test_a_share_has_no_more_digits_than_matter_but_never_hides_its_side_of_a_limit():
    shown = [words.figure(value, 2.5, 8.0) for value in (0.456, 6.18, 13.91, 2.54, 2.46, 8.02)]
    assert shown == ["0.46", "6.2", "14", "2.54", "2.46", "8.02"]


def flat(run) -> str:
    return " ".join(report.summary_text(run).split())


def test_a_reason_is_said_once_where_nothing_could_be_judged():
    run = make_runs.talk_only()
    reason = "Changing sounds such as talk, music or animals were heard"
    why = replace(run.timeline, reason=reason.lower(), pulls=0)
    found = tuple(Finding(code, "unknown", f"Cannot tell: {reason.lower()}.") for code in ("speed", "misfire", "stop"))
    told = replace(run, timeline=why, measures=replace(run.measures, findings=found))
    assert flat(told).count(reason) == 1 and "Cannot tell: " in flat(told)
    problem = Problem("silent", "the recording is silent", "record again")
    silent = replace(told, quality=Quality(False, None, 0.0, None, (problem,), 0.0))
    found = tuple(
        replace(f, text="Cannot tell: the recording cannot be used (the recording is silent).") for f in found
    )
    silent = replace(silent, measures=replace(told.measures, findings=found))
    assert "cannot be used" not in flat(silent) and flat(silent).count("The recording is silent") == 1
    page = re.sub(r"<[^>]+>", "", report.to_html(silent))
    assert page.count("The recording is silent") == 1 and "The reason stands at the top." in page
    assert "Recording Record again." in flat(silent) and "Record again." in page, "its advice stays"


@pytest.mark.parametrize("name", sorted(name for name in make_runs.ALL if name != "two_hours"))
@pytest.mark.parametrize("steps", [True, False])
def test_one_empty_line_is_enough(name, steps):
    """Without the next checks, which a job says itself, two stood behind one another."""
    assert "\n\n\n" not in report.summary_text(make_runs.ALL[name](), steps=steps)


@pytest.mark.parametrize("check", knowledge.load().checks.values(), ids=lambda each: each.name)
def test_no_caution_is_given_twice_with_a_check(check):
    care = as_step(check).caution.lower().rstrip(".")
    said = re.split(r"[;:,] ", care)
    assert len(said) == len(set(said)), care


def test_cautions_in_short_by_hand():
    first, *others = (cautions.caution_named(name) for name in ("eyes", "solvents", "eyes", "hot"))
    assert cautions.in_short((first, *others)) == "cleaners: outdoors, gloves, goggles; hot parts"


def test_nobody_is_sent_nearer_to_an_engine_that_is_too_loud():
    """A count withheld asks for a recording from nearer, an overloaded one for one from farther away: not both."""
    case = sim.make(20650, sim.Scenario(seconds=20.0, miss_share=0.1, snr_db=8.0, puff=(0.3, 0.6)))
    steps = {}
    for code in ("clipped_heavy", "wind"):
        quality = replace(case.quality, problems=(Problem(code, "too loud", "hold the phone farther away"),))
        found = judge(case.engine, quality, case.timeline, case.speed, case.track, case.firings, LIMITS).findings
        steps[code] = [step for one in found for step in one.next]
    assert any("nearer" in step for step in steps["wind"])
    assert not any("nearer" in step for step in steps["clipped_heavy"])


AGAINST_NOTHING = "No rated or idle speed was told, so it cannot be judged."
IN_DOUBT = "None of 446 firings was lost. Not sure: 1450 rpm, firing on every second turn only, sounds nearly the same."


def not_judged(*findings: Finding):
    run = make_runs.healthy_generator()
    others = tuple(one for one in run.measures.findings if one.code not in {new.code for new in findings})
    return replace(run, measures=replace(run.measures, findings=(*findings, *others)))


def test_nobody_reads_that_a_figure_cannot_be_told_and_then_the_figure():
    run = not_judged(
        Finding("speed", "unknown", AGAINST_NOTHING, 2900.0, "rpm"),
        Finding("misfire", "unknown", IN_DOUBT, 0.0, "%", 1.0, "chosen"),
        Finding("hunting", "unknown", "Cannot tell: it is taken for an engine at your word."),  # none heard, as told
        Finding("stop", "unknown", "Cannot tell: ignition off and standstill were not both heard."),
    )
    told, page = flat(run), re.sub(r"<[^>]+>", "", report.to_html(run))
    for title in ("Speed", "Misfires", "Hunting"):
        assert f"Not judged: {title}." in told and f"Cannot tell: {title}" not in told
        assert f"? Not judged {title}." in page and f"? Cannot tell {title}." not in page
    assert "Cannot tell: Stopping." in told and "? Cannot tell Stopping." in page
    limits_table = page.split("Measures and limits")[1].split("What happened when")[0]
    assert "? Not judged" in limits_table and "? Cannot tell" not in limits_table


def test_the_sign_of_the_answer_does_not_deny_the_speed_in_it():
    run = not_judged(Finding("misfire", "unknown", "Cannot tell: too much noise."))
    silent = replace(run, quality=Quality(False, None, 0.0, None, (Problem("silent", "silent", "record again"),), 0.0))
    assert headline(run).word == "Not judged" and "rpm" in headline(run).text
    assert headline(silent).word == "Cannot tell"


def test_nothing_is_said_to_drown_in_silence(tmp_path):
    soundfile.write(tmp_path / "silence.wav", np.zeros(480_000), 48_000)
    call = [sys.executable, "-c", CALL.format(["check", "silence.wav", "--json"])]
    found = subprocess.run(call, cwd=tmp_path, capture_output=True, text=True)
    assert found.returncode == 3
    assert '"code":"silent"' in found.stdout and "drowns in noise" not in found.stdout


def test_a_home_that_cannot_be_written_is_no_news(tmp_path):
    """The drawing library warns of its cache folder; whoever checks a recording has nothing to do with that."""
    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / "noise.wav", 0.1 * rng.standard_normal(200_000), 48_000)
    (tmp_path / "file").write_text("")
    nowhere = str(tmp_path / "file" / "home")  # below a file no folder can be made, whoever asks
    there = os.environ | {
        "HOME": nowhere,
        "MPLCONFIGDIR": nowhere,
        "XDG_CACHE_HOME": nowhere,
        "XDG_CONFIG_HOME": nowhere,
    }
    call = [sys.executable, "-c", CALL.format(["check", "noise.wav", "--out", "out"])]
    found = subprocess.run(call, cwd=tmp_path, env=there, capture_output=True, text=True)
    assert found.returncode == 3 and (tmp_path / "out" / "report.html").is_file()
    assert found.stderr.count("\n") == 1 and found.stderr.startswith("enginelog: noise.wav: nothing to analyse")


@pytest.mark.parametrize("seed", range(20700, 20704))
def test_the_overshoot_of_a_start_is_no_unsteadiness(seed):
    """Just started it shoots over its speed by a sixteenth and comes down within two seconds; then it holds it."""
    over = sim.Load(1.2, -0.01, -6.0, 0.8)
    case = sim.make(seed, sim.Scenario(rpm=3000.0, seconds=14.0, wobble_percent=0.1, loads=(over,)))
    found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, LIMITS)
    said = next(one for one in found.findings if one.code == "steadiness")
    assert found.speed.band_percent < 2.5 and said.verdict == "ok"
    assert said.start_s == pytest.approx(sim.Scenario().lead_s + LIMITS.value("load_after_start_s"), abs=0.2)


def test_no_time_is_told_that_lies_past_the_end_of_what_was_heard():
    """A rough start that fades slowly may have ended after the recording did: that is said, and no moment invented."""
    run = make_runs.settling_start()
    ran_s = max(span.end_s - span.start_s for span in run.timeline.spans if span.kind == "run")
    settling = replace(run.measures.settling, settle_low_s=2.8, settle_high_s=ran_s + 10.0)
    told = flat(replace(run, measures=replace(run.measures, settling=settling)))
    assert "(2.8 s to past the end of the run)" in told and f"{ran_s + 10.0:.1f}" not in told
    study = SettlingStudy("settles", 4.4, None, None, None, None, None, (2.8, 23.3))
    assert settling_verdict._about(study, 13.0) == "about 4.4 s (2.8 s to past the end of the run)"
    assert settling_verdict._about(study, 60.0) == "about 4.4 s (2.8 to 23.3 s)"
