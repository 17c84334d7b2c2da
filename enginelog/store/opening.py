"""Opening the one file of a store: where it lies, how SQLite is set up, and the migrations."""

from __future__ import annotations

import os
import sqlite3
import time
from pathlib import Path

from enginelog.model import UsageError
from enginelog.model.wording import counted
from enginelog.store import aside, cells, shape
from enginelog.store.errors import StoreUnreadableError, damaged
from enginelog.store.files import FileFolder, files_folder
from enginelog.store.schema import APPLICATION_ID, MIGRATIONS, READABLE_FROM, VERSION

ENVIRONMENT = "ENGINELOG_STORE"
FILE_NAME = "jobs.enginelog"
WAIT_S = 10.0


def default_path() -> Path:
    """Where the store lies when nothing is said: ENGINELOG_STORE, else a file in the user's data folder."""
    told = os.environ.get(ENVIRONMENT)
    if told:
        return Path(told)
    from platformdirs import user_data_path

    return user_data_path("enginelog", appauthor=False) / FILE_NAME


def file_path(path: Path) -> Path:
    """The path, where it can be that of a file; UsageError for a folder."""
    if not path.name or path.is_dir():
        raise UsageError(f"{path}: this is a folder; a file expected, such as {path / FILE_NAME}")
    return path


def connect(path: Path) -> sqlite3.Connection:
    """Open the store, make it where there is none, and bring it to the present version.

    Raises sqlite3.Error and OSError for what SQLite and the file system refuse, StoreUnreadableError for a file that is
    no store, one of a newer version, with triggers or views, or without its tables, and where there is none or an
    empty one beside the files of one.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    new = not path.exists() or path.stat().st_size == 0
    if new:
        _refuse_orphans(path)
    else:
        _check_whole(path)
    only_read = not new and _cannot_write(path)
    db = _read_only(path) if only_read else _open(path, "mode=rwc")
    try:
        _set_up(db)
        _check_origin(db, path)
        _use_write_ahead_log(db)
        if not only_read or not READABLE_FROM <= version_of(db) <= VERSION:
            migrate(db, path)
    except BaseException:
        db.close()
        raise
    return db


def version_of(db: sqlite3.Connection) -> int:
    """The schema version of an open database."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def integrity(db: sqlite3.Connection) -> list[str]:
    """What SQLite's own check finds wrong, one line each; empty where all is well."""
    found = [str(row[0]) for row in db.execute("PRAGMA integrity_check(20)")]
    broken = [f"{row[0]}: row {row[1]} refers to no row of {row[2]}" for row in db.execute("PRAGMA foreign_key_check")]
    return [line for line in found if line != "ok"] + broken[:20]


def _open(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.resolve().as_uri()}?{mode}"
    return sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None)


def _refuse_orphans(path: Path) -> None:
    """Refuse to begin a store where the files of another lie, which has been lost or emptied.

    A new one would hold nothing, be found in order, and its purge would take the recordings for left behind.
    """
    folder = files_folder(path)
    swap = aside.broken_off(path)
    if swap:
        raise StoreUnreadableError(f"{path}: {_broken_off(swap)}")
    count = len(FileFolder(folder).names())
    if count:
        gone = "it is empty" if path.exists() else "its file is gone"
        beside = f"{gone}, and {counted(count, 'file')} of it {'lies' if count == 1 else 'lie'} in {folder.name}"
        raise damaged(path, folder, f"{beside}; to begin anew, rename that folder first")


def _broken_off(swap: aside.Swap) -> str:
    """What to do where a restore was killed between the old store's going and the new one's coming."""
    if aside.under_way(swap):
        return "a restore is under way; try again when it is done"
    renames = ", then ".join(f"{source.name} to {target.name}" for source, target in swap.way_back())
    return (
        "a restore was broken off, and the store before it is aside; 'enginelog restore BACKUP --replace' restores "
        f"anew and keeps that one; to have that one back instead, rename {renames}"
    )


def _check_whole(path: Path) -> None:
    """Refuse a file that is cut short, which SQLite may take for an empty database.

    SQLite's file format, 1.3: the first 16 bytes are fixed, page size at byte 16, number of pages at byte 28.
    With a log or journal beside it SQLite puts the file right itself. Another program that is just making the store
    gets a moment to do so.
    """
    until = time.monotonic() + 0.5
    while why := _cut_short(path):
        if time.monotonic() > until:
            raise damaged(path, files_folder(path), why)
        time.sleep(0.02)


def _cut_short(path: Path) -> str | None:
    if any(path.with_name(path.name + ending).exists() for ending in ("-wal", "-journal")):
        return None
    with path.open("rb") as stream:
        head = stream.read(100)
    if not head:
        return None
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        return "it is no database, or its beginning is overwritten"
    page = int.from_bytes(head[16:18], "big")
    expected = int.from_bytes(head[28:32], "big") * (65536 if page == 1 else page)
    size = path.stat().st_size
    return f"{size} bytes there, {expected} expected" if size < expected else None


def _cannot_write(path: Path) -> bool:
    return not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def _read_only(path: Path) -> sqlite3.Connection:
    """A store in a place that cannot be written can still be read, unless unfinished writes lie beside it."""
    unfinished = path.with_name(path.name + "-wal")
    whole = not unfinished.exists() or unfinished.stat().st_size == 0
    return _open(path, "mode=ro&immutable=1" if whole else "mode=ro")


def _set_up(db: sqlite3.Connection) -> None:
    db.row_factory = sqlite3.Row
    db.execute(f"PRAGMA busy_timeout = {int(WAIT_S * 1000)}")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA trusted_schema = OFF")


def _use_write_ahead_log(db: sqlite3.Connection) -> None:
    """Switch to write-ahead logging; where two programs do so at once, one is told to wait at once, so ask again."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL").fetchone()
            return
        except sqlite3.OperationalError as failed:
            busy = failed.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
            if failed.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
                return
            if not busy or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _check_origin(db: sqlite3.Connection, path: Path) -> None:
    """Refuse another program's database, and a store in which something else than its tables is at work.

    All is read as of one moment, since another program may be just making it.
    """
    db.execute("BEGIN")
    try:
        origin = db.execute("PRAGMA application_id").fetchone()[0]
        filled = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        version = version_of(db)
        if origin != APPLICATION_ID and filled:
            raise StoreUnreadableError(
                f"{path}: this is another program's database, no store of jobs; choose with --store"
            )
        _refuse_newer(version, path)
        if origin == APPLICATION_ID and version < 1:
            wrong: str | None = f"its version is {version}"
        else:
            wrong = shape.at_work(db, version)
        if wrong:
            raise damaged(path, files_folder(path), wrong)
    finally:
        db.execute("ROLLBACK")


def migrate(db: sqlite3.Connection, path: Path) -> None:
    """Run the migrations that are missing, each in a transaction of its own."""
    while (version := version_of(db)) != VERSION:
        _refuse_newer(version, path)
        wrong = next(cells.wrong(db), None) if version else None
        if wrong:
            raise damaged(path, files_folder(path), wrong)
        _step(db, version, path)


def _refuse_newer(version: int, path: Path) -> None:
    if version > VERSION:
        raise StoreUnreadableError(
            f"{path}: this store is of version {version}, made by a newer enginelog; this one knows versions up to "
            f"{VERSION}: install the newer enginelog"
        )


def _step(db: sqlite3.Connection, version: int, path: Path) -> None:
    """One migration, from `version` to the next; nothing where another program has made it meanwhile."""
    db.execute("BEGIN IMMEDIATE")
    try:
        if version_of(db) == version:
            if version == 0:
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            elif not db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'jobs'").fetchone()[0]:
                raise damaged(path, files_folder(path), "its tables are gone")
            for piece in MIGRATIONS[version]:
                if callable(piece):
                    piece(db)
                else:
                    db.execute(piece)
            db.execute(f"PRAGMA user_version = {version + 1}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
