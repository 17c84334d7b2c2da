"""`enginelog compare` and `enginelog hand-back` from the command line; the analysis is replaced by hand-built runs."""

import io
import json
import sys
from dataclasses import replace
from html import unescape
from pathlib import Path

import make_runs
import pytest

from enginelog import analysis
from enginelog.cli import main

RUNS = {"hunts": make_runs.hunting_pump, "good": make_runs.healthy_generator, "pulls": make_runs.pulls_only,
        "poor": make_runs.unusable_clip}  # fmt: skip


@pytest.fixture
def shed(tmp_path, monkeypatch):
    """A folder with recordings `hunts.wav`, `good.wav` ... whose analysis is at hand, and a store of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.db"))
    for name in RUNS:
        Path(f"{name}.wav").write_bytes(name.encode())

    def analyse(source, engine, name=None, progress=None, ran=False):
        import hashlib

        data = Path(str(source)).read_bytes()
        run = RUNS[data.decode()]()
        clip = replace(run.clip, name=Path(str(source)).name, sha256=hashlib.sha256(data).hexdigest())
        return replace(run, clip=clip, engine=engine)

    monkeypatch.setattr(analysis, "analyse", analyse)
    return tmp_path


@pytest.fixture
def job(shed, capsys):
    """Job 1 with its recordings, before and after, as runs 1 and 2."""
    assert main(["take-in", "pump Heron", "--machine", "pump", "--complaint", "surges", "--cost-limit", "30"]) == 0
    assert main(["attach", "1", "hunts.wav", "--stage", "before", "--conditions", "cold"]) == 0
    assert main(["attach", "1", "good.wav", "--stage", "after", "--conditions", "warm"]) == 0
    capsys.readouterr()
    return 1


def test_two_recordings(shed, capsys):
    assert main(["compare", "hunts.wav", "good.wav"]) == 0
    out = capsys.readouterr().out
    assert "Before  hunts.wav" in out and "After   good.wav" in out and "[+] Better: Hunting. 6.9 % before" in out
    assert max(map(len, out.splitlines())) <= 80


def test_last_season_and_this_one_are_told_apart(shed, capsys):
    """The newest "before" is this season's, held against last season's "after": which is which is said."""
    for year, clip, stage in ((2024, "hunts", "before"), (2024, "good", "after"), (2025, "hunts", "before")):
        if stage == "before":
            assert main(["take-in", "pump Heron", "--complaint", "surges", "--at", f"{year}-04-01"]) == 0
        job, at = str(year - 2023), f"{year}-04-02T09:00"
        assert main(["attach", job, f"{clip}.wav", "--stage", stage, "--at", at]) == 0
    capsys.readouterr()
    assert main(["compare", "--run", "2", "--run", "3"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Worse: hunting" in out and "Here 'before' is run 2, 2024-04-02, after the work of job 1," in out
    assert "and 'after' is run 3, 2025-04-02, before the work of job 2." in out
    assert main(["compare", "--run", "1", "--run", "2"]) == 0
    assert "Here 'before'" not in capsys.readouterr().out, "of one job's work nothing has to be said"


def test_runs_of_two_machines_are_not_held_against_each_other(job, capsys):
    """Two machines that differ in kind alone: the one did not start, the other runs, and nothing was mended."""
    assert main(["take-in", "tiller Marigold", "--machine", "tiller", "--complaint", "dead"]) == 0
    assert main(["attach", "2", "good.wav", "--stage", "after"]) == 0
    capsys.readouterr()
    assert main(["compare", "--run", "1", "--run", "3"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and "run 1 is of 'pump Heron' and run 3 of 'tiller Marigold', two runs of one machine" in err


def test_json(shed, capsys):
    assert main(["compare", "hunts.wav", "good.wav", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "enginelog/comparison/1" and found["comparable"] and found["verdict"] == "better"
    hunting = next(one for one in found["measures"] if one["code"] == "hunting")
    assert hunting["low"] <= hunting["difference"] <= hunting["high"] < 0 and hunting["verdict"] == "better"
    assert found["limits_used"]["compare.draws"] == 1000 and found["before"]["name"] == "hunts.wav"


def test_pulls_before(shed, capsys):
    assert main(["compare", "pulls.wav", "good.wav"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "It runs now. Before: did not start (5 pulls)." in out
    assert out.count("Before: did not start") == 1, "once is enough"


def test_not_comparable_is_status_3_with_the_advice(shed, capsys):
    assert main(["compare", "hunts.wav", "poor.wav"]) == 3
    said = capsys.readouterr()
    assert "cannot be compared" in said.out and "Record the run after again" in " ".join(said.out.split())
    assert said.err.startswith("enginelog: nothing to compare")
    assert main(["compare", "hunts.wav", "poor.wav", "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["comparable"] is False


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ([], "give two recordings"),
        (["hunts.wav"], "two expected"),
        (["hunts.wav", "good.wav", "poor.wav"], "two expected"),
        (["hunts.wav", "good.wav", "--job", "1"], "only one"),
        (["--run", "1"], "twice expected"),
        (["--job", "1", "--strokes", "4"], "leave the engine's options out"),
        (["run.json", "good.wav"], "is a run record"),
        (["-", "-"], "only once"),
        ([".", "good.wav"], "is a folder"),
    ],
)
def test_wrong_usage_is_status_2(shed, capsys, call, words):
    assert main(["compare", *call]) == 2
    said = capsys.readouterr()
    assert words in said.err and not said.out and said.err.count("\n") == 1


def test_a_job_and_two_runs(job, capsys):
    assert main(["compare", "--job", "1"]) == 0
    of_job = " ".join(capsys.readouterr().out.split())
    assert "Better: Hunting" in of_job and "The conditions differed. Before: cold; after: warm." in of_job
    assert main(["compare", "--run", "1", "--run", "2"]) == 0
    assert " ".join(capsys.readouterr().out.split()) == of_job
    assert main(["compare", "--run", "2", "--run", "1"]) == 0
    assert "Worse: Hunting" in capsys.readouterr().out
    assert main(["compare", "--run", "1", "--run", "9"]) == 2
    assert main(["compare", "--job", "9"]) == 2


def test_a_job_without_an_after(shed, capsys):
    assert main(["take-in", "mower Daisy"]) == 0 and main(["attach", "1", "pulls.wav", "--stage", "before"]) == 0
    capsys.readouterr()
    assert main(["compare", "--job", "1"]) == 2
    assert "no recording from after the work" in capsys.readouterr().err


def test_hand_back_writes_and_marks_the_job(job, capsys):
    call = ["hand-back", "1", "--out", "out", "--told", "Runs evenly.", "--watch", "The rope.", "--next-service", "May"]
    assert main(call) == 0
    out = capsys.readouterr().out
    assert out.startswith("pump Heron: it runs better than before.") and "Written: out" in out
    files = ["bench.html", "bench.pdf", "message.txt", "owner.html", "owner.pdf"]
    assert sorted(path.name for path in Path("out").iterdir()) == files
    page = Path("out/owner.html").read_text("utf-8")
    assert "Runs evenly." in page and "The rope." in page and "May" in page
    assert main(["job", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert '"handed_back"' in json.dumps(told) and '"Runs evenly."' in json.dumps(told)


def test_hand_back_again_only_writes(job, capsys):
    assert main(["hand-back", "1", "--told", "once"]) == 0
    capsys.readouterr()
    assert main(["hand-back", "1", "--told", "twice"]) == 2
    assert "reopen it first" in capsys.readouterr().err
    assert main(["hand-back", "1", "--for", "owner", "--out", "again", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["state"] == "handed_back" and [Path(one).name for one in found["files"]] == [
        "owner.html", "owner.pdf", "message.txt"]  # fmt: skip
    assert "once" in Path("again/owner.html").read_text("utf-8")


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


def state_of_the_job(capsys):
    capsys.readouterr()
    main(["jobs", "--json"])
    return json.loads(capsys.readouterr().out)[0]["job"]["state"]


def test_what_is_asked_at_the_hand_back_is_asked_before_anything_is_marked(job, capsys):
    """Under pytest standard input is no terminal: nobody can answer, so it is refused, as by `purge`."""
    main(["tick", "1", "spark", "fail"])
    capsys.readouterr()
    assert main(["hand-back", "1", "--told", "Runs."]) == 2
    err = capsys.readouterr().err
    assert "spark failed, and has not passed since" in err and "--yes" in err and len(err.splitlines()) == 1
    assert not Path("enginelog-reports").exists() and state_of_the_job(capsys) == "open"
    assert main(["hand-back", "1", "--draft"]) == 0, "a draft marks nothing"
    assert "spark failed" in capsys.readouterr().err
    assert main(["hand-back", "1", "--yes"]) == 0
    assert "spark failed" in capsys.readouterr().err and state_of_the_job(capsys) == "handed_back"


def test_a_recording_of_another_machine_is_asked_about_before_the_hand_back(job, capsys):
    """Attached to the wrong job, it made its owner read of the other machine's faults as of his own."""
    assert main(["take-in", "tiller Marigold", "--machine", "tiller"]) == 0
    assert main(["attach", "2", "good.wav", "--stage", "after"]) == 0
    capsys.readouterr()
    assert main(["hand-back", "2"]) == 2
    err = capsys.readouterr().err
    assert "Run 3 is the same recording as run 2 of pump Heron: of which machine is it?" in err
    assert main(["drop", "run", "2"]) == 0 and main(["hand-back", "2"]) == 0
    assert main(["take-in", "tiller Marigold"]) == 0 and main(["attach", "3", "good.wav", "--stage", "before"]) == 0
    capsys.readouterr()
    assert main(["hand-back", "3", "--draft"]) == 0
    assert "same recording" not in capsys.readouterr().err, "last season's of the same machine is no slip"


@pytest.mark.parametrize(("answer", "state"), [("n", "open"), ("", "open"), ("y", "handed_back")])
def test_at_a_terminal_the_answer_decides(job, capsys, monkeypatch, answer, state):
    main(["tick", "1", "spark", "fail"])
    shown = Terminal()
    with monkeypatch.context() as at_terminal:
        at_terminal.setattr(sys, "stdin", Terminal(answer + "\n"))
        at_terminal.setattr(sys, "stderr", shown)
        assert (main(["hand-back", "1"]) == 0) == (state == "handed_back")
    said = shown.getvalue()
    assert said.index("spark failed") < said.index("Hand it back all the same?") and said.count("spark failed") == 1
    assert ("stays as it is" in said) == (state == "open") == (not Path("enginelog-reports").exists())
    assert state_of_the_job(capsys) == state


@pytest.mark.parametrize("option", ["--draft", "--text"])
def test_draft_and_text_leave_the_job_as_it_is(job, capsys, option):
    assert main(["hand-back", "1", option, "--told", "Not yet."]) == 0
    said = capsys.readouterr().out
    assert "Not yet." in said and said.startswith("Draft: the machine is not handed back yet")
    for page in Path("enginelog-reports").glob("job-1/*.html"):
        text = page.read_text("utf-8")
        assert "Not yet." in text and "not handed back yet" in text and ", handed back" not in text
    assert main(["hand-back", "1", option, "--told", "Not yet.", "--json"]) == 0
    assert option == "--text" or json.loads(capsys.readouterr().out)["state"] == "open"
    capsys.readouterr()
    assert main(["jobs", "--state", "handed-back", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []
    assert Path("enginelog-reports").exists() == (option == "--draft")


def test_a_folder_that_cannot_be_written(job, capsys):
    Path("taken").write_text("a file")
    assert main(["hand-back", "1", "--draft", "--out", "taken/below"]) == 1
    assert "choose a folder with --out" in capsys.readouterr().err


def test_a_job_without_an_after_is_told_what_to_add_and_how_to_compare_seasons(shed, capsys):
    main(["take-in", "pump Heron"])
    main(["attach", "1", "hunts.wav", "--stage", "before"])
    capsys.readouterr()
    assert main(["compare", "--job", "1"]) == 2
    err = capsys.readouterr().err
    assert "enginelog attach 1 CLIP --stage after" in err and "--run RUN --run RUN" in err and err.count("\n") == 1


def test_runs_analysed_before_the_engine_was_told_otherwise_are_asked_about(shed, capsys):
    assert main(["take-in", "pump Heron", "--machine", "pump", "--strokes", "2", "--cylinders", "1"]) == 0
    for clip, stage in (("hunts", "before"), ("good", "after")):
        assert main(["attach", "1", f"{clip}.wav", "--stage", stage]) == 0
    assert main(["hand-back", "1", "--draft"]) == 0
    assert "told otherwise" not in capsys.readouterr().err
    assert main(["machine", "pump Heron", "--strokes", "4"]) == 0
    said = "Runs 1 and 2 were analysed before the engine was told otherwise (strokes): analyse again first?"
    capsys.readouterr()
    assert main(["hand-back", "1"]) == 2
    err = capsys.readouterr().err
    assert said in err and "To analyse again: enginelog reanalyse 1 2." in err and "--yes" in err
    for which in (["--job", "1"], ["--run", "1", "--run", "2"]):
        assert main(["compare", *which]) == 0
        assert said in " ".join(capsys.readouterr().out.split())
    assert main(["hand-back", "1", "--yes", "--out", "out"]) == 0
    owner, bench = (unescape(Path(f"out/{name}.html").read_text()) for name in ("owner", "bench"))
    assert "told otherwise" not in owner and said not in bench, "it was answered, and is asked no more"
    assert bench.count("as two-stroke, 1 cylinder, pump, before it was told otherwise (strokes)") == 2
    assert main(["reopen", "1"]) == 0 and main(["reanalyse", "1", "2"]) == 0
    capsys.readouterr()
    assert main(["hand-back", "1", "--out", "out", "--yes"]) == 0
    assert "told otherwise" not in capsys.readouterr().err + Path("out/bench.html").read_text()


def test_an_after_alone_that_was_analysed_otherwise_is_asked_about_too(shed, capsys):
    assert main(["take-in", "pump Heron", "--machine", "pump", "--complaint", "surges"]) == 0
    assert main(["attach", "1", "good.wav", "--stage", "after"]) == 0
    assert main(["machine", "pump Heron", "--rated-rpm", "3600", "--blade-length-mm", "300"]) == 0
    capsys.readouterr()
    assert main(["hand-back", "1"]) == 2
    assert "Run 1 was analysed before the engine was told otherwise (rated speed and bl" in capsys.readouterr().err


def test_files_that_cannot_be_written_do_not_hide_that_the_job_is_handed_back(job, capsys):
    Path("taken").write_text("a file")
    assert main(["hand-back", "1", "--draft", "--out", "taken/out"]) == 1
    assert "handed back" not in capsys.readouterr().err
    assert main(["hand-back", "1", "--out", "taken/out"]) == 1
    err = capsys.readouterr().err
    assert "job 1 is handed back all the same: 'enginelog hand-back 1 --out FOLDER' writes them elsewhere" in err
    assert err.count("\n") == 1 and main(["hand-back", "1", "--out", "out"]) == 0 and Path("out/owner.html").exists()
