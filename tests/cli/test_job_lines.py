"""The one line a recording gets in lists of the job record: it says no more and nothing else than the report does."""

import dataclasses

import make_runs

from enginelog.model import Analysis, Finding, Moment, RunFigures, StoredRun
from enginelog.report import run_line
from enginelog.store import figures

AT = Moment("2026-04-11T09:00:00Z", "+02:00")


def line(found: RunFigures) -> str:
    return run_line.figures(StoredRun(1, 1, "before", AT, analysis=Analysis(1, AT, "0.1.0", found)))


def found(**more) -> RunFigures:
    told = {"rpm": 3358.2, "misfire_percent": 9.9, "misfire_low": 7.2, "misfire_high": 13.1}
    return RunFigures(heard=True, usable=True, **told, **more)


def test_a_fault_is_called_so_and_what_is_to_be_watched_is_not_called_a_fault():
    said = line(found(worst="fault", amiss=("steadiness", "misfire", "settling"), faults=("misfire",)))
    assert said == "3358 rpm, misfires 9.9 % (7.2 to 13.1); fault: misfires; watch: steadiness, rough start"
    assert line(found(worst="watch", amiss=("settling",))).endswith("; watch: rough start")
    assert line(found(worst="fault", amiss=("misfire",))).endswith("; fault: misfires"), "kept by an earlier version"


def test_a_speed_with_a_double_and_misfires_that_were_not_counted_are_not_passed_over():
    said = line(RunFigures(heard=True, usable=True, rpm=2800.0, or_rpm=5600.0, worst="unknown"))
    assert said == "2800 rpm or 5600 rpm, misfires cannot be told", "nothing is called well that is not known"
    changed = RunFigures(heard=True, usable=True, rpm=2300.0, or_rpm=4600.0, held_rpm=(1600.0, 3000.0))
    assert line(changed).startswith("speed changed, held about 1600, then 3000 rpm or twice as fast, misfires")
    assert line(
        RunFigures(heard=True, usable=True, rpm=3301.0, misfire_low=6.14, amiss=("misfire",), worst="watch")
    ) == ("3301 rpm, misfires at least 6.1 %; watch: misfires")
    perhaps = RunFigures(heard=True, usable=True, rpm=4228.0, speed_confidence=0.05, engine_chance=0.6)
    assert line(perhaps) == "perhaps an engine, perhaps 4228 rpm, misfires cannot be told"
    sure = found(speed_confidence=0.9, engine_chance=0.99, worst="ok")
    assert line(sure) == "3358 rpm, misfires 9.9 % (7.2 to 13.1); nothing amiss heard"


def test_the_figures_know_which_findings_are_faults_and_come_back_whole():
    run = make_runs.hunting_pump()
    more = Finding("steadiness", "watch", "wide")
    measures = dataclasses.replace(run.measures, findings=(*run.measures.findings, more))
    made = figures.figures_of(dataclasses.replace(run, measures=measures))
    assert made.faults == ("hunting",) and set(made.amiss) == {"hunting", "steadiness"} and made.worst == "fault"
    assert figures.from_text(figures.to_text(made)) == made
    old = figures.to_text(made).split(', "faults"')[0] + "}"
    assert figures.from_text(old).faults == () and figures.from_text(old).engine_chance is None


def test_pulls_alone_are_no_surer_than_in_the_report():
    assert line(RunFigures(usable=True, pulls=1)) == "did not run, 1 pull"
    for most, said in ((4, "did not run, 2 to 4 pulls"), (None, "did not run, 2 or more pulls")):
        run = make_runs.pulls_only()
        unsure = dataclasses.replace(run.timeline, pulls_low=2, pulls_high=most, pulls_reason="wind")
        made = figures.figures_of(dataclasses.replace(run, timeline=unsure))
        assert line(made) == said and figures.from_text(figures.to_text(made)) == made
