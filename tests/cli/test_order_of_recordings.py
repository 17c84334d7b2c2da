"""Commands on a job whose recordings were not made in the order of their stages: said by each of them, never guessed.

Design of our own, no outside source.
"""

from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import make_runs
import pytest

from enginelog import analysis
from enginelog.cli import main

HUNTS, WELL, BACK = "hunts.wav", "well.wav", "back.wav"


@pytest.fixture
def call(tmp_path, monkeypatch, capsys):
    """Run a command on a job record of its own, in which jobs 1 and 2 were taken in; (status, out, err)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    made = {HUNTS: make_runs.hunting_pump(), WELL: make_runs.healthy_generator(), BACK: make_runs.hunting_pump(),
            "dated.m4a": make_runs.healthy_generator()}  # fmt: skip
    for name in made:
        Path(name).write_bytes(name.encode())

    def analyse(source, engine, name=None, progress=None, ran=False):
        run, content = made[Path(source).name], Path(source).read_bytes()
        date = "2026-04-10T09:00:00+00:00" if source == "dated.m4a" else None
        clip = replace(run.clip, name=Path(source).name, sha256=sha256(content).hexdigest(), recorded_at=date)
        return replace(run, clip=clip, engine=engine)

    monkeypatch.setattr(analysis, "analyse", analyse)

    def run(*arguments):
        status = main(list(arguments))
        return status, *map(" ".join, (each.split() for each in capsys.readouterr()))

    for label in ("pump Plover", "pump Heron"):
        assert run("take-in", label, "--machine", "pump", "--strokes", "4", "--at", "2026-04-11T07:00")[0] == 0
    return run


@pytest.fixture
def mended(call):
    """Hunting, screw tightened, well, handed back."""
    call("attach", "1", HUNTS, "--stage", "before", "--at", "2026-04-11T07:30")
    call("work", "1", "--labour", "screw tightened", "--at", "2026-04-11T08:00")
    assert "go back" in call("attach", "1", WELL, "--stage", "after", "--at", "2026-04-11T08:30")[1]
    assert call("hand-back", "1", "--at", "2026-04-11T09:00")[0] == 0
    return call


def test_a_machine_that_came_back_on_the_same_day_is_not_called_mended_by_any_command(mended):
    """All of it on one day: dates alone could not tell which was first, and nothing was asked."""
    call = mended
    assert call("reopen", "1", "--at", "2026-04-11T15:00")[0] == 0
    status, out, err = call("attach", "1", BACK, "--stage", "before", "--at", "2026-04-11T15:30")
    line = ("Run 3, from before the work, was recorded 2026-04-11 15:30, later than run 2, from after it (recorded "
            "2026-04-11 08:30): has it come back, are the two swapped, or was a clock wrong?")  # fmt: skip
    assert status == 0 and line in err and "go back" not in out
    out = call("job", "1")[1]
    assert line in out and "go back" not in out
    status, out, _ = call("compare", "--job", "1")
    assert status == 3 and line in out and "made earlier than run 3" in out
    status, _, err = call("hand-back", "1")
    assert status == 2 and line in err
    text = call("hand-back", "1", "--text")[1]
    assert "pump Plover: a fault can be heard: hunting." in text and "better" not in text and "none heard" not in text
    owner = call("hand-back", "1", "--yes", "--out", "out")[1]
    assert "better" not in owner and "swapped" not in Path("out/owner.html").read_text()


def test_a_reopened_job_alone_is_asked_about(mended):
    call = mended
    call("reopen", "1", "--at", "2026-04-11T15:00")
    assert "before the job was reopened (2026-04-11 15:00)" in call("job", "1")[1]
    status, _, err = call("hand-back", "1")
    assert status == 2 and "has it come back" in err
    assert "not recorded since the job was reopened" in call("hand-back", "1", "--text")[1]


def test_a_job_that_was_only_done_and_opened_again_was_never_away(call):
    call("attach", "1", WELL, "--stage", "after", "--at", "2026-04-11T08:30")
    call("close", "1", "--at", "2026-04-11T09:00")
    call("reopen", "1", "--at", "2026-04-11T15:00")
    assert "can go back" in call("job", "1")[1]


def test_a_hand_back_dated_before_what_it_reports_is_asked_about(call):
    """A date alone is its midnight: the hand-back stood on record before the work and both recordings of that day."""
    call("attach", "1", WELL, "--stage", "after", "--at", "2026-04-12T08:30")
    status, _, err = call("hand-back", "1", "--at", "2026-04-12")
    assert status == 2 and "dated 2026-04-12 00:00, before run 1 (2026-04-12 08:30): a slip?" in err
    assert call("hand-back", "1", "--at", "2026-04-12T09:00")[0] == 0


def test_a_run_whose_file_says_another_date_is_shown_with_both(call):
    call("attach", "1", "dated.m4a", "--stage", "after")
    assert "(by its file 2026-04-10) after: dated.m4a" in call("job", "1")[1]
    call("attach", "2", "dated.m4a", "--stage", "after", "--at", "2026-04-12T08:30")
    assert "by its file" not in call("job", "2")[1], "the time was told"


def test_a_moved_run_keeps_its_date_and_the_doubt_of_it(call):
    """Whether somebody told when it was recorded: a move tells nothing of that, however long after it is made."""
    from enginelog.compare import dates
    from enginelog.model import Moment
    from enginelog.store import open_store

    call("attach", "2", "dated.m4a", "--stage", "after")
    call("attach", "2", WELL, "--stage", "after")
    call("attach", "2", BACK, "--stage", "before", "--at", "2026-04-11T07:30")
    with open_store(Path("shed.enginelog"), clock=lambda: Moment("2099-01-01T00:00:00Z", "+00:00")) as store:
        made = [dates.made(store.run(number)) for number in (1, 2, 3)]
        moved = [dates.made(store.move_run(number, 1)) for number in (1, 2, 3)]
    assert [(each.known, each.by_file) for each in made] == [(True, True), (False, False), (True, False)]
    assert moved == made


def test_move_says_what_attach_says_of_the_date(mended):
    call = mended
    call("attach", "2", BACK, "--stage", "before", "--at", "2026-04-10T15:30")
    _, out, err = call("move", "3", "1")
    assert "Run 3 is run 4 of job 1 now" in out
    assert "dated 2026-04-10, before job 1 was taken in (2026-04-11)" in err and "handed back 2026-04-11" in err
    assert "later than run" not in err
    call("drop", "run", "4")
    call("attach", "2", BACK, "--stage", "before", "--at", "2026-04-11T15:30")
    assert "recorded 2026-04-11 15:30, later than run 2" in call("move", "5", "1")[2]
