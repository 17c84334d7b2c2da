"""Opening: settings, migrations from every version, and every kind of broken, foreign, newer, full or locked store."""

import contextlib
import errno
import os
import sqlite3
from pathlib import Path
from types import SimpleNamespace

import pytest
from store_makers import fill, rows_of, run_of

from enginelog.model import UsageError
from enginelog.store import (
    StoreNotWrittenError,
    StoreUnreadableError,
    back_up,
    default_path,
    errors,
    files,
    open_store,
    opening,
    restore,
)
from enginelog.store.schema import APPLICATION_ID, MIGRATIONS, TABLES, VERSION


def pragma(store, name):
    return store._db.execute(f"PRAGMA {name}").fetchone()[0]


def test_writes_are_made_to_last(store):
    """SQLite's documentation: with synchronous FULL (2) a commit in WAL mode is on the disk when it returns."""
    assert pragma(store, "journal_mode") == "wal" and pragma(store, "synchronous") == 2
    assert pragma(store, "foreign_keys") == 1 and pragma(store, "busy_timeout") == 10_000
    assert pragma(store, "application_id") == APPLICATION_ID and pragma(store, "user_version") == VERSION


def test_where_the_store_lies(tmp_path, monkeypatch):
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "a" / "b.enginelog"))
    with open_store() as store:
        assert store.path == tmp_path / "a" / "b.enginelog"
    monkeypatch.delenv("ENGINELOG_STORE")
    import platformdirs

    assert default_path().parent == platformdirs.user_data_path("enginelog", appauthor=False)


@pytest.mark.parametrize("name", ["a b?c#d%41.x", "naïve\u202e.x", "quo'te\"s.x", "line\nbreak", "-x", "..x"])
def test_hostile_names_of_stores(tmp_path, name):
    with open_store(tmp_path / name) as store:
        store.take_in(store.remember("pump Heron"))
        assert store.verify() == ()
    assert sorted(entry.name for entry in tmp_path.iterdir()) == [name]


def made_at(path, version):
    """A store as the program of this version left it, with a job in it."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        for step in MIGRATIONS[:version]:
            for piece in step:
                piece(db) if callable(piece) else db.execute(piece)
        db.execute(
            "INSERT INTO machines (label, label_key, strokes, cylinders, firing_angles_deg, assumed, serial, currency, "
            "note, added_utc, added_zone) VALUES ('Pump', 'pump', 4, 1, '[0.0]', '[]', '', 'EUR', '', "
            "'2026-01-01T00:00:00Z', '+00:00')"
        )
        db.execute(
            "INSERT INTO jobs (machine_id, opened_utc, opened_zone, complaint, oil_level, fuel_state, smell, damage, "
            "note, state, waiting_for, since_utc, since_zone) VALUES (1, '2026-01-01T00:00:00Z', '+00:00', 'HUNTS', "
            "'', '', '', '', '', 'open', '', '2026-01-01T00:00:00Z', '+00:00')"
        )
        if version >= 2:
            db.execute("INSERT INTO job_texts VALUES (1, 'pump hunts')")
        db.execute(f"PRAGMA user_version = {version}")


@pytest.mark.parametrize("version", range(1, VERSION + 1))
def test_a_store_of_each_earlier_version_is_brought_up_to_date(tmp_path, version):
    path = tmp_path / "old.enginelog"
    made_at(path, version)
    with open_store(path) as store, open_store(tmp_path / "new.enginelog") as new:
        assert pragma(store, "user_version") == VERSION and store.verify() == ()
        assert [line.job.complaint for line in store.jobs("hunts")] == ["HUNTS"]
        schema = "SELECT type, name, sql FROM sqlite_master ORDER BY name"
        assert list(map(tuple, store._rows(schema))) == list(map(tuple, new._rows(schema)))


@pytest.mark.parametrize("left", ["gone", "empty"])
def test_no_store_is_begun_over_the_files_of_one_that_is_lost(tmp_path, left):
    """It would hold no jobs and be found in order, and its purge would delete the recordings left."""
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
        back_up(store, tmp_path / "shed.zip")
    kept = sorted(entry.name for entry in opening.files_folder(path).iterdir())
    path.unlink()
    if left == "empty":
        path.touch()
    with pytest.raises(StoreUnreadableError, match=f"it.*{left}.*rename that folder first.*restore"):
        open_store(path)
    assert path.exists() == (left == "empty") and sorted(e.name for e in opening.files_folder(path).iterdir()) == kept
    restore(tmp_path / "shed.zip", path, replace=True)
    with open_store(path) as store:
        assert store.verify() == () and store.count("jobs")


def test_every_table_is_listed_for_export():
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        for step in MIGRATIONS:
            for piece in step:
                piece(db) if callable(piece) else db.execute(piece)
        names = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert names - {"sqlite_sequence"} == set(TABLES)


def test_a_migration_that_fails_leaves_the_store_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "old.enginelog"
    made_at(path, 1)

    def fails(db):
        raise sqlite3.OperationalError("near nothing: stopped")

    broken = (*MIGRATIONS[:1], (MIGRATIONS[1][0], fails), *MIGRATIONS[2:])
    monkeypatch.setattr(opening, "MIGRATIONS", broken)
    with pytest.raises(StoreNotWrittenError):
        open_store(path)
    monkeypatch.undo()
    with open_store(path) as store:
        assert len(store.jobs("hunts")) == 1 and store.verify() == ()


def test_a_store_of_a_newer_version_is_refused_with_a_clear_line(tmp_path):
    path = tmp_path / "new.enginelog"
    open_store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    before = path.read_bytes()
    with pytest.raises(StoreUnreadableError, match=f"version {VERSION + 1}, made by a newer enginelog") as refused:
        open_store(path)
    assert "\n" not in str(refused.value) and path.read_bytes() == before


def test_another_programs_database_is_refused_and_not_touched(tmp_path):
    path = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE birds (name)")
        db.commit()
    with pytest.raises(StoreUnreadableError, match="another program's database"):
        open_store(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert [row[0] for row in db.execute("SELECT name FROM sqlite_master")] == ["birds"]


@pytest.mark.parametrize("content", [b"not a database at all, but a letter to the allotment board", b"\x00" * 5000])
def test_a_file_that_is_no_database_is_refused(tmp_path, content):
    path = tmp_path / "letter.txt"
    path.write_bytes(content)
    with pytest.raises(StoreUnreadableError):
        open_store(path)
    assert path.read_bytes() == content


def test_a_folder_or_a_path_below_a_file_is_refused(tmp_path):
    with pytest.raises(UsageError, match="a file expected"):
        open_store(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreNotWrittenError):
        open_store(tmp_path / "file" / "shed.enginelog")
    with pytest.raises(UsageError, match="empty"):
        open_store(" ")


def damage(path, offset, size=2000):
    data = bytearray(path.read_bytes())
    data[offset : offset + size] = b"\xa5" * min(size, len(data) - offset)
    path.write_bytes(data)


def everything(store):
    """Read all that commands read."""
    store.jobs()
    store.machines()
    store.history("tiller Marigold")
    store.record(1)
    return store.verify()


def test_damage_anywhere_is_an_error_or_said_by_verify_and_the_recordings_stay_readable(tmp_path):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
    sound = path.read_bytes()
    said = 0
    for page in range(len(sound) // 4096):
        path.write_bytes(sound)
        damage(path, page * 4096)
        try:
            with open_store(path) as store:
                assert everything(store), f"page {page} is overwritten, but nothing was said"
        except StoreUnreadableError as refused:
            said += "damaged" in str(refused) and "restore" in str(refused)
            assert "\n" not in str(refused)
    assert said > 5
    kept = opening.files_folder(path)
    assert b"sound" in {entry.read_bytes() for entry in kept.iterdir()}


def test_a_store_cut_short_is_said_to_be_damaged(tmp_path):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
    sound = path.read_bytes()
    for length in (1, 99, 4096, len(sound) // 2, len(sound) - 4096):
        path.write_bytes(sound[:length])
        with pytest.raises(StoreUnreadableError, match="damaged"), open_store(path) as store:
            if everything(store):
                raise StoreUnreadableError("damaged, as verify says")


@pytest.mark.parametrize(("free", "said"), [(0, "the disk is full"), (1 << 30, "disk I/O error")])
def test_a_disk_too_full_to_read_is_told_from_one_that_fails(tmp_path, monkeypatch, free, said):
    """Seen on a tmpfs filled to the last byte: SQLite then tells of SQLITE_IOERR_SHMSIZE, 'disk I/O error', alone."""
    failed = sqlite3.OperationalError("disk I/O error")
    failed.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMSIZE
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=free))
    with pytest.raises(StoreNotWrittenError, match=said), errors.explained(tmp_path / "a", tmp_path / "b"):
        raise failed


def test_a_full_disk_keeps_what_was_there_and_says_so(store, tmp_path):
    """SQLite's max_page_count makes the same error as a full disk (SQLITE_FULL)."""
    job = store.take_in(store.remember("pump Heron"), "hunts")
    store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store._db.execute(f"PRAGMA max_page_count = {pragma(store, 'page_count') + 2}")
    written = 0
    with pytest.raises(StoreNotWrittenError, match="the disk is full"):
        for _ in range(500):
            store.add_work(job.id, "labour", "x" * 400)
            written += 1
    assert written and len(store.record(job.id).work) == written and store.verify() == ()
    store._db.execute("PRAGMA max_page_count = 100000")
    store.add_work(job.id, "labour", "room again")
    assert len(store.record(job.id).work) == written + 1


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT])
def test_a_full_disk_while_a_recording_is_copied_leaves_no_trace(store, tmp_path, monkeypatch, code):
    store.take_in(store.remember("pump Heron"))
    recording = tmp_path / "before.m4a"
    recording.write_bytes(b"sound")

    def full(target):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(files, "flush", full)
    with pytest.raises(StoreNotWrittenError, match="the disk is full"):
        store.attach(1, run_of(b"sound"), "before", recording=recording)
    assert list(store.files.folder.iterdir()) == [] and store.count("runs") == 0 == store.count("files")
    monkeypatch.undo()
    assert store.attach(1, run_of(b"sound"), "before", recording=recording).recording_kept


def test_a_real_full_file_system_is_said(tmp_path):
    """/dev/full answers every write with ENOSPC (Linux, full(4)): the code that copies recordings meets it as it is."""
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full here")
    from enginelog.store.errors import explained

    full = pytest.raises(StoreNotWrittenError, match="the disk is full")
    with full, explained(tmp_path, tmp_path), open("/dev/full", "wb", buffering=0) as target:
        target.write(b"x")
        files.flush(target)


def test_a_place_that_cannot_be_written_can_be_read_and_says_what_it_refuses(tmp_path, monkeypatch):
    """The superuser writes everywhere, so the question "may I write" is answered here by the test."""
    path = tmp_path / "shed.enginelog"
    with open_store(path) as store:
        fill(store, tmp_path)
    monkeypatch.setattr(opening, "_cannot_write", lambda path: True)
    with open_store(path) as store:
        assert store.record(1).machine.label == "tiller Marigold" and len(store.jobs()) == 2
        with pytest.raises(StoreNotWrittenError, match="can only be read"):
            store.take_in("tiller Marigold")
        with pytest.raises(StoreNotWrittenError, match="can only be read"):
            store.change_job(1, note="x")


def test_an_earlier_store_in_a_place_that_cannot_be_written_is_read_as_it_is(tmp_path, monkeypatch):
    """Bringing it up to date would need to write; what version 4 added, reading can do without."""
    path = tmp_path / "old.enginelog"
    made_at(path, 3)
    monkeypatch.setattr(opening, "_cannot_write", lambda path: True)
    with open_store(path) as store:
        assert pragma(store, "user_version") == 3 and store.identity() == "" and len(store.jobs("hunts")) == 1


def test_each_store_is_told_from_every_other(tmp_path):
    """Job 1 of one is another machine than job 1 of the other; a restored one goes ways of its own from then on."""
    made_at(tmp_path / "old.enginelog", 3)
    paths = [tmp_path / name for name in ("old.enginelog", "a.enginelog", "b.enginelog")]
    known = set()
    for path in paths:
        with open_store(path) as store:
            known.add(store.identity())
            if path.stem == "a":
                store.take_in(store.remember("pump Heron"))
                back_up(store, tmp_path / "a.zip")
    for path in (paths[1], tmp_path / "c.enginelog"):
        restore(tmp_path / "a.zip", path, replace=True)
        with open_store(path) as store:
            known.add(store.identity())
            assert store.verify() == ()
        with open_store(path) as store:
            assert store.identity() in known
    assert len(known) == 5 and all(len(each) == 16 for each in known)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_folder_that_is_read_only_in_earnest(tmp_path):
    """As another user where the tests run as the superuser, whom no rights hold back."""
    import shutil
    import tempfile

    folder = Path(tempfile.mkdtemp())
    try:
        with open_store(folder / "shed.enginelog") as store:
            store.take_in(store.remember("pump Heron"), "hunts")
        folder.chmod(0o555)
        child = os.fork()
        if child == 0:
            os._exit(_reads_but_does_not_write(folder / "shed.enginelog"))
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def _reads_but_does_not_write(path):
    """7 where all is as it should be, else another number: the exit status of a child process."""
    try:
        if os.geteuid() == 0:
            os.setgid(65534)
            os.setuid(65534)
        with open_store(path) as store:
            if store.jobs()[0].job.complaint != "hunts" or store.verify():
                return 1
            try:
                store.take_in("pump Heron")
            except StoreNotWrittenError as refused:
                return 7 if "can only be read" in str(refused) else 2
        return 3
    except BaseException:
        return 4


def test_a_folder_without_rights_is_said(tmp_path, monkeypatch):
    def denied(*args, **more):
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / "locked"))

    monkeypatch.setattr(opening.Path, "mkdir", denied)
    with pytest.raises(StoreNotWrittenError, match="cannot be written"):
        open_store(tmp_path / "locked" / "shed.enginelog")


def test_a_store_another_program_holds_is_said_after_waiting(tmp_path, monkeypatch):
    path = tmp_path / "shed.enginelog"
    monkeypatch.setattr(opening, "WAIT_S", 0.2)
    with open_store(path) as store, open_store(path) as other:
        store.remember("pump Heron")
        with other.transaction(), pytest.raises(StoreNotWrittenError, match="another program"):
            store.take_in("pump Heron")
        assert store.take_in("pump Heron").id == 1


def test_two_open_stores_see_each_others_writes(tmp_path):
    path = tmp_path / "shed.enginelog"
    with open_store(path) as one, open_store(path) as two:
        job = one.take_in(one.remember("pump Heron"))
        two.tick(job.id, "spark", "pass")
        assert len(one.record(job.id).checks) == 1
        assert rows_of(one) == rows_of(two)
