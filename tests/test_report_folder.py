"""The report's folder: all files whole or none new, tables safe to open, no name of a recording in a path."""

import csv
import io
import json
import os
import stat
from dataclasses import replace

import make_runs
import numpy as np
import pytest
import sim_tracks as sim

from enginelog import report
from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import Span
from enginelog.report import folder as folder_module
from enginelog.report.tables import cell

NAMES = {"report.html", "run.json", "speed.csv", "firing.csv", "speed.png"}


@pytest.mark.parametrize("name", ["weak_twin", "pulls_only", "unusable_clip", "nothing_known", "hostile", "two_hours"])
def test_every_kind_of_run_is_written(name, tmp_path):
    run = make_runs.ALL[name]()
    written = report.write_folder(run, tmp_path / "made" / "on the way")
    assert {p.name for p in written.folder.iterdir()} == NAMES
    assert report.from_json(written.run_json.read_text("utf-8")) == report.record(run)
    assert written.report_html.read_text("utf-8").rstrip().endswith("</html>")
    assert written.speed_png.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    rows = list(csv.reader(io.StringIO(written.speed_csv.read_text("ascii"), newline="")))
    assert rows[0] == ["t_s", "rpm", "confidence", "rpm_std", "kind"]
    assert len(rows) == 1 + len(run.track.t_s)
    firing = list(csv.reader(io.StringIO(written.firing_csv.read_text("ascii"), newline="")))
    assert len(firing) == 1 + len(run.firings.t_s) and all(len(row) == 10 for row in firing)


def test_tables_hold_the_values():
    run = make_runs.weak_twin()
    rows = list(csv.DictReader(io.StringIO(report.speed_csv(run), newline="")))
    for at in (0, 100, 300, len(rows) - 1):
        known = np.isfinite(run.track.rpm[at])
        assert float(rows[at]["t_s"]) == pytest.approx(run.track.t_s[at], abs=1e-4)
        assert (rows[at]["rpm"] == "") == (not known)
        assert not known or float(rows[at]["rpm"]) == pytest.approx(run.track.rpm[at], abs=0.06)
    assert rows[0]["kind"] == "quiet" and rows[30]["kind"] == "pull" and rows[300]["kind"] == "run"
    firing = list(csv.DictReader(io.StringIO(report.firing_csv(run), newline="")))
    assert [row["slot"] for row in firing[:4]] == ["0", "1", "0", "1"]
    assert float(firing[7]["strength"]) == pytest.approx(run.firings.strength[7], abs=1e-4)
    assert sum(float(row["miss_probability"]) > 0.5 for row in firing) == run.measures.firing.misfires


@pytest.mark.parametrize("kind", ["misfiring", "bursting", "settling", "steady"])
def test_the_rows_that_count_are_the_events_of_the_record(kind):
    """Firings of a pull, a run-down or silence are in the table, and so are those of a run that were not judged."""
    case = sim.draw(kind, 5)
    start_s, end_s = case.firings.t_s[0] + 1.0, case.firings.t_s[-1] - 2.0
    middle = (Span("quiet", 0.0, start_s), Span("run", start_s, end_s), Span("rundown", end_s, end_s + 9.0))
    case = replace(case, timeline=replace(case.timeline, spans=middle))
    chances = case.firings.miss_probability.copy()
    chances[60:90] = np.nan
    for firings in (case.firings, replace(case.firings, miss_probability=chances)):
        measures = judge(case.engine, case.quality, case.timeline, case.speed, case.track, firings, load("findings"))
        run = replace(make_runs.weak_twin(), timeline=case.timeline, firings=firings, measures=measures)
        rows = list(csv.DictReader(io.StringIO(report.firing_csv(run), newline="")))
        counted = [row for row in rows if row["counted"] == "1"]
        assert len(counted) == measures.firing.events < len(rows) and {row["kind"] for row in counted} == {"run"}
        assert {row["kind"] for row in rows} == {"quiet", "run", "rundown"}


def test_no_firing_of_a_recording_that_cannot_be_used_counts():
    run = make_runs.weak_twin()
    none = replace(run.measures, firing=replace(run.measures.firing, events=0))
    rows = list(csv.DictReader(io.StringIO(report.firing_csv(replace(run, measures=none)), newline="")))
    assert rows and {row["counted"] for row in rows} == {"0"}


def test_lines_end_as_the_standard_says():
    # RFC 4180, section 2: each record on its own line, ended by CR LF.
    text = report.speed_csv(make_runs.pulls_only())
    assert text.count("\r\n") == text.count("\n") == text.count("\r")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", " =", "\t@"])
def test_no_text_is_taken_as_a_formula(start):
    # OWASP, CSV injection: cells that begin with = + - @ tab or carriage return.
    assert cell(f"{start}HYPERLINK(1)").startswith("'")


def test_numbers_and_plain_texts_stay_as_they_are():
    assert [cell(v) for v in (-0.5, 3, "run", "", None, float("nan"), float("inf"))] == [
        "-0.5", "3", "run", "", "", "", "",
    ]  # fmt: skip


def test_hostile_kind_in_the_table_is_no_formula():
    run = make_runs.pulls_only()
    span = replace(run.timeline.spans[0], kind="=1+1")
    rows = report.speed_csv(replace(run, timeline=replace(run.timeline, spans=(span,))))
    assert ",'=1+1\r\n" in rows and ",=1+1" not in rows


@pytest.mark.parametrize("name", ["../../escape.m4a", "/etc/x", "a\\b:c*?.wav", "-rf", "", "\udce9.wav", "x" * 300])
def test_name_of_the_recording_never_becomes_a_path(name, tmp_path):
    run = make_runs.talk_only()
    report.write_folder(replace(run, clip=replace(run.clip, name=name)), tmp_path / "in")
    assert [p.name for p in tmp_path.iterdir()] == ["in"]
    assert {p.name for p in (tmp_path / "in").iterdir()} == NAMES


def test_writing_again_replaces_everything(tmp_path):
    report.write_folder(make_runs.weak_twin(), tmp_path)
    written = report.write_folder(make_runs.talk_only(), tmp_path)
    assert json.loads(written.run_json.read_text())["clip"]["name"] == "meeting.m4a"
    assert "No running engine was heard" in written.report_html.read_text("utf-8")
    assert len(written.firing_csv.read_text().splitlines()) == 1
    assert {p.name for p in tmp_path.iterdir()} == NAMES


@pytest.mark.parametrize("failing", range(5))
def test_full_disk_leaves_nothing_half_written(failing, tmp_path, monkeypatch):
    report.write_folder(make_runs.talk_only(), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    calls = iter(range(100))

    def fsync(handle):
        if next(calls) == failing:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder_module.os, "fsync", fsync)
    with pytest.raises(OSError, match="No space left"):
        report.write_folder(make_runs.pulls_only(), tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@pytest.mark.parametrize("there", [True, False])
def test_full_disk_leaves_no_empty_folder_that_was_made_for_it(there, tmp_path, monkeypatch):
    """What was there before stays, empty or not: it is somebody's own."""

    def fsync(handle):
        raise OSError(28, "No space left on device")

    own = tmp_path / "own"
    if there:
        (own / "reports").mkdir(parents=True)
    monkeypatch.setattr(folder_module.os, "fsync", fsync)
    with pytest.raises(OSError, match="No space left"):
        report.write_folder(make_runs.talk_only(), own / "reports" / "clip")
    assert (own / "reports").exists() == own.exists() == there
    assert not (own / "reports" / "clip").exists()


def test_a_folder_made_for_it_stays_where_somebody_else_put_a_file_into_it(tmp_path, monkeypatch):
    def fsync(handle):
        (tmp_path / "reports" / "theirs.txt").write_text("x")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder_module.os, "fsync", fsync)
    with pytest.raises(OSError, match="No space left"):
        report.write_folder(make_runs.talk_only(), tmp_path / "reports" / "clip")
    assert [path.name for path in (tmp_path / "reports").iterdir()] == ["theirs.txt"]


def test_failed_rename_leaves_no_temporary_file(tmp_path, monkeypatch):
    real, calls = os.replace, iter(range(100))

    def replace_file(source, target):
        if next(calls) == 2:
            raise PermissionError(13, "in use")
        real(source, target)

    monkeypatch.setattr(folder_module.os, "replace", replace_file)
    with pytest.raises(PermissionError):
        report.write_folder(make_runs.talk_only(), tmp_path)
    assert {p.name for p in tmp_path.iterdir()} <= NAMES


def test_failed_rendering_touches_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(folder_module, "main_picture", lambda run: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        report.write_folder(make_runs.talk_only(), tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_folder_that_is_a_file(tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(OSError):
        report.write_folder(make_runs.talk_only(), tmp_path / "taken")
    assert (tmp_path / "taken").read_text() == "x"


@pytest.mark.skipif(os.name == "nt", reason="file modes are those of POSIX")
def test_files_can_be_read_as_any_new_file(tmp_path):
    written = report.write_folder(make_runs.talk_only(), tmp_path)
    plain = tmp_path / "plain"
    plain.write_text("")
    assert stat.S_IMODE(written.report_html.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
