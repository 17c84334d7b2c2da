"""Taking entries back and putting them back: nothing is lost, nothing counts that was taken back. No outside source:
the record's own promises."""

from dataclasses import replace

import make_runs
import pytest
from store_makers import run_of, same

from enginelog import compare, report
from enginelog.model import UsageError
from enginelog.store import NotInStoreError, words

BEFORE, AFTER = make_runs.hunting_pump, make_runs.healthy_generator


@pytest.fixture
def job(store):
    """A job with a run before and one after, a failed check and a part."""
    number = store.take_in(store.remember("pump Heron", kind="pump", cost_limit_cents=1000)).id
    store.attach(number, run_of(b"before", BEFORE), "before")
    store.attach(number, run_of(b"after", AFTER), "after")
    store.tick(number, "spark", "fail", "plug black")
    store.add_work(number, "part", "spark plug", 900, 10)
    return number


def test_a_run_taken_back_counts_nowhere_and_comes_back_as_it_was(store, job):
    whole, page = store.record(job), report.hand_back_html(store.record(job))
    assert compare.of_job(whole).comparison is not None
    store.drop("run", 2, why="  wrong\n job ")
    record = store.record(job)
    assert [run.id for run in record.runs] == [1] and compare.of_job(record).comparison is None
    assert [run.id for visit in store.history("pump Heron").visits for run in visit.runs] == [1]
    assert "It runs better" in page and "It runs better" not in report.hand_back_html(record)
    with pytest.raises(UsageError, match="run 2 is taken back"):
        store.counting_run(2)
    [gone] = store.taken_back(job)
    assert (gone.kind, gone.entry.id, gone.why) == ("run", 2, "wrong job") and gone.at == store.run(2).dropped
    store.drop("run", 2, undo=True)
    assert store.taken_back(job) == () and report.hand_back_html(store.record(job)) == page
    assert [(what, detail) for _, what, detail in store.events(job)][-2:] == [
        ("dropped", "run 2: wrong job"), ("brought back", "run 2")]  # fmt: skip


def test_checks_and_work_taken_back_count_neither_in_costs_nor_in_what_to_check_next(store, job):
    before = report.suggestion(store.record(job)).text
    assert words.limit_warning(store.record(job)) and "spark plug" in report.hand_back_text(store.record(job))
    store.drop("check", 1, why="meant the other saw")
    store.drop("work", 1)
    record = store.record(job)
    assert record.cost_cents == record.minutes == 0 and not words.limit_warning(record)
    assert report.suggestion(record).text != before
    assert "spark plug" not in report.hand_back_text(record) and "plug black" not in report.hand_back_html(record)
    assert [(each.kind, each.why) for each in store.taken_back(job)] == [("check", "meant the other saw"), ("work", "")]


def test_the_reason_of_the_last_time_is_told_and_all_stay_among_the_events(store, job):
    for why in ("wrong job", "", "made twice: by two of us"):
        store.drop("work", 1, why=why)
        assert [each.why for each in store.taken_back(job)] == [why]
        store.drop("work", 1, undo=True)
    told = [detail for _, what, detail in store.events(job) if what == "dropped"]
    assert told == ["work 1: wrong job", "work 1", "work 1: made twice: by two of us"]


def test_the_same_recording_is_attached_to_a_job_once(store, job):
    with pytest.raises(UsageError, match="hash is known.*run 1, before the work"):
        store.attach(job, run_of(b"before", BEFORE), "after")
    assert len(store.record(job).runs) == 2
    other = store.take_in("pump Heron").id
    store.attach(other, run_of(b"before", BEFORE), "before")  # another job may hold it, too
    store.drop("run", 1, why="it was after the work")
    again = store.attach(job, run_of(b"before", BEFORE), "after")
    with pytest.raises(UsageError, match=f"run {again.id}, after the work"):
        store.drop("run", 1, undo=True)
    assert [each.entry.id for each in store.taken_back(job)] == [1]
    store.drop("run", again.id)
    store.drop("run", 1, undo=True)


@pytest.mark.parametrize("kind", ["run", "check", "work", "job"])
def test_what_is_as_asked_for_already_is_said_and_keeps_its_time(store, job, kind):
    with pytest.raises(UsageError, match="counts already"):
        store.drop(kind, 1, undo=True)
    store.drop(kind, 1)
    events = store.events(job)
    with pytest.raises(UsageError, match="taken back already"):
        store.drop(kind, 1, why="again")
    assert store.events(job) == events


def test_a_reason_too_long_changes_nothing(store, job):
    with pytest.raises(UsageError, match="reason"):
        store.drop("work", 1, why="x" * 401)
    assert store.record(job).cost_cents == 900 and store.taken_back(job) == ()


def test_a_run_is_moved_to_the_job_where_it_belongs_with_its_recording(store, job, tmp_path):
    clip = tmp_path / "wrong.m4a"
    clip.write_bytes(b"elsewhere")
    wrong = store.attach(job, run_of(b"elsewhere", AFTER), "after", ("warm",), "windy", clip)
    other = store.take_in(store.remember("saw Thistle")).id
    made = store.move_run(wrong.id, other)
    assert (made.job_id, made.stage, made.conditions, made.note, made.at) == (
        other, "after", ("warm",), "windy", wrong.at)  # fmt: skip
    assert store.recording(made.id).read_bytes() == b"elsewhere" and same(made.run, wrong.run)
    assert [run.id for run in store.record(job).runs] == [1, 2]
    assert [(each.entry.id, each.why) for each in store.taken_back(job)] == [
        (wrong.id, f"moved to job {other} as run {made.id}")]  # fmt: skip
    assert store.verify() == ()


def test_a_moved_run_keeps_its_results_and_when_each_was_made(store, job):
    """By the time of the first it is judged whether anybody told when the run was recorded."""
    store.add_analysis(1, replace(run_of(b"before", BEFORE), program_version="9.9"))
    old = store.run(1)
    made = store.move_run(1, store.take_in("pump Heron").id)
    kept = [(each.at, each.program_version, each.figures) for each in (*old.earlier, old.analysis)]
    assert [(each.at, each.program_version, each.figures) for each in (*made.earlier, made.analysis)] == kept
    assert len(kept) == 2 and same(store.analysed(made.earlier[0].id), store.analysed(old.earlier[0].id))
    assert store.verify() == ()


def test_a_run_that_cannot_be_moved_stays_where_it_is(store, job):
    other = store.take_in("pump Heron").id
    store.attach(other, run_of(b"before", BEFORE), "before")
    for number in (job, other):  # its own job, and one that holds the recording already
        with pytest.raises(UsageError, match="already"):
            store.move_run(1, number)
    with pytest.raises(NotInStoreError):
        store.move_run(1, 99)
    assert [run.id for run in store.record(job).runs] == [1, 2] and store.taken_back(job) == ()
    assert len(store.record(other).runs) == 1


def test_a_run_taken_back_already_is_moved_too(store, job):
    store.drop("run", 1, why="wrong job")
    other = store.take_in("pump Heron").id
    assert store.move_run(1, other).job_id == other
    assert [each.why for each in store.taken_back(job)] == ["wrong job"]


def test_a_note_taken_back_counts_nowhere_and_keeps_its_place(store, job):
    for text, for_owner in (("tank half empty", False), ("empty the tank", True), ("blade blunt", False)):
        store.add_notes(job, text, for_owner)
    before = store.job(job).note
    store.drop_note(job, 2, why="said by the owner of the other: twice")
    record = store.record(job)
    assert [(each.id, each.text) for each in record.job.notes] == [
        (f"{job}.1", "tank half empty"), (f"{job}.3", "blade blunt")]  # fmt: skip
    for audience in ("owner", "bench"):
        assert "empty the tank" not in report.hand_back_html(record, audience)
    assert "blade blunt" in report.hand_back_html(record, "bench")
    assert not store.jobs("empty the tank") and store.jobs("blade blunt")
    [gone] = store.taken_back(job)
    assert (gone.kind, gone.entry.id, gone.entry.text) == ("note", f"{job}.2", "For the owner: empty the tank")
    assert gone.why == "said by the owner of the other: twice"
    with pytest.raises(UsageError, match="is taken back already"):
        store.drop_note(job, 2)
    store.add_notes(job, "one more")
    store.drop_note(job, 2, undo=True)
    assert store.job(job).note == before + "\none more" and not store.taken_back(job)
    assert store.job(job).notes_for_owner == ("empty the tank",)
    with pytest.raises(UsageError, match="counts already"):
        store.drop_note(job, 2, undo=True)
    for number in (0, 5, 10**6):
        with pytest.raises(NotInStoreError, match="has no note"):
            store.drop_note(job, number)


def test_purge_deletes_notes_taken_back_and_the_others_keep_their_numbers(store, job):
    for text in ("first", "second", "third"):
        store.add_notes(job, text)
    store.drop_note(job, 1)
    assert store.purge(older_than_days=1).notes == 0 and len(store.taken_back(job)) == 1
    assert store.purge().notes == 1 and not store.taken_back(job)
    assert [each.id for each in store.job(job).notes] == [f"{job}.2", f"{job}.3"]


def test_a_purged_note_is_gone_from_what_was_kept_of_changes_and_from_the_search(store, job):
    """Each further note leaves the notes before it among the job's events."""
    store.add_notes(job, "kept: the cord is new")
    store.add_notes(job, "a telephone number, 555 0100", for_owner=True)
    store.add_notes(job, "a third one")
    store.change_job(job, complaint="smokes; note was: nothing")
    store.drop_note(job, 2)
    assert store.jobs("telephone number") or "555 0100" in str(store.events(job))
    store.purge()
    store.change_job(job, add_note="and a fourth")
    assert "555 0100" not in str(store.events(job)) and not store.jobs("telephone number")
    assert "kept: the cord is new" in str(store.events(job))
    assert b"555 0100" not in b"".join(path.read_bytes() for path in store.path.parent.rglob("*") if path.is_file())
