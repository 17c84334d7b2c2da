"""A backup or a store file that somebody else made: what no store holds is refused as a whole, and where such a file is
opened all the same, nothing outside the job record is shown, copied or deleted."""

import contextlib
import hashlib
import json
import sqlite3
import zipfile

import pytest
from store_makers import fill
from test_store_opening import made_at

from enginelog.cli.main import main
from enginelog.model import EnginelogError, UnreadableError
from enginelog.store import StoreUnreadableError, back_up, export_to, import_from, open_store, restore
from enginelog.store.schema import APPLICATION_ID, VERSION


def changed(path, *statements):
    """A database changed by statements of SQL, as any program can."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)
    return path


def packed(database, target):
    """A backup of this database alone, whose manifest is right."""
    content = database.read_bytes()
    about = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    said = {"schema": "enginelog/backup/1", "version": VERSION, "program_version": "0", "as_packed": True}
    with zipfile.ZipFile(target, "w") as pack:
        pack.writestr("store.enginelog", content)
        pack.writestr("manifest.json", json.dumps(said | {"entries": {"store.enginelog": about}}))
    return target


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """The bytes of a filled store in one file."""
    folder = tmp_path_factory.mktemp("sound")
    with open_store(folder / "a.enginelog") as store:
        fill(store, folder)
    return changed(folder / "a.enginelog", "PRAGMA journal_mode = DELETE").read_bytes()


@pytest.fixture
def store_file(sound, tmp_path):
    """A copy of it, to be changed."""
    path = tmp_path / "theirs" / "a.enginelog"
    path.parent.mkdir()
    path.write_bytes(sound)
    return path


GONE = [f"DROP TABLE {name}" for name in ("job_texts", "records", "analyses", "runs", "work", "checks", "events",
                                          "handbacks", "jobs", "machines", "files")]  # fmt: skip
AT_WORK = {
    "a trigger": ["CREATE TRIGGER tidy AFTER UPDATE ON jobs BEGIN DELETE FROM work; END"],
    "a trigger before": ["CREATE TRIGGER tidy BEFORE INSERT ON events BEGIN SELECT RAISE(IGNORE); END"],
    "a view": ["CREATE VIEW extra AS SELECT * FROM jobs"],
    "a view as a table": ["ALTER TABLE work RENAME TO work2", "CREATE VIEW work AS SELECT * FROM work2"],
    "a table less": ["DROP TABLE job_texts"],
    "no tables": ["PRAGMA foreign_keys = OFF", *GONE],
    "no tables, version 0": ["PRAGMA foreign_keys = OFF", *GONE, "PRAGMA user_version = 0"],
    "version 0": ["PRAGMA user_version = 0"],
    "version 1": ["PRAGMA user_version = 1"],
    "version 99": ["PRAGMA user_version = 99"],
    "version below 0": ["PRAGMA user_version = -1"],
    "another program's": ["PRAGMA application_id = 7"],
}
OTHERWISE = {
    "a table more": ["CREATE TABLE extra (a)"],
    "a virtual table": ["CREATE VIRTUAL TABLE extra USING fts4(a)"],
    "an index less": ["DROP INDEX jobs_by_state"],
    "a column more": ["ALTER TABLE work ADD COLUMN extra TEXT"],
    "a rule less": ["ALTER TABLE work RENAME TO old", "CREATE TABLE work AS SELECT * FROM old", "DROP TABLE old"],
}
AIDS = {"an index more": ["CREATE INDEX extra ON jobs (note)"], "statistics": ["ANALYZE"]}
UNREADABLE = {
    "figures cut short": ["UPDATE analyses SET figures = '[1,2'"],
    "figures of text": ["""UPDATE analyses SET figures = '{"rpm": "fast"}'"""],
    "figures deep": [f"UPDATE analyses SET figures = '{'[' * 90_000}'"],
    "conditions cut short": ["UPDATE runs SET conditions = '['"],
    "angles cut short": ["UPDATE machines SET firing_angles_deg = '['"],
    "cost as bytes": ["UPDATE work SET cost_cents = x'00'"],
    "cost as words": ["UPDATE work SET cost_cents = 'much'"],
    "note as bytes": ["UPDATE jobs SET note = x'ff00'"],
    "note with NUL": ["UPDATE jobs SET note = 'a' || char(0) || 'b'"],
    "no UTF-8": ["UPDATE jobs SET note = CAST(x'ff' AS TEXT)"],
    "no time": ["UPDATE jobs SET opened_utc = 'soon'"],
    "no such zone": ["UPDATE jobs SET opened_zone = '+99:00'"],
    "half a time": ["UPDATE work SET dropped_utc = '2026-04-11T09:00:00Z'"],
    "beyond the calendar": ["UPDATE jobs SET opened_utc = '0001-01-01T00:00:00Z', opened_zone = '-02:00'"],
    "numbers used up": ["UPDATE sqlite_sequence SET seq = 9223372036854775807"],
    "a path as ending": ["UPDATE files SET ending = '/../../x'"],
    "a file without hash": ["UPDATE runs SET recording_kept = 0", "UPDATE checks SET photo_sha256 = NULL",
                            "UPDATE handbacks SET report_sha256 = NULL", "UPDATE files SET sha256 = NULL"],
    "a path as hash": [f"UPDATE runs SET recording_kept = 0, recording_sha256 = '{'../' * 21}x'"],
    "analysis without record": ["DELETE FROM records"],
    "run without analysis": ["DELETE FROM records", "DELETE FROM analyses"],
}  # fmt: skip


def refuses(path, tmp_path):
    """A restore of it is refused in one line, and the store that is there stays as it was."""
    with open_store(tmp_path / "mine" / "b.enginelog") as mine:
        mine.take_in(mine.remember("pump Heron"))
    before = sorted(each.name for each in (tmp_path / "mine").iterdir())
    with pytest.raises(UnreadableError, match="nothing was restored: the store in it is damaged") as refused:
        restore(packed(path, tmp_path / "a.zip"), tmp_path / "mine" / "b.enginelog", replace=True)
    assert "\n" not in str(refused.value) and len(str(refused.value)) < 600
    assert sorted(each.name for each in (tmp_path / "mine").iterdir()) == before
    with open_store(tmp_path / "mine" / "b.enginelog") as mine:
        assert mine.count("jobs") == 1 and mine.verify() == ()


def test_what_is_changed_below_can_be_restored(store_file, tmp_path):
    restored = restore(packed(store_file, tmp_path / "a.zip"), tmp_path / "b.enginelog")
    with open_store(restored.path) as store:
        assert store.count("jobs") == 3


@pytest.mark.parametrize("name", AT_WORK)
def test_a_store_with_something_else_at_work_in_it_is_neither_restored_nor_opened(store_file, tmp_path, name):
    changed(store_file, *AT_WORK[name])
    refuses(store_file, tmp_path)
    before = store_file.read_bytes()
    with pytest.raises(StoreUnreadableError) as refused:
        open_store(store_file)
    assert "\n" not in str(refused.value) and store_file.read_bytes() == before


@pytest.mark.parametrize("name", OTHERWISE)
def test_a_store_that_is_otherwise_is_opened_but_not_restored_and_no_backup_of_it_is_made(store_file, tmp_path, name):
    """Nothing works unseen there, and nobody is kept out of an own job record."""
    changed(store_file, *OTHERWISE[name])
    refuses(store_file, tmp_path)
    with open_store(store_file) as store, pytest.raises(UnreadableError, match="no backup made"):
        assert store.count("jobs") == 3
        back_up(store, tmp_path / "c.zip")


@pytest.mark.parametrize("name", AIDS)
def test_what_another_program_left_to_find_rows_faster_is_left_out_of_a_backup(store_file, tmp_path, name):
    changed(store_file, *AIDS[name])
    with open_store(store_file) as store:
        back_up(store, tmp_path / "c.zip")
    with open_store(restore(tmp_path / "c.zip", tmp_path / "b.enginelog").path) as store:
        assert store.count("jobs") == 3  # the files of this one are elsewhere


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_store_with_what_cannot_be_read_is_not_restored_and_verify_names_it(
    store_file, tmp_path, capsys, monkeypatch, name
):
    """Opened all the same, it is an error of one line or shown, never a fault of this program."""
    changed(store_file, "PRAGMA foreign_keys = OFF", *UNREADABLE[name])
    refuses(store_file, tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(store_file))
    monkeypatch.chdir(tmp_path)
    assert main(["verify"]) == 4
    said = capsys.readouterr().err
    assert "fault in enginelog" not in said and not all("this file is gone" in line for line in said.splitlines())
    with open_store(store_file) as store, pytest.raises(UnreadableError, match="no backup made|damaged"):
        back_up(store, tmp_path / "c.zip")
    assert not (tmp_path / "c.zip").exists(), "none is made that a restore would refuse"


@pytest.mark.parametrize("name", ["figures cut short", "figures of text", "conditions cut short", "angles cut short",
                                  "no UTF-8", "no time", "no such zone", "half a time",
                                  "beyond the calendar"])  # fmt: skip
def test_texts_that_hold_nothing_readable_are_no_fault_of_the_program(store_file, tmp_path, capsys, monkeypatch, name):
    changed(store_file, *UNREADABLE[name])
    monkeypatch.setenv("ENGINELOG_STORE", str(store_file))
    monkeypatch.chdir(tmp_path)
    assert main(["job", "1"]) == 4
    error = capsys.readouterr().err
    assert len(error.splitlines()) == 1 and "fault in" not in error and "backup" in error


@pytest.mark.parametrize("version", range(1, VERSION + 1))
def test_a_backup_of_each_earlier_version_is_restored(tmp_path, version):
    made_at(tmp_path / "old.enginelog", version)
    changed(tmp_path / "old.enginelog", "PRAGMA journal_mode = DELETE")
    restored = restore(packed(tmp_path / "old.enginelog", tmp_path / "a.zip"), tmp_path / "b.enginelog")
    with open_store(restored.path) as store:
        assert store.verify() == () and [line.job.complaint for line in store.jobs("hunts")] == ["HUNTS"]


def test_an_old_store_is_not_brought_up_to_date_from_what_cannot_be_read(tmp_path):
    made_at(tmp_path / "old.enginelog", 1)
    changed(tmp_path / "old.enginelog", "UPDATE jobs SET complaint = x'00'")
    with pytest.raises(StoreUnreadableError, match="damaged.*complaint is"):
        open_store(tmp_path / "old.enginelog")


def naming(store_file, canary):
    """The store names a file outside as a kept one: a path of 64 characters, which the table takes for a hash."""
    place = str(canary.parent)
    place = place + "/" * (64 - len(place) - len(canary.name)) + canary.name
    assert len(place) == 64
    changed(store_file, "PRAGMA foreign_keys = OFF", f"UPDATE files SET sha256 = '{place}', ending = '' "
            "WHERE ending = '.m4a'", f"UPDATE runs SET recording_sha256 = '{place}' WHERE id = 1")  # fmt: skip
    return store_file


def test_no_file_outside_is_reached_by_a_name_in_the_store(store_file, tmp_path_factory, tmp_path):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory(prefix="e") as short:  # a path that leaves room within 64 characters
        canary = Path(short) / "c.m4a"
        canary.write_text("not of the job record")
        naming(store_file, canary)
        refuses(store_file, tmp_path)
        with open_store(store_file) as store:
            for task in (
                lambda: store.files_of(1),
                lambda: store.copy_files(1, tmp_path / "copies"),
                lambda: store.recording(1),
                lambda: back_up(store, tmp_path / "b.zip"),
            ):
                with pytest.raises(StoreUnreadableError) as refused:
                    task()
                assert "\n" not in str(refused.value)
            made = export_to(store, tmp_path / "out")  # what it says of the file, and not the file
            assert any("sha256" in line for line in made.unsound)
            copies = [each for each in (tmp_path / "out").rglob("*") if each.is_file()]
            assert copies and not any(b"not of the job record" in each.read_bytes() for each in copies)
            assert any("sha256" in problem.text for problem in store.verify())
            store.drop("run", 1)
            with pytest.raises(EnginelogError, match="no name of a kept file"):
                store.purge()
            assert store.count("runs") == 2, "a purge is done entirely or not at all"
        assert canary.read_text() == "not of the job record"
        assert not (tmp_path / "b.zip").exists() and not list((tmp_path / "copies").iterdir())


@pytest.mark.parametrize(("table", "name", "value"), [("jobs", "opened_zone", "+99:00"), ("jobs", "id", (1 << 63) - 1),
                                                      ("files", "sha256", None)])  # fmt: skip
def test_an_import_refuses_the_same(store, tmp_path, table, name, value):
    fill(store, tmp_path)
    export_to(store, tmp_path / "out", with_files=False)
    document = json.loads((tmp_path / "out" / "record.json").read_text())
    document["tables"][table][-1][name] = value
    (tmp_path / "out" / "record.json").write_text(json.dumps(document))
    with (
        open_store(tmp_path / "new.enginelog") as new,
        pytest.raises(UnreadableError, match="nothing was imported"),
    ):
        import_from(new, tmp_path / "out")


def test_a_new_store_is_as_its_migrations_make_it(store):
    assert store._db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    open_store(store.path).close()
