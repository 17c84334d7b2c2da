"""Many recordings analysed again in one call: each has its line, one that fails stops no other, nothing old is lost."""

import pytest
from test_job_commands import _pressed, analysis, call, clip, document, job  # noqa: F401 (fixtures)

from enginelog.store import Store, open_store


@pytest.fixture
def shed(call, analysis, job):  # noqa: F811
    """Job 1 with runs 1 and 2, job 2 with runs 3 (no copy kept) and 4; then another version is at work."""
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    call("attach", "1", clip(b"well", "well.m4a"), "--stage", "after")
    call("take-in", "pump Heron", "--complaint", "surges")
    call("attach", "2", clip(b"pulls", "pulls.m4a"), "--stage", "before", "--no-copy")
    call("attach", "2", clip(b"talk", "talk.m4a"), "--stage", "before")
    analysis.version = "0.9.0"
    return call


def analysed() -> list[int]:
    """How many results each run has."""
    with open_store() as store:
        return [len(store.run(number, whole=False).earlier) + 1 for number in (1, 2, 3, 4)]


def test_several_runs_have_a_line_each_and_keep_what_was_before(shed):
    status, out, err = shed("reanalyse", "2", "1", "2")
    lines = [line for line in out.splitlines() if not line.startswith(" ")]
    assert (status, err) == (0, "") and analysed() == [2, 2, 1, 1]
    assert lines[0].startswith("[+] Run 2, job 1, after (well.m4a): ")
    assert lines[1].startswith("[X] Run 1, job 1, before (clip.m4a): ")
    assert out.count("As before.") == 2
    assert lines[2] == "2 recordings analysed again; the earlier results stay."
    assert all(len(line) <= 80 for line in out.splitlines())
    with open_store() as store:
        assert [each.program_version for each in store.run(1).earlier] == ["0.1.0"]


def test_what_was_heard_before_is_said_where_it_was_something_else(shed, monkeypatch):
    import make_runs
    import test_job_commands

    monkeypatch.setitem(test_job_commands.RUNS, b"hunts", make_runs.healthy_generator)
    out = " ".join(shed("reanalyse", "1", "2")[1].split())
    was = make_runs.hunting_pump().measures.speed.rpm
    assert "Run 1, job 1, before (clip.m4a): 3147 rpm" in out and f"Before: {was:.0f} rpm" in out
    assert out.count("As before.") == 1


def test_a_job_is_taken_whole_but_for_what_was_not_kept(shed):
    status, out, err = shed("reanalyse", "--job", "2")
    assert status == 3 and analysed() == [1, 1, 1, 2]  # in run 4 there is nothing to analyse
    assert "Run 4, job 2, before (talk.m4a): no engine heard" in " ".join(out.split())
    assert err == "note: run 3 left out: no copy was kept; with the original: enginelog reanalyse 3 --from CLIP\n"


def test_all_of_all_jobs_and_only_those_that_are_outdated(shed, analysis):  # noqa: F811
    from enginelog import __version__

    assert shed("reanalyse", "--all")[0] == 3 and analysed() == [2, 2, 1, 2]
    analysis.version = __version__
    shed("reanalyse", "1", "2")
    status, out, _ = shed("reanalyse", "--all", "--outdated")
    assert analysed() == [3, 3, 1, 3] and out.endswith("1 recording analysed again; the earlier results stay.\n")
    assert shed("reanalyse", "--all", "--outdated")[:2] == (0, "Nothing to analyse again.\n")
    shed("machine", "tiller Marigold", "--strokes", "2", "--firing-angles", "0")
    assert shed("reanalyse", "--job", "1", "--outdated")[0] == 0 and analysed() == [4, 4, 1, 3]
    assert [engine.strokes for engine in analysis.engines[-2:]] == [2, 2]


def test_each_job_is_read_once_to_choose_and_not_again_for_each_run(shed, monkeypatch):
    read = counted(monkeypatch, "record")
    assert shed("reanalyse", "--all")[0] == 3 and sorted(read) == [1, 2]
    read.clear()
    assert shed("reanalyse", "--all", "--outdated")[0] == 3 and sorted(read) == [1, 2]


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_one_job_is_shown_from_one_reading(shed, monkeypatch, options):
    read, runs = counted(monkeypatch, "record"), counted(monkeypatch, "analysed")
    status, out, _ = shed("job", "1", *options)
    assert (status, read) == (0, [1]) and len(runs) == 2
    assert not options or all(run["run"] is None for run in document(out)["record"]["runs"])


def counted(monkeypatch, name: str) -> list:
    """What this method of the store is asked for, in order."""
    asked, method = [], getattr(Store, name)

    def counting(self, first, *more, **named):
        asked.append(first)
        return method(self, first, *more, **named)

    monkeypatch.setattr(Store, name, counting)
    return asked


@pytest.mark.parametrize("fault", ["gone", "odd", "unreadable"])
def test_one_that_fails_does_not_stop_the_others(shed, analysis, monkeypatch, fault):  # noqa: F811
    with open_store() as store:
        path = store.recording(1)
    if fault == "gone":
        path.unlink()
    elif fault == "unreadable":
        path.write_bytes(b"disk")
    else:
        path.write_bytes(b"what no analysis was made for")
    status, out, err = shed("reanalyse", "--all")
    assert status == 4 and analysed() == [1, 2, 1, 2]
    assert "enginelog: run 1: not analysed again: " in err and err.count("\n") == 2 and "Traceback" not in err
    assert out.endswith("2 of 3 recordings analysed again; the earlier results stay, and 1 kept the one it had.\n")


def test_json_holds_a_list_with_the_problem_of_each_that_failed(shed):
    status, out, err = shed("reanalyse", "1", "3", "--json")
    made = document(out)
    assert status == 4 and [each["id"] for each in made] == [1, 3]
    assert made[0]["analysis"]["program_version"] == "0.9.0" and made[0]["run"] is None
    assert "no copy of pulls.m4a was kept" in made[1]["problem"] and "run 3: not analysed again" in err


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((), "no run given"),
        (("1", "99"), "no run 99"),
        (("--job", "7"), "no job 7"),
        (("1", "2", "--ran"), "--ran given"),
        (("--job", "1", "--from", "clip.m4a"), "--from given"),
        (("--all", "--ran"), "--ran given"),
    ],
)
def test_a_wrong_call_begins_nothing(shed, given, said):
    status, out, err = shed("reanalyse", *given)
    assert (status, out, err.count("\n")) == (2, "", 1) and said in err
    assert analysed() == [1, 1, 1, 1]


def test_ctrl_c_says_how_far_it_came_and_how_to_go_on(shed, monkeypatch):
    from enginelog.cli import again

    whole, seen = again.analysed_again, []

    def second_is_stopped(*given, **named):
        seen.append(1)
        return whole(*given, **named) if len(seen) == 1 else _pressed()

    monkeypatch.setattr(again, "analysed_again", second_is_stopped)
    status, _, err = shed("reanalyse", "--all")
    assert status == 130 and "stopped; 1 of 3 recordings done" in err and "--outdated" in err
    assert sum(analysed()) == 5


def test_a_full_disk_ends_it_at_once(shed, monkeypatch):
    from enginelog.store import Store, StoreNotWrittenError

    def full(*given):
        raise StoreNotWrittenError("shed.enginelog: not kept: the disk is full; make room and enter it again")

    monkeypatch.setattr(Store, "add_analysis", full)
    status, out, err = shed("reanalyse", "1", "2")
    assert (status, out) == (1, "") and err.count("\n") == 1 and "disk is full" in err


def test_that_an_engine_ran_need_not_be_told_again(shed, monkeypatch):
    import sys
    from dataclasses import replace

    told, module = [], sys.modules["enginelog.analysis"]
    plain = module.analyse

    def analyse(source, engine, name=None, progress=None, ran=False):
        told.append(ran)
        run = plain(source, engine, name, progress, ran)
        return replace(run, timeline=replace(run.timeline, engine_heard=ran))

    monkeypatch.setattr(module, "analyse", analyse)
    for given in (("4", "--ran"), ("4",), ("1", "4")):
        shed("reanalyse", *given)
    assert told == [True, True, False, True]


def test_the_job_names_one_command_for_all_that_is_to_be_analysed_again(shed):
    shed("machine", "tiller Marigold", "--rated-rpm", "3000")
    assert "enginelog reanalyse 1 2" in " ".join(shed("job", "1")[1].split())
