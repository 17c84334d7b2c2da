"""What can hurt and was heard in any recording of a job stands among what to watch until one shows it gone."""

from dataclasses import replace

import make_runs
import pytest

from enginelog import report
from enginelog.cli import job_text
from enginelog.compare import of_job
from enginelog.model import (
    Analysis,
    Engine,
    Finding,
    Job,
    JobRecord,
    LoadRelease,
    Machine,
    Moment,
    StoredRun,
    WorkEntry,
)
from enginelog.report.dangers import standing
from enginelog.report.handback_sheet import sheet

SLOW = Finding("stop", "watch", "From ignition off to standstill 2.8 s.", 2.8, "s", 3.0, "x")
IN_TIME = replace(SLOW, verdict="ok", value=1.6)
FAST = Finding("speed", "fault", "Ran at 4357 rpm.", 4357.0, "rpm", 3417.0, "x")
AS_RATED = Finding("speed", "ok", "Ran at 3350 rpm.", 3350.0, "rpm", 3417.0, "x")


def at(minute: int) -> Moment:
    return Moment(f"2026-04-11T10:{minute:02d}:00Z")


def kept(number: int, stage: str, *findings: Finding, run=None, rpm: float | None = None, **engine) -> StoredRun:
    """A recording with these findings, as the `number`-th of its job, every five minutes one."""
    run = run or make_runs.healthy_generator()
    measures = replace(run.measures, findings=findings or run.measures.findings)
    if rpm is not None:
        measures = replace(measures, speed=replace(measures.speed, rpm=rpm, rpm_low=rpm - 5, rpm_high=rpm + 5))
    clip = replace(run.clip, sha256=f"{number}" * 64, name=f"{number}.m4a")
    told = replace(Engine(rated_rpm=3350.0, machine="tiller"), **engine)
    whole = replace(run, clip=clip, measures=measures, engine=told)
    return StoredRun(number, 7, stage, at(5 * number), recording_sha256=clip.sha256, run=whole)


def job(*runs: StoredRun, work: int | None = None) -> JobRecord:
    made = () if work is None else (WorkEntry("part", "governor spring", at(work)),)
    machine = Machine("tiller Marigold", kind="tiller", rated_rpm=3350.0, id=3)
    return JobRecord(Job(7, 3, at(0)), machine, work=made, runs=runs)


def codes(*runs: StoredRun) -> list[str]:
    return [each.code for each in standing(job(*runs))]


def test_the_newest_recording_after_the_work_is_not_kept_quiet_where_an_older_one_is_compared():
    """'Stop using it' was heard, and the owner read 'it runs better than before'."""
    before = kept(1, "before", run=make_runs.hunting_pump(), rpm=3150.0)
    good = kept(2, "after")
    fast = kept(3, "after", FAST, rpm=4357.0)
    record = job(before, good, fast)
    pair, found = of_job(record), sheet(record)
    assert pair.after is good and pair.comparison.comparable
    asked = [note for note in pair.comparison.notes if note.startswith("Run 3, newer, is not in this comparison: the")]
    assert len(asked) == 1 and asked[0] in found.asked and asked[0] not in found.notes
    assert found.watch[0].startswith("Do not use it until its top speed has been set by the manual")
    assert found.top.tone == "watch" and "can hurt" in found.top.text
    assert "Do not use it until its top speed" in report.hand_back_text(record)
    assert not any("newer" in note for note in of_job(job(before, good)).comparison.notes)
    silent = kept(3, "after", run=make_runs.talk_only())
    assert not sheet(job(before, good, silent)).asked, "talk shows nothing of the machine"


def test_a_danger_stands_until_a_later_recording_judges_it_well():
    assert codes(kept(1, "after", FAST), kept(2, "after", AS_RATED)) == []
    assert codes(kept(1, "after", AS_RATED), kept(2, "after", FAST)) == ["speed"]
    assert codes(kept(1, "after", FAST), kept(2, "after", SLOW)) == ["speed", "stop"]
    assert codes(kept(1, "before", SLOW), kept(2, "before", IN_TIME)) == ["stop"], "nothing was done between the two"
    assert codes(kept(1, "before", SLOW), kept(2, "during", IN_TIME)) == []
    unusable = replace(make_runs.unusable_clip(), measures=kept(1, "after", AS_RATED).run.measures)
    assert codes(kept(1, "after", FAST), kept(2, "after", run=unusable)) == ["speed"]


@pytest.mark.parametrize("said", [True, False], ids=["told", "usual"])
def test_a_run_at_idle_does_not_show_that_it_is_not_too_fast(said):
    idle = {"idle_rpm": 1700.0} if said else {"machine": "mower"}
    idling = replace(AS_RATED, value=1700.0, limit=1700.0 if said else 3417.0)
    assert codes(kept(1, "before", FAST), kept(2, "after", idling, rpm=1700.0, **idle)) == ["speed"]
    assert codes(kept(1, "before", FAST), kept(2, "after", AS_RATED, rpm=3350.0, **idle)) == []


def test_an_overshoot_as_load_was_released_is_shown_mended_only_where_a_load_was_released():
    """A run without any load cleared it, though nothing in that run could have shown it."""
    over = Finding("blade_speed", "watch", "For a moment 3700 rpm.", 3700.0, "rpm", 3429.0, "x", 10.0, 11.4)
    held, good = replace(over, start_s=None, end_s=None), replace(over, verdict="ok", value=3100.0, start_s=None)
    after = kept(2, "after", good)
    measures = replace(after.run.measures, releases=(LoadRelease(9.0, 4.0, 7.0, 1.0),))
    loaded = replace(after, run=replace(after.run, measures=measures))
    assert codes(kept(1, "before", over), after) == ["blade_speed"]
    assert codes(kept(1, "before", over), loaded) == codes(kept(1, "before", held), after) == []


def test_a_danger_heard_before_the_work_is_not_lost_behind_a_newer_recording():
    """Slow to stand still, then pulled in vain: the pulls alone were looked at."""
    pulls = kept(2, "before", run=make_runs.pulls_only())
    record = job(kept(1, "before", SLOW), pulls, kept(3, "after"))
    assert of_job(record).before.id == 1, "it ran before the work, so that it is not said to run now"
    first = sheet(record).watch[0]
    assert first.startswith("Heard before the work, and not shown to be put right: Have its blade brake seen to")
    text = report.suggestion(record).text
    assert "(run 3), but" in text and "not shown to be put right: stopping (run 1)." in text and "can go" not in text
    assert "it can go back" in report.suggestion(job(kept(1, "before", SLOW), pulls, kept(3, "after", IN_TIME,
        *make_runs.healthy_generator().measures.findings))).text  # fmt: skip


def test_a_danger_heard_during_the_work_is_told():
    record = job(kept(1, "before"), kept(2, "during", FAST), kept(3, "after"))
    assert sheet(record).watch[0].startswith("Heard during the work, and not shown to be put right: Do not use it")


def dated(stored: StoredRun, file: str | None, attached: str, told: bool = False) -> StoredRun:
    """Attached then, its file saying `file`; told: the time was given by whoever attached it (`--at`)."""
    then = Moment(f"{attached}:00Z")
    analysed = Analysis(1, Moment("2026-11-29T20:00:00Z") if told else then, "0.1.0")
    clip = replace(stored.run.clip, recorded_at=file and f"{file}:00+00:00")
    return replace(stored, at=then, analysis=analysed, run=replace(stored.run, clip=clip))


JULY, NOW = "2026-07-01T{}", "2026-11-29T{}"


@pytest.mark.parametrize(
    ("stage", "file", "attached", "told", "gone"),
    [
        ("after", JULY.format("10:00"), NOW.format("11:00"), False, False),
        ("after", None, NOW.format("11:00"), False, True),
        ("after", NOW.format("10:30"), NOW.format("11:00"), False, True),
        ("after", JULY.format("10:00"), NOW.format("11:00"), True, True),  # a phone's clock was wrong: told so
        ("after", None, JULY.format("10:00"), True, False),  # told to be older than the work it is to show
        ("during", JULY.format("10:00"), NOW.format("11:00"), False, False),
        ("during", NOW.format("09:50"), NOW.format("09:55"), False, True),  # its entry is written when it is done
    ],
)
def test_what_can_hurt_is_not_shown_mended_by_a_recording_older_than_the_work(stage, file, attached, told, gone):
    """'It can go back', of an overspeed, from a recording made months before the spring was renewed."""
    fast = dated(kept(1, "before", FAST, rpm=4357.0), JULY.format("08:00"), NOW.format("09:00"))
    good = kept(2, stage, AS_RATED, *make_runs.healthy_generator().measures.findings)
    spring = WorkEntry("part", "governor spring", Moment(f"{NOW.format('10:00')}:00Z"))
    record = replace(job(fast, dated(good, file, attached, told)), work=(spring,))
    assert bool(standing(record)) is not gone
    found = report.suggestion(record)
    if stage == "after":
        assert any(line.startswith("Do not use it until its top speed") for line in found.first) is not gone
        assert ("it can go back" in found.text) is gone
        assert ("it does not show that" in found.text) is not gone
    assert ("Do not use it until its top speed" in report.hand_back_text(record)) is not gone


def test_what_can_hurt_is_not_shown_mended_by_a_recording_older_than_its_own():
    fast = dated(kept(1, "before", FAST, rpm=4357.0), JULY.format("08:00"), NOW.format("09:00"))
    good = kept(2, "after", AS_RATED, *make_runs.healthy_generator().measures.findings)
    spring = WorkEntry("part", "governor spring", Moment(f"{NOW.format('10:00')}:00Z"))
    record = replace(job(fast, dated(good, JULY.format("07:00"), NOW.format("11:00"))), work=(spring,))
    found = report.suggestion(record)
    assert standing(record) and any("Stop using it" in line for line in found.first) and "go back" not in found.text
    assert "Do not use it until its top speed" in report.hand_back_text(record)


def test_later_work_on_something_else_does_not_bring_back_what_was_shown_mended():
    fast = dated(kept(1, "before", FAST, rpm=4357.0), None, NOW.format("09:00"))
    good = dated(kept(2, "after", AS_RATED), NOW.format("10:30"), NOW.format("10:40"))
    work = [WorkEntry("labour", text, Moment(f"{NOW.format(at)}:00Z")) for text, at in
            (("governor spring renewed", "10:00"), ("oil changed", "12:00"))]  # fmt: skip
    record = replace(job(fast, good), work=tuple(work))
    assert not standing(record) and "before the last work entry (oil changed" in report.hand_back_questions(record)[0]


def test_stop_using_it_stands_first_in_a_job_too():
    """`advise` and report said so; the job's own checks said 'fault: speed' and sent one to the linkage."""
    found = report.suggestion(job(kept(1, "before", FAST, rpm=4357.0)))
    assert found.first[0].startswith("It turns faster than it may. Stop using it")
    assert len(found.first) == 1
    lines = job_text.advice_lines(found)
    assert lines[0].startswith("First        It turns faster than it may. Stop using it")
    assert not report.suggestion(job(kept(1, "before", AS_RATED, rpm=3350.0))).first


def test_what_can_hurt_stands_first_until_it_is_shown_gone_also_where_newer_recordings_are_silent_of_it():
    record = job(kept(1, "before", FAST, rpm=4357.0), kept(2, "after", SLOW), work=6)
    assert any("top speed has been set by the manual" in line for line in report.suggestion(record).first)


def saw(number: int, stage: str, rpm: float) -> StoredRun:
    return kept(number, stage, rpm=rpm, machine="saw", strokes=2, rated_rpm=None)


def test_a_saw_that_idles_near_its_clutch_does_not_go_back_as_well():
    """`advise` said not to use it, the job page that it can go back, and the owner read of no fault."""
    record = job(saw(1, "after", 3507.0))
    assert report.suggestion(record).before.name == "controls"
    assert "do not use it until it does" in sheet(record).watch[0]
    assert "do not use it until it does" in report.hand_back_text(record)
    assert sheet(record).top.tone == "watch"
    assert codes(saw(1, "after", 3507.0), saw(2, "after", 2700.0)) == []
    assert codes(saw(1, "after", 3507.0), saw(2, "after", 12500.0)) == ["idle_near_clutch"]


def test_of_two_made_at_one_moment_the_one_from_after_the_work_is_the_later():
    """As where only a day was told of both: the order of the work is the only one that is known."""
    bad, well = kept(1, "before", FAST, rpm=4357.0), replace(kept(2, "after", AS_RATED), at=at(5))
    assert codes(bad, well) == codes(well, bad) == []
    assert codes(replace(bad, stage="after"), replace(well, stage="before")) == ["speed"]
