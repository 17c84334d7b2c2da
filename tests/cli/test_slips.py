"""Slips that stand on record and are said at once: a date before the take-in, a job handed back, another currency.

No outside source: the job record's own promises. The analysis is replaced by hand-built runs.
"""

import os
import re
import time
from dataclasses import replace
from pathlib import Path

import make_runs
import pytest

from enginelog import analysis
from enginelog.cli import main


@pytest.fixture
def call(tmp_path, monkeypatch, capsys):
    """Run a command on a job record of its own, in which job 1 was taken in on 2026-04-11; (status, out, err)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    made = {"before.wav": make_runs.hunting_pump(), "after.wav": make_runs.healthy_generator()}
    for name in made:
        Path(name).write_bytes(name.encode())

    def analyse(source, engine, name=None, progress=None, ran=False):
        from hashlib import sha256

        run, content = made[Path(source).name], Path(source).read_bytes()
        return replace(run, clip=replace(run.clip, name=Path(source).name, sha256=sha256(content).hexdigest()))

    monkeypatch.setattr(analysis, "analyse", analyse)

    def run(*arguments):
        status = main(list(arguments))
        return status, *map(" ".join, (each.split() for each in capsys.readouterr()))

    assert run("take-in", "pump Heron", "--machine", "pump", "--strokes", "4", "--at", "2026-04-11T18:00")[0] == 0
    return run


ENTRIES = [
    ("work", "1", "--part", "spark plug", "--cost", "4.50"),
    ("tick", "1", "spark", "pass"),
    ("attach", "1", "before.wav", "--stage", "before"),
]


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry[0])
def test_an_entry_dated_before_the_day_of_the_take_in_is_kept_and_doubted(call, entry):
    status, out, err = call(*entry, "--at", "2025-04-12")
    assert status == 0 and "note: dated 2025-04-12, before job 1 was taken in (2026-04-11)" in err
    assert "2025-04-12" in call("job", "1")[1]


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry[0])
def test_on_the_day_of_the_take_in_nothing_is_doubted(call, entry):
    assert call(*entry, "--at", "2026-04-11")[2] == ""


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry[0])
def test_an_entry_for_a_job_handed_back_says_so(call, entry):
    assert call("hand-back", "1", "--at", "2026-04-12")[0] == 0
    status, _, err = call(*entry, "--at", "2026-04-13")
    assert status == 0 and "job 1 was handed back 2026-04-12" in err and "enginelog reopen 1" in err
    call("reopen", "1", "--at", "2026-04-14")
    assert "handed back" not in call("note", "1", "lid is loose")[2]


def test_past_a_limit_nobody_is_to_be_asked_once_the_machine_is_handed_back(call):
    call("machine", "pump Heron", "--cost-limit", "4")
    assert "0.50 EUR past the limit of 4.00 EUR: ask the owner first" in call(*ENTRIES[0])[1]
    call("hand-back", "1")
    out = call("job", "1")[1]
    assert "0.50 EUR past the limit of 4.00 EUR" in out and "ask" not in out


def test_costs_on_record_in_another_currency_are_said_to_be_as_they_were(call):
    assert call("machine", "pump Heron", "--currency", "GBP")[2] == ""  # nothing was written down yet
    call(*ENTRIES[0])
    told = "4.50 in all, were written down in GBP and stand in USD now: nothing is converted"
    assert told in call("machine", "pump Heron", "--currency", "USD")[2]
    assert "in USD and stand in GBP now" in call("take-in", "pump Heron", "--currency", "GBP")[2]
    assert "stand in" not in call("take-in", "pump Heron", "--currency", "GBP")[2]


def test_a_time_before_the_take_in_is_refused_in_the_words_it_was_given(call):
    status, _, err = call("close", "1", "--at", "2026-04-11T09:30")
    assert status == 2 and "2026-04-11 09:30 given, but it was taken in 2026-04-11 18:00" in err


def test_a_before_dated_after_the_after_is_pointed_out(call):
    call("attach", "1", "before.wav", "--stage", "before", "--at", "2026-04-20")
    call("attach", "1", "after.wav", "--stage", "after", "--at", "2026-04-12")
    status, out, _ = call("compare", "--job", "1")
    assert status == 3 and "Run 1, from before the work, was recorded 2026-04-20 00:00, later than run 2" in out
    out = call("compare", "--run", "1", "--run", "2")[1]
    assert "from before is dated 2026-04-20, later than the one from after, 2026-04-12: a slip?" in out
    assert "a slip?" not in call("compare", "--run", "2", "--run", "1")[1]


def test_recordings_that_no_entry_knows_are_told_of_before_they_are_purged(call, tmp_path):
    """An older copy of the job record, put in place by hand, knows nothing of what was attached since."""
    store = tmp_path / "shed.enginelog"
    call("jobs")
    older = store.read_bytes()
    call(*ENTRIES[2])
    store.write_bytes(older)
    left = next(Path(f"{store}.files").iterdir())
    assert call("verify")[2] == "" and "no entry" not in call("purge")[2]  # young: it may just be attached
    os.utime(left, (0, 0))
    status, out, err = call("verify")
    assert status == 0 and "nothing wrong found" in out
    assert "note: no entry knows 1 file in" in err and left.name in err and "'enginelog purge' deletes it" in err
    assert "it takes 1 file that no entry knows, too" in call("purge")[2] and left.exists()


@pytest.fixture
def berlin(monkeypatch):
    """The clock of Central Europe: in 2026 put forward on 29 March, back on 25 October (directive 2000/84/EC)."""
    if not hasattr(time, "tzset"):
        pytest.skip("this system sets no zone for one program")
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    "given, said",
    [
        ("2026-03-29T02:30", r"2026-03-29 02:30 does not exist by this machine's clock, which was put forward then; "
         r"kept as (01:30 \(\+01:00\)|03:30 \(\+02:00\))"),
        ("2026-10-25T02:30", r"2026-10-25 02:30 comes twice by this machine's clock, which was put back then; the "
         r"first is taken \(\+02:00\): for the second, give its zone: 2026-10-25T02:30\+01:00"),
        ("2026-03-29T01:59", ""), ("2026-03-29T03:00", ""), ("2026-10-25T01:59", ""), ("2026-10-25T03:00", ""),
        ("2026-10-25T02:30+01:00", ""), ("2026-03-29", ""),
    ],
)  # fmt: skip
def test_a_time_that_the_clock_leaves_out_or_shows_twice_is_remarked_upon(call, berlin, given, said):
    status, _, err = call("work", "1", "--part", "plug", "--at", given)
    notes = "".join(each for each in err.split("note: ") if "clock" in each)
    assert status == 0 and re.fullmatch(said, notes.strip())
