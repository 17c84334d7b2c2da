"""A machine's clock that is behind (none of its own battery), and a time zone that cannot be.

No outside source: the job record's own promises.
"""

import os
import time
from datetime import UTC, datetime, timedelta

import pytest

from enginelog.cli import main
from enginelog.model import Moment, UsageError
from enginelog.store import hand_back_with, moments, open_store, words

TAKEN_IN = datetime(2026, 11, 2, 10, 0, tzinfo=UTC)


class Clock:
    def __init__(self) -> None:
        self.shows = TAKEN_IN

    def __call__(self) -> Moment:
        return moments.moment(self.shows)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def store(tmp_path, clock):
    with open_store(tmp_path / "shed.enginelog", clock=clock) as opened:
        yield opened


@pytest.fixture
def job(store):
    return store.take_in(store.remember("pump Heron", kind="pump"), "hunts")


def test_a_clock_that_is_behind_is_no_dead_end(store, clock, job):
    """'A later time expected with --at', of a bench page that has no such field."""
    clock.shows -= timedelta(days=3)
    for change in (store.wait, store.finish, store.hand_back, store.reopen):
        assert change(job.id).since == job.opened
    page = []
    record = hand_back_with(store, job.id, ("", "", ""), lambda planned: page.append(planned.job.handback.at) or "x")
    assert page == [record.job.handback.at] == [job.opened], "the page that goes along bears the same date"
    assert not store.verify()


def test_a_time_that_was_told_is_not_changed_but_refused(store, clock, job):
    with pytest.raises(UsageError, match="2026-11-02 09:59 given, but it was taken in 2026-11-02 10:00"):
        store.finish(job.id, at=moments.given("2026-11-02T09:59Z"))
    assert store.finish(job.id, at=moments.given("2026-11-02T08:00-02:00")).since.zone == "-02:00", "the same moment"


@pytest.mark.parametrize("told", [None, "2026-11-02T10:30Z"])
def test_a_job_is_reopened_no_earlier_than_it_was_handed_back(store, clock, job, told):
    """A recording from before the hand-back is then known as one from before it came back."""
    clock.shows += timedelta(hours=2)
    back = store.hand_back(job.id)
    clock.shows -= timedelta(minutes=90)
    store.reopen(job.id, at=told and moments.given(told))
    assert store.record(job.id).reopened == back.handback.at
    clock.shows += timedelta(hours=3)
    store.hand_back(job.id)
    assert store.reopen(job.id).since == clock() == store.record(job.id).reopened


@pytest.fixture
def ahead(tmp_path, monkeypatch):
    """The command line on a job record whose job 1 was taken in two days after what the clock shows now."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    taken_in = moments.moment(datetime.now(UTC) + timedelta(days=2))
    with open_store(clock=lambda: taken_in) as store:
        store.take_in(store.remember("pump Heron", kind="pump"), "hunts")
    return taken_in


def test_the_clock_is_named_where_a_state_is_entered(ahead, capsys):
    for command in (["wait", "1"], ["close", "1"], ["hand-back", "1"]):
        assert main([*command]) == 0
        err = " ".join(capsys.readouterr().err.split())
        assert "note: by this machine's clock it is" in err and "set the clock" in err
        assert f"job 1 was taken in {ahead.local:%Y-%m-%d %H:%M}" in err
    assert main(["reopen", "1", "--at", ahead.utc]) == 2, "two days ahead is no time to tell"


def test_nothing_is_said_of_a_clock_that_goes_right(store, clock, job):
    assert not words.clock_behind(job) and not words.clock_behind(store.finish(job.id))


@pytest.fixture
def no_zone(monkeypatch):
    """TZ as a slip leaves it: ISO 8601 knows no offset of a day and more."""
    if not hasattr(time, "tzset"):
        pytest.skip("this system sets no zone for one program")
    monkeypatch.setenv("TZ", "UTC+99")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("command", [["take-in", "pump Heron"], ["take-in", "pump Heron", "--at", "2026-04-11T09:00"]])
def test_a_time_zone_that_cannot_be_is_named(no_zone, command, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    assert main(command) == 2
    err = capsys.readouterr().err
    assert "time zone cannot be" in err and os.environ["TZ"] in err and err.count("\n") == 1 and "fault in" not in err


def test_a_time_with_its_zone_needs_none_of_the_machine(no_zone):
    assert moments.given("2026-04-11T09:00+02:00") == Moment("2026-04-11T07:00:00Z", "+02:00")
