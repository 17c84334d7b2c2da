"""The commands of the job record: what each prints, writes and returns, and one line for each wrong call.

The analysis is replaced by hand-made runs, chosen by the recording's content; test_job_readme.py uses the real one.
The exit statuses are those of `check`.
"""

import dataclasses
import hashlib
import json
import os
import sys
import types
import unicodedata
from pathlib import Path

import click
import make_runs
import pytest

import enginelog
from enginelog import model
from enginelog.cli import clips, main
from enginelog.cli.job_commands import COMMANDS
from enginelog.cli.main import commands
from enginelog.store import open_store

RUNS = {
    b"hunts": make_runs.hunting_pump,
    b"well": make_runs.healthy_generator,
    b"pulls": make_runs.pulls_only,
    b"talk": make_runs.talk_only,
    b"poor": make_runs.unusable_clip,
}


class FakeAnalysis:
    """Answers by the recording's content and keeps the engines it was told."""

    def __init__(self):
        self.engines = []
        self.version = "0.1.0"
        self.made = {}  # by content: what the file says of when it was recorded

    def analyse(self, source, engine, name=None, progress=None, ran=False):
        path = Path(source)
        if not path.is_file():
            raise model.UnreadableError(f"{path.name}: no such file")
        content = path.read_bytes()
        if content == b"disk":
            raise OSError(5, "Input/output error")
        self.engines.append(engine)
        run = RUNS[content]()
        digest = hashlib.sha256(content).hexdigest()
        clip = dataclasses.replace(run.clip, name=name or path.name, sha256=digest, recorded_at=self.made.get(content))
        return dataclasses.replace(run, clip=clip, engine=engine, program_version=self.version)


def photo(name: str, kind: str = "JPEG") -> Path:
    """A small picture of the invented sort."""
    from PIL import Image

    Image.new("RGB", (40, 30), "red").save(name, kind)
    return Path(name)


@pytest.fixture
def analysis(monkeypatch):
    fake = FakeAnalysis()
    module = types.ModuleType("enginelog.analysis")
    module.analyse = fake.analyse
    monkeypatch.setitem(sys.modules, "enginelog.analysis", module)
    monkeypatch.setattr(enginelog, "analysis", module, raising=False)
    return fake


@pytest.fixture
def call(analysis, tmp_path, monkeypatch, capfdbinary):
    """Run the command line in an empty folder with a store of its own; (exit status, standard output, error)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    monkeypatch.delenv("ENGINELOG_DEBUG", raising=False)

    def run(*arguments):
        status = main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode("utf-8"), err.decode("utf-8")

    return run


@pytest.fixture
def job(call):
    """A store with job 1, a tiller that stutters."""
    status, _, _ = call("take-in", "tiller Marigold", "--machine", "tiller", "--strokes", "4", "--cylinders", "1",
                        "--rated-rpm", "3350", "--complaint", "stutters", "--cost-limit", "40")  # fmt: skip
    assert status == 0
    return 1


def clip(content, name="clip.m4a"):
    Path(name).write_bytes(content)
    return name


def document(out):
    return json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))


def test_take_in_opens_a_job_and_says_what_to_check_first(call):
    status, out, err = call("take-in", "saw Badger", "--machine", "saw", "--complaint", "smokes", "--oil", "low",
                            "--fuel", "old", "--smell", "burnt", "--damage", "none", "--note", "urgent")  # fmt: skip
    assert status == 0 and "Job 1: saw Badger, open" in out and "four-stroke (assumed)" in out
    assert "oil: low; fuel: old; smell: burnt; damage: none" in out
    assert "Suggestion only" in out and "Next cheapest check" in out and "Take care" in out
    assert "give --strokes 2" in err, "the same hint as check gives"


def test_a_known_machine_needs_no_telling_and_what_is_told_anew_changes_it(call, analysis, job):
    _, out, _ = call("take-in", "TILLER marigold", "--idle-rpm", "1700", "--complaint", "again")
    assert "rated 3350 rpm, idle 1700 rpm" in out and "1 earlier job on this machine" in out and "(assumed)" not in out
    _, out, _ = call("take-in", "tiller Marigold", "--cylinders", "2")
    assert "2 cylinders" in out and "2 earlier jobs" in out
    call("take-in", "tiller Marigold", "--firing-angles", "0,270")
    call("take-in", "tiller Marigold")
    call("attach", "4", clip(b"well"), "--stage", "before")
    engine = analysis.engines[-1]
    assert (engine.cylinders, engine.firing_angles_deg, engine.idle_rpm) == (2, (0.0, 270.0), 1700.0)
    assert (engine.machine, engine.assumed) == ("tiller", ())


def test_a_machine_is_put_right_without_a_new_job(call, analysis, job):
    call("attach", "1", clip(b"well"), "--stage", "before")
    status, out, err = call("machine", "tiller marigold")
    assert (status, err) == (0, "") and "four-stroke, 1 cylinder, rated 3350 rpm" in out and "40.00 EUR" in out
    assert "To do" not in out
    status, out, _ = call("machine", "tiller Marigold", "--strokes", "2", "--serial", "T-15", "--cost-limit", "25")
    assert status == 0 and "two-stroke, 1 cylinder, rated 3350 rpm, serial T-15" in out and "25.00 EUR" in out
    assert "run 1 was analysed with what was told before" in out and "enginelog reanalyse 1" in " ".join(out.split())
    assert "run 1 was analysed with what was told of the engine before" in " ".join(call("job", "1")[1].split())
    assert call("reanalyse", "1")[0] == 0 and analysis.engines[-1].strokes == 2
    assert "To do" not in call("job", "1")[1]
    assert call("jobs")[1].count("tiller Marigold") == 1, "no job was opened for it"


def test_a_cost_limit_is_warned_of_and_can_be_taken_away(call, job):
    """It is 40: from 32 on it is nearly reached."""
    assert "ask the owner" not in call("work", "1", "--part", "plug", "--cost", "31.99")[1]
    _, out, _ = call("work", "1", "--part", "clip", "--cost", "0.01")
    assert "8.00 EUR left of the limit of 40.00 EUR, which is nearly reached: ask the owner" in " ".join(out.split())
    assert "past the limit" in call("work", "1", "--part", "clip", "--cost", "9")[1]
    assert "Cost limit" not in call("machine", "tiller Marigold", "--cost-limit", "none")[1]
    assert "limit" not in call("job", "1")[1]
    status, _, err = call("machine", "tiller Marigold", "--cost-limit", "much")
    assert status == 2 and "an amount such as 12 or 12.50 expected" in err


def test_an_odd_reading_is_kept_and_asked_about(call, job):
    status, out, err = call("tick", "1", "compression", "fail", "--reading", "-3 kPaa")
    assert status == 0 and "-3 kPaa" in out
    assert "below zero" in err and "no unit known" in err and "enginelog drop check 1" in err
    assert "-3 kPaa" in call("job", "1")[1]
    assert call("tick", "1", "compression", "fail", "--reading", "300 kPa")[2] == ""


def test_a_note_that_would_not_count_is_refused_and_one_the_owner_reads_is_said_to_be(call, job):
    """'[taken back] ' in front is the job record's own mark: such a note was acknowledged, and counted nowhere."""
    mixed = "For the owner: empty the tank\ncharge double"
    for text in ("", "  ", "[taken back] lid is loose", "fine\n[taken back] lid is loose", mixed):
        status, out, err = call("note", "1", text)
        assert (status, out) == (2, "") and "note" in err
    assert call("take-in", "tiller Marigold", "--note", "[taken back] lid is loose")[0] == 2
    assert "by itself" in call("take-in", "tiller Marigold", "--note", mixed)[2]
    assert "Note" not in call("job", "1")[1]
    assert "for the owner to read" in call("note", "1", "For the owner: empty the tank")[1]
    assert "for the owner" not in call("note", "1", "charge double")[1]
    assert "for the owner to read" in call("note", "1", "For the owner: one\n\nFor the owner: two\n")[1]
    assert "for the owner to read" in call("note", "1", "dry the filter\nFor the owner: or new", "--for-owner")[1]


def test_a_power_of_ten_is_no_reading_with_an_odd_unit(call, job):
    """'1e5 kPa' was kept as 1 with the unit 'e5 kPa'."""
    for given in ("1e5 kPa", "1E-3 mm", "2.5e+6 Pa"):
        status, _, err = call("tick", "1", "compression", "pass", "--reading", given)
        assert status == 2 and "a number with its unit expected" in err
    assert call("tick", "1", "controls", "pass", "--reading", "5 e-units")[0] == 0


def test_a_time_still_to_come_is_kept_and_remarked_upon(call, job):
    """Up to a day ahead is let in, for whose clock is set to another zone; a slip in the day is likelier."""
    from datetime import datetime, timedelta

    ahead = (datetime.now() + timedelta(hours=20)).isoformat(timespec="minutes")
    status, _, err = call("work", "1", "--part", "plug", "--at", ahead)
    assert status == 0 and err.count("still to come") == 1
    just = (datetime.now() + timedelta(minutes=2)).isoformat(timespec="seconds")
    assert "to come" not in call("work", "1", "--part", "plug", "--at", just)[2], "clocks differ by some minutes"


def test_a_recording_from_after_the_work_that_was_made_first_is_asked_about(call, analysis, job):
    analysis.made = {b"hunts": "2026-04-12T11:05:00+00:00", b"well": "2026-04-12T09:20:00+00:00"}
    assert "swapped" not in call("attach", "1", clip(b"hunts"), "--stage", "before")[2]
    assert "swapped" not in call("attach", "1", clip(b"pulls", "b.m4a"), "--stage", "during")[2]
    told = call("attach", "1", clip(b"well", "c.m4a"), "--stage", "after")[2]
    assert "later than run 3, from after it (recorded 2026-04-12" in told and "are the two swapped" in told
    status, out, _ = call("compare", "--job", "1")
    assert status == 3 and "are the two swapped" in out


def test_a_note_may_be_dated(call, job):
    """Notes have no row of their own: the time stands in front of each, in the words of the job record."""
    assert call("note", "1", "cord is new\nlid is loose", "--at", "2026-04-12")[0] == 0
    assert call("note", "1", "empty the tank", "--for-owner", "--at", "2026-04-12T17:05")[0] == 0
    _, out, _ = call("job", "1")
    for said in ("2026-04-12: cord is new", "2026-04-12: lid is loose", "2026-04-12 17:05: empty the tank"):
        assert said in out
    assert "before job 1 was taken in" in call("note", "1", "rang", "--at", "2001-04-12")[2]
    assert call("note", "1", "rang", "--at", "2999-01-01")[0] == 2
    call("hand-back", "1", "--out", "out")
    page = Path("out/owner.html").read_text("utf-8")
    assert "2026-04-12 17:05: empty the tank" in page and "lid is loose" not in page


def test_a_second_job_on_a_machine_still_at_hand_is_pointed_out(call, job):
    _, out, _ = call("take-in", "tiller Marigold")
    assert "Not handed back yet: job 1. If this one is a slip: enginelog drop job 2" in out
    assert "enginelog history 'tiller Marigold'" in out
    call("hand-back", "1")
    call("hand-back", "2")
    assert "Not handed back" not in call("take-in", "tiller Marigold")[1]


def test_attach_and_job_name_the_same_next_check(call, job):
    """What comes next is said once, by the job's own rules: not the recording's list beside the job's."""
    _, out, _ = call("attach", "1", clip(b"hunts"), "--stage", "before")
    asked = call("job", "1")[1].split("Suggestion only")[1]
    assert "Check next" not in out and asked.strip() in out
    _, out, _ = call("attach", "1", clip(b"well", "b.m4a"), "--stage", "after")
    assert "Nothing amiss is heard after the work (run 2)" in out
    call("hand-back", "1")
    status, out, _ = call("attach", "1", clip(b"pulls", "c.m4a"), "--stage", "after")
    assert status == 0 and "Kept as run 3" in out and "Suggestion" not in out


def test_the_report_of_a_run_on_record(call, job, tmp_path):
    status, out, _ = call("attach", "1", clip(b"well"), "--stage", "before")
    assert status == 0 and "Its report: enginelog report 1" in out
    Path("clip.m4a").unlink()
    status, out, err = call("report", "1")
    assert (status, err) == (0, "") and out == "Report: enginelog-reports/run-1/report.html\n"
    names = {each.name for each in Path("enginelog-reports/run-1").iterdir()}
    assert {"report.html", "run.json", "speed.csv", "firing.csv", "speed.png"} <= names
    assert call("report", "1", "--out", "shown")[0] == 0 and "clip.m4a" in Path("shown/report.html").read_text("utf-8")
    assert document(call("report", "1", "--json")[1])["clip"]["name"] == "clip.m4a"
    Path("taken").write_text("x")
    status, out, err = call("report", "1", "--out", "taken/below")
    assert (status, out) == (1, "") and "choose a folder with --out" in err and err.count("\n") == 1


def test_the_job_from_ticks_to_done(call, job):
    photo("plug.jpg")
    status, out, err = call("tick", "1", "Compression", "pass", "--reading", "6,5 bar", "--at", "2026-04-12T10:00")
    assert status == 0 and "compression passed, 6.5 bar" in out
    assert "dated 2026-04-12, before job 1 was taken in" in " ".join(err.split())
    status, out, _ = call("tick", "1", "spark", "fail", "--note", "weak", "--photo", "plug.jpg")
    out = " ".join(out.split())
    assert status == 0 and "spark failed: weak (photo plug.jpg)" in out and "Points to no spark or a weak one" in out
    status, out, _ = call("tick", "#1", "air", "skip")
    assert "air not checked" in out
    status, out, _ = call("work", "1", "--part", "spark plug", "--cost", "4.50", "--quantity", "2", "--minutes", "10")
    assert "part 2 x spark plug, 4.50 EUR, 10 min" in out and "35.50 EUR left of the limit of 40.00 EUR" in out
    _, out, _ = call("work", "1", "--minutes", "5")
    assert "labour, 5 min" in out and "15 min" in out
    _, out, _ = call("work", "1", "--fluid", "oil", "--cost", "40")
    assert "4.50 EUR past the limit of 40.00 EUR: ask the owner first" in out
    assert call("note", "1", "lid is loose")[0] == 0
    assert call("wait", "1", "--for", "a gasket")[1] == "Job 1: waiting for a gasket.\n"
    assert "waiting for a gasket" in call("jobs", "--waiting")[1]
    assert call("reopen", "1")[1] == "Job 1: open again.\n"
    assert call("close", "1")[1] == "Job 1: done.\n"
    _, out, _ = call("job", "1")
    assert "done" in out and "lid is loose" in out and "Suggestion" not in out


def test_attach_analyses_with_the_machines_layout_and_keeps_the_recording(call, analysis, job):
    status, out, _ = call("attach", "1", clip(b"hunts"), "--stage", "before", "--conditions", "cold, choke on")
    assert status == 0 and "Kept as run 1 of job 1, before the work." in out and "Hunting" in out
    assert analysis.engines[0].rated_rpm == 3350.0
    out = " ".join(call("job", "1")[1].split())
    assert "before (cold, choke on): clip.m4a" in out and "swings 6.9 %" in out
    with open_store() as store:
        assert store.recording(1).read_bytes() == b"hunts"
        assert store.recording(1).suffix == ".m4a"


@pytest.mark.parametrize("moment", ["while it is analysed", "once it is kept"])
def test_attach_stopped_with_ctrl_c_says_what_was_kept(call, analysis, job, monkeypatch, moment):
    if moment == "while it is analysed":
        monkeypatch.setattr("enginelog.analysis.analyse", _pressed)
        said = "nothing of this recording was kept, and job 1 is as it was: attach it again"
    else:
        monkeypatch.setattr("enginelog.cli.runs.hints", _pressed)
        said = "the recording is kept whole, as run 1 of job 1"
    status, out, err = call("attach", "1", clip(b"hunts"), "--stage", "before")
    assert (status, out, err) == (130, "", f"enginelog: stopped; {said}\n")
    with open_store() as store:
        assert len(store.record(1).runs) == (0 if moment == "while it is analysed" else 1)
        assert store.verify() == ()


def _pressed(*given, **named):
    raise KeyboardInterrupt


def test_a_before_of_pulls_alone_is_kept_with_status_0(call, job):
    status, out, err = call("attach", "1", clip(b"pulls"), "--stage", "before")
    assert status == 0 and err == "" and "Kept as run 1" in out
    assert "did not run, 5 pulls" in call("job", "1")[1]


@pytest.mark.parametrize("content", [b"talk", b"poor"])
def test_where_nothing_can_be_analysed_the_recording_is_kept_and_the_status_is_3(call, job, content):
    status, out, err = call("attach", "1", clip(content), "--stage", "during")
    assert status == 3 and "Kept as run 1" in out
    assert err.count("\n") == 1 and "clip.m4a: kept, but nothing to analyse: " in err
    asked = f"; {clips.ADD_RAN} to 'enginelog reanalyse 1'\n"
    assert err.endswith(asked) if content == b"talk" else "--ran" not in err


def test_reanalyse_names_the_option_that_says_an_engine_ran_until_it_is_given(call, job):
    call("attach", "1", clip(b"talk"), "--stage", "during")
    assert clips.ADD_RAN in call("reanalyse", "1")[2] and "--ran" not in call("reanalyse", "1", "--ran")[2]


def test_no_copy_keeps_the_name_alone_and_reanalyse_asks_for_the_original(call, analysis, job):
    call("attach", "1", clip(b"hunts"), "--stage", "before", "--no-copy")
    assert not Path("shed.enginelog.files").exists() and "no copy kept" in call("job", "1")[1]
    status, _, err = call("reanalyse", "1")
    assert status == 2 and "--from" in err
    analysis.version = "0.9.0"
    status, out, _ = call("reanalyse", "1", "--from", "clip.m4a")
    assert status == 0 and "Run 1: analysis 2; the earlier stay on record." in out
    status, _, err = call("reanalyse", "1", "--from", clip(b"well", "other.m4a"))
    assert status == 2 and "another recording" in err


def test_reanalyse_takes_the_kept_recording_and_its_old_name(call, analysis, job):
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    Path("clip.m4a").unlink()
    analysis.version = "0.9.0"
    status, out, _ = call("reanalyse", "1", "--json")
    made = document(out)
    assert status == 0 and made["analysis"]["program_version"] == "0.9.0" and made["recording_name"] == "clip.m4a"
    assert [each["program_version"] for each in made["earlier"]] == ["0.1.0"]


def test_lists_filters_and_search(call, job):
    call("take-in", "pump Heron", "--complaint", "surges; =1+1")
    call("attach", "1", clip(b"well"), "--stage", "after")
    call("close", "1")
    assert [line.split()[0] for line in call("jobs")[1].splitlines()] == ["job", "2", "1"]
    assert "tiller" not in call("jobs", "heron", "SURGES")[1]
    assert "heron" not in call("jobs", "--state", "done")[1].lower()
    assert "tiller" not in call("jobs", "--of", "pump heron")[1]
    assert "pump" not in call("jobs", "--stage", "after")[1]
    assert call("jobs", "zebra")[1] == "No job fits.\n"
    assert "the first 1 shown" in call("jobs", "--limit", "1")[2]
    assert call("machines", "heron")[1].count("\n") == 2
    assert "generator" not in call("history", "pump Heron")[1]
    rpm = make_runs.healthy_generator().measures.speed.rpm
    assert f"after: clip.m4a: {rpm:.0f} rpm" in " ".join(call("history", "tiller Marigold")[1].split())


def test_a_check_is_found_by_the_title_it_is_ticked_and_printed_with(call, job):
    assert call("tick", "1", "Plug lead and cap", "fail")[0] == 0 and call("tick", "1", "fuel-tank", "pass")[0] == 0
    call("take-in", "mower Clover")
    for words in ("Plug lead and cap", "plug lead", "plug_lead", "fuel in the tank", "fuel-tank", "LEAD stutters"):
        out = call("jobs", words)[1]
        assert "tiller Marigold" in out and "mower Clover" not in out, words
    assert "tiller Marigold" not in call("jobs", "valve lash")[1]
    call("drop", "check", "1")
    assert "tiller Marigold" not in call("jobs", "Plug lead and cap")[1]


def places(text: str) -> int:
    """Places of a terminal, by the standard library's table of Unicode's East Asian Width (UAX 11): wide and
    full-width letters take two, marks that stand on the letter before none."""
    wide = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    return len(text) + wide - sum(unicodedata.combining(letter) > 0 for letter in text)


def test_columns_stand_under_one_another_whatever_the_script(call):
    for label in ("草刈り機 ひまわり", "ポンプ", "Émile e\u0301", "\uff2d\uff4f\uff57\uff45\uff52", "mower"):
        assert call("take-in", label, "--complaint", "エンジンがかからない")[0] == 0
    head, *rows = call("jobs")[1].splitlines()
    begins = places(head[: head.index("state")])
    assert len(rows) == 5 and all(places(row[: row.index("open")]) == begins for row in rows)
    costs = places(head[: head.index("cost")])
    assert all(places(row[: row.index("0.00 EUR")]) == costs for row in rows)


def test_the_trend_of_a_machine_is_drawn_from_two_recordings_on(call, job, tmp_path):
    target = tmp_path / "trend.png"
    assert call("history", "tiller Marigold", "--plot", str(target))[0] == 2
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    call("attach", "1", clip(b"well", "b.m4a"), "--stage", "after")
    status, out, _ = call("history", "tiller Marigold", "--plot", str(target))
    assert status == 0 and f"Written: {target}" in out
    assert target.read_bytes().startswith(b"\x89PNG")
    assert call("history", "tiller Marigold", "--plot", str(tmp_path / "no" / "trend.png"))[0] == 1
    assert sorted(path.name for path in tmp_path.glob("*.png*")) == ["trend.png"]


def test_each_note_stands_on_a_line_of_its_own(call, job):
    for text in ("tank was half empty", "blade blunt"):
        call("note", "1", text)
    lines = call("job", "1")[1].splitlines()
    first = lines.index("Note 1.1     tank was half empty")
    assert lines[first + 1] == "Note 1.2     blade blunt"


def test_a_note_is_taken_back_by_its_number_and_put_back(call, job):
    for text in ("tank was half empty", "charge double", "blade blunt"):
        call("note", "1", text)
    assert call("drop", "note", "1.2", "--because", "other job") == (
        0, "Note 1.2: dropped; 'enginelog drop note 1.2 --undo' brings it back.\n", "")  # fmt: skip
    out = call("job", "1")[1]
    assert "Note 1.2" not in out and "Note 1.3     blade blunt" in out  # the others keep their numbers
    assert "other job. It was: charge double" in " ".join(out.split()) and "Taken back   note 1.2 on " in out
    assert "charge double" not in call("hand-back", "1", "--text")[1]
    assert document(call("drop", "note", "1.2", "--undo", "--json")[1]) == {
        "kind": "note",
        "id": "1.2",
        "dropped": False,
    }
    assert "Note 1.2     charge double" in call("job", "1")[1]
    for given, said in ((("note", "1"), "such as 3.2"), (("check", "1.2"), "of a check such as 12"),
                        (("note", "1.9"), "no note 1.9"), (("note", "7.1"), "no job 7")):  # fmt: skip
        status, out, err = call("drop", *given)
        assert (status, out, err.count("\n")) == (2, "", 1) and said in err


def test_the_photo_of_a_check_taken_back_is_listed_and_copied(call, job):
    call("tick", "1", "spark", "fail", "--photo", str(photo("plug.jpg")))
    call("drop", "check", "1", "--because", "other saw")
    out = call("files", "1")[1]
    assert "check 1  plug.jpg" in out and "check 1 was taken back: 2" in out and ", other saw" in out
    [listed] = document(call("files", "1", "--json")[1])["files"]
    assert listed["of"] == "check 1" and "other saw" in listed["taken_back"]
    assert call("files", "1", "--copy-to", "copies")[0] == 0
    assert Path("copies/check-1-taken-back.jpg").read_bytes() == Path("plug.jpg").read_bytes()


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("notes.txt", b"gap 0.7 mm", "no JPEG, PNG, WebP or GIF"),
        ("plug.jpg", b"\xff\xd8\xff" + bytes(500), "no JPEG, PNG, WebP or GIF"),
        ("plug.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no JPEG, PNG, WebP or GIF"),
        ("empty.png", b"", "no JPEG, PNG, WebP or GIF"),
        # Brands of box files with pictures: ISO/IEC 23008-12 (from memory).
        ("IMG_0412.HEIC", b"\0\0\0\x18ftypheic" + bytes(500), "is not read: save or share it as JPEG"),
        ("img.jpg", b"\0\0\0\x18ftypmif1" + bytes(500), "is not read: save or share it as JPEG"),
        ("odd\u202egpj.exe", b"MZ", "odd\\u202egpj.exe"),
    ],
)
def test_a_photo_that_is_no_picture_is_refused_in_one_line(call, job, name, content, said):
    Path(name).write_bytes(content)
    status, out, err = call("tick", "1", "spark", "fail", "--photo", name)
    assert (status, out) == (4, "") and err.count("\n") == 1 and said in err
    assert "the photo is not taken" in err and "tick without --photo" in err
    assert not document(call("job", "1", "--json")[1])["record"]["checks"]


def test_a_picture_that_claims_to_be_huge_is_refused_by_its_head(call, job):
    """As on the bench page: the size a PNG names (RFC 2083, IHDR) is read before its pixels are."""
    from PIL import Image

    Image.new("1", (10_000, 9_000)).save("large.png")
    status, _, err = call("tick", "1", "spark", "fail", "--photo", "large.png")
    assert status == 4 and "10000 x 9000 pixels" in err


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "GIF"])
def test_a_picture_is_kept_as_it_was_given(call, job, kind):
    given = photo(f"plug.{kind.lower()}", kind)
    assert call("tick", "1", "spark", "fail", "--photo", given.name)[0] == 0
    assert call("files", "1", "--copy-to", "copies")[0] == 0
    assert [path.read_bytes() for path in Path("copies").iterdir()] == [given.read_bytes()]


def test_the_files_of_a_job_are_found_and_copied_under_plain_names(call, job):
    assert call("files", "1")[1] == "No files.\n"
    photo("..'odd\u202e.JPG")
    call("tick", "1", "spark", "fail", "--photo", "..'odd\u202e.JPG")
    call("attach", "1", clip(b"well"), "--stage", "before")
    _, out, _ = call("files", "1")
    assert "clip.m4a" in out and "shed.enginelog.files" in out and "\\u202e" in out
    assert call("files", "1", "--copy-to", "copies")[:2] == (0, "copies: 2 files copied.\n")
    assert sorted(path.name for path in Path("copies").iterdir()) == ["check-1.jpg", "run-1.m4a"]
    assert Path("copies/run-1.m4a").read_bytes() == b"well"
    status, _, err = call("files", "1", "--copy-to", "copies")
    assert status == 2 and "exists already" in err
    for path in Path("shed.enginelog.files").glob("*.m4a"):
        path.unlink()
    status, out, err = call("files", "1", "--copy-to", "others")
    assert status == 0 and "1 file copied" in out and "run 1" in err and "is gone" in err
    assert call("files", "1", "--copy-to", "clip.m4a")[0] == 1 and call("files", "9")[0] == 2


def test_a_machine_can_be_renamed_but_not_to_a_label_that_is_taken(call, job):
    call("take-in", "pump Heron")
    assert call("rename", "tiller marigold", "tiller Poppy")[:2] == (0, "Machine 1: tiller Poppy.\n")
    assert "stutters" in call("jobs", "poppy")[1] and call("jobs", "marigold")[1] == "No job fits.\n"
    status, _, err = call("rename", "pump Heron", "TILLER poppy")
    assert status == 2 and "known already" in err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize("copy", [[], ["--no-copy"]])
def test_a_pipe_is_not_attached_and_not_waited_for(call, analysis, job, copy):
    """Opening a named pipe to read waits for a writer (POSIX, open): for ever, where there is none."""
    os.mkfifo("pipe.wav")
    status, out, err = call("attach", "1", "pipe.wav", "--stage", "before", *copy)
    assert (
        (status, out) == (4, "") and err.startswith("enginelog: pipe.wav: a pipe or a device") and err.count("\n") == 1
    )


def test_the_same_recording_is_attached_to_a_job_once_and_in_another_job_pointed_out(call, analysis, job):
    call("attach", "1", clip(b"well"), "--stage", "before")
    heard = len(analysis.engines)
    status, out, err = call("attach", "1", clip(b"well", "renamed.m4a"), "--stage", "after")
    assert (status, out) == (2, "") and "hash is known" in err and "run 1, before the work" in err
    assert len(analysis.engines) == heard, "said before it is analysed again"
    call("take-in", "pump Heron")
    status, _, err = call("attach", "2", "clip.m4a", "--stage", "after")
    assert status == 0 and "run 1 of job 1 already" in err


def test_notes_are_the_benchs_own_unless_said_otherwise(call, job):
    assert call("note", "1", "charge double")[1] == "Job 1: noted.\n"
    assert call("note", "1", "empty the tank", "--for-owner")[1] == "Job 1: noted, for the owner to read.\n"
    out = call("job", "1")[1]
    assert "charge double" in out and "For the owner: empty the tank" in out
    call("hand-back", "1", "--out", "out")
    for name, words in (("owner", (False, True)), ("bench", (True, True))):
        page = Path(f"out/{name}.html").read_text("utf-8")
        assert ("charge double" in page, "empty the tank" in page) == words


def test_what_is_taken_back_is_listed_with_its_reason_and_counts_nowhere(call, job):
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    call("attach", "1", clip(b"well", "b.m4a"), "--stage", "after")
    call("work", "1", "--part", "plug", "--cost", "4.50")
    assert call("drop", "run", "2", "--because", "wrong\x1b[31m job")[0] == 0
    call("drop", "work", "1")
    out = " ".join(call("job", "1")[1].split())
    assert "Taken back run 2 on 2" in out and "31m job. It was: after: b.m4a" in out and "\x1b" not in out
    assert "Taken back work 1 on 2" in out and "Run 2" not in out and "Spent" not in out
    status, _, err = call("compare", "--job", "1")
    assert status == 2 and "no recording from after the work" in err
    status, _, err = call("compare", "--run", "1", "--run", "2")
    assert status == 2 and "run 2 is taken back" in err
    told = document(call("job", "1", "--json")[1])["taken_back"]
    assert [(each["kind"], each["entry"]["id"], bool(each["why"])) for each in told] == [
        ("run", 2, True), ("work", 1, False)]  # fmt: skip
    assert call("drop", "run", "2", "--undo")[1] == "Run 2: brought back.\n"
    assert call("drop", "run", "2", "--undo")[0] == 2 and "Run 2" in call("job", "1")[1]


def test_dropping_undoing_and_purging(call, job):
    assert "drop job 1 --undo" in call("drop", "job", "1")[1]
    assert call("jobs")[1] == "No jobs.\n" and "tiller" in call("jobs", "--dropped")[1]
    assert call("drop", "job", "1", "--undo")[1] == "Job 1: brought back.\n"
    status, _, err = call("purge")
    assert status == 2 and "--yes" in err
    assert call("purge", "--yes")[1] == "Nothing to delete.\n"
    call("drop", "job", "1")
    assert call("purge", "--yes", "--older-than", "5")[1] == "Nothing to delete.\n"
    assert call("purge", "--yes")[1].startswith("Deleted: 1 x job")
    call("drop", "machine", "1")
    assert "tiller" in call("machines", "--dropped")[1]


def test_export_import_backup_restore_verify(call, job, tmp_path):
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    assert call("export", "out")[:2] == (0, "out: 1 job, 1 run, 1 file written.\n")
    assert call("import", "out", "--store", "new.enginelog")[:2] == (0, "1 job, 1 run, 1 file read.\n")
    assert call("verify", "--store", "new.enginelog")[:2] == (0, "new.enginelog: nothing wrong found.\n")
    assert call("export", "lean", "--no-files")[0] == 0 and not Path("lean/files").exists()
    status, _, err = call("import", "lean", "--store", "lean.enginelog")
    assert status == 0 and "was not beside the document" in err
    assert call("backup", "b.zip")[0] == 0
    assert call("backup", "b.zip")[0] == 2 and call("backup", "b.zip", "--replace")[0] == 0
    assert call("restore", "b.zip")[0] == 2
    status, out, _ = call("restore", "b.zip", "--replace")
    assert status == 0 and "The one before lies in" in out and "hunts" not in out
    assert "clip.m4a" in call("job", "1")[1]
    recording = next(iter(tmp_path.glob("shed.enginelog.files/*.m4a")))
    recording.write_bytes(b"changed")
    status, out, err = call("verify")
    assert (status, out) == (4, "") and "content has changed" in err
    (tmp_path / "shed.enginelog.restoring-20260412T092000000000Z").mkdir()
    assert "left by a restore that was killed" in call("verify")[2]


def test_what_is_damaged_or_gone_is_named_by_whatever_carries_it_along(call, job, tmp_path):
    call("attach", "1", clip(b"hunts"), "--stage", "before")
    recording = next(iter(tmp_path.glob("shed.enginelog.files/*.m4a")))
    recording.write_bytes(b"changed")
    changed = f"enginelog: {recording.name}: the content of this file has changed since it was kept"
    status, out, err = call("backup", "b.zip")
    assert status == 4 and "1 file" in out and changed in err
    status, out, err = call("restore", "b.zip", "--store", "new.enginelog")
    assert status == 4 and "restored, with 1 file" in out and changed in err
    status, out, _ = call("restore", "b.zip", "--replace", "--json")
    assert status == 4 and json.loads(out)["damaged"] == [recording.name]
    status, out, err = call("export", "out")
    assert status == 4 and "1 file written" in out and changed in err and (Path("out/files") / recording.name).exists()
    status, out, err = call("import", "out", "--store", "again.enginelog")
    assert status == 4 and "0 files read" in out and changed in err and "not beside" not in err
    recording.unlink()
    status, out, err = call("export", "less")
    assert status == 4 and "0 files written" in out and f"{recording.name}: this file of the job record is gone" in err
    status, out, err = call("import", "less", "--store", "less.enginelog")
    assert status == 0 and "was not beside the document" in err
    status, out, err = call("backup", "c.zip")
    assert status == 4 and "0 files" in out and f"{recording.name}: this file of the job record is gone" in err
    assert call("restore", "c.zip", "--store", "other.enginelog")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("job", "7"), 2, "no job 7 in"),
        (("job", "abc"), 2, "'abc' given, the number of a job expected"),
        (("job", "0"), 2, "'0' given"),
        (("job", "9" * 30), 2, "number of a job expected"),
        (("tick", "1", "sparkk", "pass"), 2, "fuel-carburettor"),
        (("tick", "1", "spark", "good"), 2, "'good' is not one of"),
        (("tick", "1", "spark", "pass", "--reading", "much"), 2, "'650 kPa'"),
        (("tick", "1", "spark", "pass", "--reading", "1" * 400), 2, "'650 kPa'"),
        (("tick", "1", "compression", "pass", "--reading", "1.200 kPa"), 2, "may be 1200 or 1.2;"),
        (("tick", "1", "compression", "pass", "--reading", "1,200 kPa"), 2, "may be 1200 or 1.2;"),
        (("tick", "1", "compression", "pass", "--reading", "1.200,5 kPa"), 2, "'650 kPa'"),
        (("work", "1", "--part", "plug", "--quantity", "1.500"), 2, "may be 1500 or 1.5;"),
        (("work", "1", "--part", "plug", "--quantity", "0,0"), 2, "from 0.001"),
        (("work", "1", "--part", "", "--cost", "3"), 2, "no text given"),
        (("work", "1", "--fluid", " ", "--minutes", "3"), 2, "no text given"),
        (("tick", "1", "spark", "pass", "--photo", "none.jpg"), 2, "no such photo"),
        (("tick", "1", "spark", "pass", "--at", "2999-01-01"), 2, "no more than a day ahead"),
        (("tick", "7", "spark", "pass"), 2, "no job 7"),
        (("work", "1", "--part", "plug", "--cost", "-3"), 2, "not negative"),
        (("work", "1", "--part", "plug", "--cost", "3.456"), 2, "two decimals"),
        (("work", "1", "--part", "plug", "--minutes", "-1"), 2, "0 to 100000 minutes"),
        (("work", "1", "--part", "plug", "--minutes", "3_0"), 2, "'3_0' given, a whole number from 0"),
        (("machine", "tiller Marigold", "--rated-rpm", "3_350"), 2, "'3_350' given"),
        (("machine", "tiller Marigold", "--firing-angles", "0,2_70"), 2, "'0,2_70' given"),
        (("work", "1", "--part", "plug", "--quantity", "0"), 2, "expected"),
        (("work", "1", "--part", "plug", "--fluid", "oil"), 2, "enter two"),
        (("work", "1"), 2, "nothing given"),
        (("attach", "1", "none.m4a", "--stage", "before"), 4, "no such file"),
        (("attach", "1", "-", "--stage", "before"), 2, "save the recording first"),
        (("attach", "1", "clip.m4a"), 2, "--stage"),
        (("tick", "1", "spark"), 2, "pass"),
        (("attach", "1", "disk.m4a", "--stage", "before"), 4, "Input/output error"),
        (("take-in", ""), 2, "one line of text expected"),
        (("take-in", "pump", "--currency", "euros"), 2, "three letters"),
        (("take-in", "pump", "--cost-limit", "-1"), 2, "not negative"),
        (("take-in", "pump", "--strokes", "2", "--firing-angles", "0,400"), 2, "below 360"),
        (("take-in", "pump", "--at", "1066-10-14"), 2, "from 1990 on"),
        (("close", "1", "--at", "1999-01-01"), 2, "it was taken in"),
        (("wait", "7"), 2, "no job 7"),
        (("history", "tiller marigld"), 2, "did you mean 'tiller Marigold'?"),
        (("jobs", "--of", "x"), 2, "no machine 'x'"),
        (("reanalyse", "5"), 2, "no run 5"),
        (("report", "5"), 2, "no run 5"),
        (("machine", "pump"), 2, "no machine 'pump'"),
        (("machine", "tiller Marigold", "--currency", "euros"), 2, "three letters"),
        (("drop", "job", "5"), 2, "no job 5"),
        (("drop", "machine", "1"), 2, "1 job on record"),
        (("import", "none"), 4, "cannot be read"),
        (("restore", "none.zip"), 2, "a store is there already"),
        (("restore", "none.zip", "--replace"), 4, "no such file"),
        (("export", "full"), 2, "new or empty one"),
        (("backup", "none/b.zip"), 2, "there is no folder none"),
        (("jobs", "--store", "."), 2, "a file expected"),
        (("jobs", "--store", "disk.m4a"), 4, "damaged"),
        (("jobs", "--store", "disk.m4a/below"), 1, "not kept"),
        (("jobs", "--store", ""), 2, "a file expected"),
        (("restore", "none.zip", "--store", "."), 2, "a file expected"),
    ],
)
def test_a_wrong_call_gets_one_line(call, job, arguments, status, said):
    clip(b"disk", "disk.m4a")
    Path("full").mkdir()
    Path("full/mine.txt").write_text("x")
    found, out, err = call(*arguments)
    assert (found, out) == (status, "") and said in err, err
    assert err.count("\n") == 1 and err.startswith("enginelog: ")
    with open_store() as store:
        assert store.count("jobs") == 1 and store.count("checks") == store.count("work") == store.count("runs") == 0


def test_every_command_prints_json_alone(call, job):
    recording = clip(b"well")
    photo("plug.jpg")
    calls = [
        ("take-in", "pump Heron", "--strokes", "4", "--cylinders", "1"), ("machines",),
        ("machine", "pump Heron", "--rated-rpm", "3600"),
        ("rename", "pump Heron", "pump Teal"), ("jobs",), ("job", "1"),
        ("tick", "1", "spark", "fail", "--photo", "plug.jpg"), ("work", "1", "--part", "plug", "--cost", "4.50"),
        ("attach", "1", recording, "--stage", "after"), ("reanalyse", "1"), ("report", "1"),
        ("move", "1", "2"), ("note", "1", "x"),
        ("wait", "1"), ("files", "1"),
        ("close", "1"), ("reopen", "1"), ("history", "tiller Marigold"), ("drop", "work", "1"), ("purge", "--yes"),
        ("export", "out"), ("import", "out", "--store", "new.enginelog"), ("backup", "b.zip"),
        ("restore", "b.zip", "--store", "c.enginelog"), ("verify",),
    ]  # fmt: skip
    assert {arguments[0] for arguments in calls} == {command.name for command in COMMANDS}
    for arguments in calls:
        status, out, err = call(*arguments, "--json")
        assert (status, err) == (0, ""), arguments
        document(out)


def test_the_json_of_a_job_has_what_a_script_needs(call, job):
    call("work", "1", "--part", "plug", "--cost", "4.50", "--minutes", "3")
    made = document(call("job", "1", "--json")[1])
    assert made["record"]["cost_cents"] == 450 and made["record"]["left_cents"] == 3550
    assert made["record"]["machine"]["label"] == "tiller Marigold" and made["record"]["job"]["state"] == "open"
    assert made["next"]["name"] == "fuel_tank" and made["suggestion"]["text"].startswith("Suggestion only")
    assert made["record"]["job"]["opened"]["utc"].endswith("Z")


def test_every_command_of_the_job_record_can_choose_its_store_and_print_json():
    for command in COMMANDS:
        flags = {flag for option in command.params if isinstance(option, click.Option) for flag in option.opts}
        assert {"--store", "--json"} <= flags and commands.commands[command.name] is command


HOSTILE = "a'; DROP TABLE jobs; --\x1b[31m\u202e<script>\n=1+1"


def test_hostile_texts_cannot_drive_the_terminal_and_come_back_whole(call, job):
    label = "x" + "".join(letter for letter in HOSTILE if letter not in "\n\x1b\u202e")
    call("take-in", label, "--complaint", HOSTILE, "--note", HOSTILE)
    call("tick", "2", "spark", "fail", "--note", HOSTILE, "--reading", "5 " + HOSTILE[:20])
    call("work", "2", "--part", HOSTILE)
    call("wait", "2", "--for", HOSTILE)
    call("attach", "2", clip(b"well", "clip\u202e;'.m4a"), "--stage", "before", "--conditions", HOSTILE)
    for arguments in (("job", "2"), ("jobs",), ("machines",), ("jobs", "DROP TABLE"), ("job", "2", "--json")):
        status, out, err = call(*arguments)
        assert status == 0 and "\x1b" not in out + err and "\u202e" not in out + err
    assert document(call("job", "2", "--json")[1])["record"]["job"]["complaint"] == HOSTILE


def test_a_store_of_a_newer_version_or_a_damaged_one_is_status_4(call, job):
    import sqlite3

    with sqlite3.connect("shed.enginelog") as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    status, out, err = call("jobs")
    assert (status, out) == (4, "") and "made by a newer enginelog" in err and err.count("\n") == 1
    Path("shed.enginelog").write_bytes(Path("shed.enginelog").read_bytes()[:3000])
    status, _, err = call("jobs")
    assert status == 4 and "damaged" in err and "enginelog restore" in err and err.count("\n") == 1


def test_a_full_disk_is_status_1(call, job, monkeypatch):
    from enginelog.store import files

    def full(target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "flush", full)
    status, out, err = call("attach", "1", clip(b"well"), "--stage", "before")
    assert (status, out) == (1, "") and "the disk is full" in err and err.count("\n") == 1
