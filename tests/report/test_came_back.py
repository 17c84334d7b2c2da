"""A machine that came back faulty is not called mended by what was recorded before it came back.

Which recording stands for before, for after and for now hangs on when each was made. Design of our own, no outside
source.
"""

from dataclasses import replace

import make_runs
import pytest

from enginelog import report
from enginelog.compare import of_job, out_of_order
from enginelog.model import Analysis, Job, JobRecord, Machine, Moment, RunFigures, StoredRun, WorkEntry
from enginelog.report.handback_sheet import sheet

MENDED = ("can go back", "runs better", "runs now", "no longer", "none heard after")


def day(time: str) -> Moment:
    return Moment(f"2026-11-02T{time}:00Z")


def kept(number: int, stage: str, builder, told: str | None, *, attached: str = "20:00", file: str | None = None):
    """Made at the time told; else attached then, its file saying when it was made, or nothing of it."""
    run = builder()
    clip = replace(run.clip, sha256=f"{number:x}" * 64, recorded_at=file and f"2026-11-02T{file}:00+00:00")
    analysed = Analysis(number, day("23:00" if told else attached), "0.1.0")
    return StoredRun(number, 7, stage, day(told or attached), recording_sha256=clip.sha256, analysis=analysed,
                     run=replace(run, clip=clip))  # fmt: skip


def job(*runs: StoredRun, work: tuple[str, ...] = ("08:00",), reopened: str | None = None) -> JobRecord:
    done = tuple(WorkEntry("labour", "screw tightened", day(each)) for each in work)
    machine = Machine("pump Plover", kind="pump", rated_rpm=3150.0, id=3)
    in_order = tuple(sorted(runs, key=lambda run: (run.at, run.id)))
    return JobRecord(Job(7, 3, day("07:00")), machine, work=done, runs=in_order, reopened=reopened and day(reopened))


HUNTED = kept(1, "before", make_runs.hunting_pump, "07:30")
WELL = kept(2, "after", make_runs.healthy_generator, "08:30")


@pytest.mark.parametrize("stage", ["before", "during"])
def test_what_was_recorded_before_it_came_back_does_not_call_it_mended(stage):
    """'Nothing amiss is heard after the work, it can go back', of a pump that had just come back hunting."""
    assert "it can go back" in report.suggestion(job(HUNTED, WELL)).text
    back = kept(3, stage, make_runs.hunting_pump, "15:30")
    record = job(HUNTED, WELL, back, reopened="15:00")
    pair = of_job(record)
    assert pair.after is None and pair.newer is back and not pair.comparison.comparable
    line = "later than run 2, from after it (recorded 2026-11-02 08:30)"
    assert any(line in note and note.endswith("?") for note in pair.comparison.notes)
    assert line in out_of_order(record, back)[0], "as attach says it"
    found = report.suggestion(record)
    assert found.next and "go back" not in found.text
    assert [one.record["clip"]["sha256"][0] for one in report.known_of(record).heard] == ["3"]
    assert any(line in each for each in report.hand_back_questions(record))
    top = sheet(record).top
    assert top.answer == "A fault can be heard: hunting" and top.tone == "fault"
    for audience in ("owner", "bench"):
        assert not any(each in report.hand_back_text(record, audience) for each in MENDED)


def test_once_it_was_recorded_again_after_the_work_the_second_visit_is_compared():
    back = kept(3, "before", make_runs.pulls_only, "15:30")
    record = job(HUNTED, WELL, back, kept(4, "after", make_runs.healthy_generator, "17:00"), work=("08:00", "16:00"))
    pair = of_job(record)
    assert (pair.before.id, pair.after.id) == (3, 4) and pair.comparison.summary.startswith("It runs now")
    assert not any("swapped" in note for note in pair.comparison.notes)
    assert "it can go back" in report.suggestion(record).text


def test_work_done_since_it_came_back_is_not_shown_by_the_older_recording_either():
    back = kept(3, "before", make_runs.hunting_pump, "15:30")
    record = job(HUNTED, WELL, back, work=("08:00", "16:00"))
    top = sheet(record).top
    assert top.answer == "Not recorded since the last work" and top.tone == "unknown" and "hunting" in top.text
    assert not sheet(record).measures


def test_a_job_reopened_after_its_hand_back_asks_for_a_new_recording():
    record = job(HUNTED, WELL, reopened="15:00")
    text = report.suggestion(record).text
    assert "recorded 2026-11-02 08:30, before the job was reopened (2026-11-02 15:00): record it again" in text
    assert "can go back" not in text
    assert any("has it come back" in each for each in report.hand_back_questions(record))
    top = sheet(record).top
    assert top.answer == "Not recorded since the job was reopened" and top.tone == "unknown"
    assert top.text.startswith("As recorded 2026-11-02: it runs better")
    alone = sheet(job(WELL, reopened="15:00")).top
    assert alone.tone == "unknown" and "As recorded 2026-11-02: it ran" in alone.text
    again = job(HUNTED, WELL, kept(4, "after", make_runs.healthy_generator, "15:30"), reopened="15:00")
    assert sheet(again).top.answer == "It runs better than before" and of_job(again).after.id == 4
    assert not any("come back" in each for each in report.hand_back_questions(again))
    assert "it can go back" in report.suggestion(again).text


def test_a_recording_without_a_date_counts_by_when_it_was_attached():
    """A phone's WAV says nothing of when it was made: attached before the one from after the work, it is the older."""
    undated = kept(1, "before", make_runs.hunting_pump, None, attached="20:00")
    good = kept(2, "after", make_runs.healthy_generator, None, attached="20:05", file="09:00")
    assert of_job(job(undated, good)).comparison.comparable
    back = kept(3, "before", make_runs.hunting_pump, None, attached="20:10")
    assert of_job(job(undated, good, back)).newer is back
    assert "was attached 2026-11-02 20:10, later than run 2" in report.hand_back_questions(job(undated, good, back))[0]


def test_the_newest_before_is_the_last_made_not_the_last_attached():
    """'It runs now', of a mower that ran before the work: the pulls were older and attached later."""
    hunting = kept(4, "before", make_runs.hunting_pump, None, attached="20:00", file="07:40")
    pulls = kept(5, "before", make_runs.pulls_only, None, attached="20:01", file="07:10")
    good = kept(6, "after", make_runs.healthy_generator, None, attached="20:02", file="09:00")
    pair = of_job(job(hunting, pulls, good))
    assert pair.before is hunting and "runs now" not in pair.comparison.summary
    assert not any("did not start" in note for note in pair.comparison.notes)


def test_it_is_said_to_run_now_only_where_it_did_not_run_before():
    pulls = kept(5, "before", make_runs.pulls_only, "07:50")
    pair = of_job(job(HUNTED, pulls, WELL))
    assert pair.before is HUNTED and "runs now" not in sheet(job(HUNTED, pulls, WELL)).top.answer
    said = "In run 5, newer and from before the work too, it did not start ("
    assert any(note.startswith(said) for note in pair.comparison.notes)
    assert of_job(job(pulls, WELL)).comparison.summary.startswith("It runs now")
    still = kept(6, "after", make_runs.pulls_only, "08:40")
    assert of_job(job(HUNTED, pulls, still)).comparison.summary.startswith("It still does not start")


def test_what_can_hurt_of_a_machine_that_came_back_stands_and_none_calls_it_better():
    """'Better. It no longer runs too fast', of a mower whose newest recording ran far too fast."""
    from test_dangers import FAST
    from test_dangers import kept as judged

    fast, right = judged(1, "before", FAST, rpm=4357.0), judged(2, "after")
    back = judged(3, "before", FAST, rpm=4357.0)
    record = job(fast, right, back, work=())
    top = sheet(record).top
    assert not any(each in top.answer + top.text for each in MENDED)
    assert sheet(record).watch[0].startswith("Heard before the work, and not shown to be put right: Do not use it")


def test_nor_is_it_green_where_it_ran_well_as_it_came_back():
    """No fault was heard, but not since the work: nothing shows what that came to."""
    record = job(HUNTED, WELL, kept(3, "before", make_runs.healthy_generator, "15:30"))
    top = sheet(record).top
    assert of_job(record).newer.id == 3 and (top.tone, top.sign) == ("unknown", "Not compared")


def test_without_one_from_after_the_work_the_last_made_counts_not_the_last_attached():
    """'During the work: it ran, and no fault could be heard', from the morning, of a pump that hunted at noon."""
    hunts = kept(4, "during", make_runs.hunting_pump, None, attached="20:00", file="14:00")
    well = kept(5, "during", make_runs.healthy_generator, None, attached="20:05", file="09:00")
    found = sheet(job(hunts, well))
    assert "During the work: a fault can be heard: hunting" in found.top.text
    assert "goes up and down by itself" in " ".join(found.watch), "no work was done since"
    assert not sheet(job(hunts, well, work=("15:00",))).watch, "work since may have put it right"


@pytest.mark.parametrize("stage", ["before", "during"])
def test_of_a_job_without_work_the_headline_and_what_to_watch_are_of_one_recording(stage):
    """Headline: 'a fault can be heard'; what to watch, made from the recording attached last: nothing."""
    hunts = kept(4, stage, make_runs.hunting_pump, None, attached="20:00", file="15:00")
    well = kept(5, stage, make_runs.healthy_generator, None, attached="20:05", file="09:00")
    nothing = kept(6, stage, make_runs.talk_only, None, attached="20:10", file="16:00")
    for runs in ((hunts, well), (hunts, well, nothing)):
        found = sheet(job(*runs, work=()))
        assert "a fault can be heard: hunting" in found.top.text, "one that shows nothing does not count"
        assert "goes up and down by itself" in " ".join(found.watch)


def test_the_suggestion_asks_for_what_was_amiss_in_the_last_made():
    """From the figures alone, as of a job that is not read whole."""

    def figures(number: int, amiss: tuple[str, ...], made: str) -> StoredRun:
        analysed = Analysis(number, day("23:00"), "0.1.0", RunFigures(heard=True, usable=True, amiss=amiss))
        return StoredRun(number, 7, "before", day(made), analysis=analysed)

    hunts, well = figures(5, ("hunting",), "07:40"), figures(4, (), "07:10")
    swapped = replace(job(), runs=(hunts, well))
    assert report.suggestion(swapped) == report.suggestion(replace(job(), runs=(hunts,)))
    assert report.suggestion(swapped) != report.suggestion(replace(job(), runs=(well,)))
