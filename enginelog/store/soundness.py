"""Whether what a database holds can be read as the program reads it: asked of backups, before they are made and before
they are restored, of imports, and by `verify`. What refuses a backup here is what a restore would refuse, so that none
is made that helps nobody."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import chain
from pathlib import Path
from typing import Any

from enginelog.model import StoredRun, UsageError
from enginelog.store import cells, opening, shape
from enginelog.store.entries import analysis_from, check_from, stored_from, work_from
from enginelog.store.errors import StoreUnreadableError
from enginelog.store.jobs import job_from
from enginelog.store.machines import machine_from, row_of
from enginelog.store.schema import APPLICATION_ID, VERSION

UNREADABLE = (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError, OverflowError, UsageError,
               StoreUnreadableError)  # fmt: skip


def wrong_outside(path: Path) -> str | None:
    """What is wrong first with a database from outside, None where it is a store, whole and sound.

    One of an earlier version is brought to the present one on the way.
    """
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.row_factory = sqlite3.Row
        try:
            db.execute("PRAGMA trusted_schema = OFF")
            db.execute("PRAGMA cell_size_check = ON")
            found = _no_store(db)
            if found is None and opening.version_of(db) < VERSION:
                found = next(chain(opening.integrity(db), cells.wrong(db)), None)
            if found is None:
                opening.migrate(db, path)
                found = first_wrong(db)
        except (sqlite3.Error, StoreUnreadableError) as failed:
            found = str(failed)
    return found


def _no_store(db: sqlite3.Connection) -> str | None:
    """Why a database is none of a store of any version known here; looks at nothing in its tables."""
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        return "it is no store"
    version = opening.version_of(db)
    if not 1 <= version <= VERSION:
        return f"its version is {version}, one from 1 to {VERSION} expected"
    return shape.strange(db, version)


def first_wrong(db: sqlite3.Connection) -> str | None:
    """What is wrong first in a database of the present version, None where all can be read."""
    return next(all_wrong(db), None)


def all_wrong(db: sqlite3.Connection, records: bool = True) -> Iterator[str]:
    """What is wrong in a database of the present version, one line each; records: also where one is no bytes."""
    return chain(opening.integrity(db), wrong_entries(db, records), _without_record(db))


def is_store(path: Path) -> bool:
    """Whether a database is a store of a version known here, whatever its entries hold."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        try:
            db.execute("PRAGMA trusted_schema = OFF")
            return _no_store(db) is None
        except sqlite3.Error:
            return False


def wrong_entries(db: sqlite3.Connection, records: bool = True) -> Iterator[str]:
    """Cells that hold what they may not, or, where there are none, entries that cannot be read, one line each."""
    sound = True
    for line in cells.wrong(db, records):
        sound = False
        yield line
    if not sound:
        return
    for table, read in _READERS.items():
        for row in db.execute(f"SELECT * FROM {table} ORDER BY id").fetchall():
            try:
                read(row, db)
            except UNREADABLE as failed:
                yield f"row {row['id']} of {table} cannot be read ({failed})"


def _without_record(db: sqlite3.Connection) -> Iterator[str]:
    query = "SELECT id FROM analyses WHERE id NOT IN (SELECT analysis_id FROM records) ORDER BY id"
    for (number,) in db.execute(query):
        yield f"analysis {number} has no record"


def _read_machine(row: sqlite3.Row, db: sqlite3.Connection) -> None:
    for name, value in row_of(machine_from(row)).items():
        if value != row[name]:
            raise ValueError(f"{name} is not as it is written")


def _read_run(row: sqlite3.Row, db: sqlite3.Connection) -> None:
    analyses = db.execute("SELECT * FROM analyses WHERE run_id = ? ORDER BY id", (row["id"],)).fetchall()
    if not analyses:
        raise ValueError("its analysis is gone; fetch it from a backup")
    run = stored_from(row, tuple(map(analysis_from, analyses)), None)
    if not _has_recording(run, db):
        raise ValueError("its recording is not among the files")


def _has_recording(run: StoredRun, db: sqlite3.Connection) -> bool:
    kept = db.execute("SELECT 1 FROM files WHERE sha256 = ?", (run.recording_sha256,)).fetchone()
    return bool(kept) or not run.recording_kept


_READERS: dict[str, Callable[[sqlite3.Row, sqlite3.Connection], Any]] = {
    "machines": _read_machine,
    "jobs": lambda row, _: job_from(row, None),
    "checks": lambda row, _: check_from(row),
    "work": lambda row, _: work_from(row),
    "analyses": lambda row, _: analysis_from(row),
    "runs": _read_run,
}
