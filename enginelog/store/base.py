"""What every part of the store stands on: the connection, transactions, the files, the clock."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from enginelog.model import Moment, UsageError
from enginelog.store import cells, texts
from enginelog.store.errors import NotInStoreError, StoreUnreadableError, explained
from enginelog.store.files import FileFolder

LARGEST_ID = (1 << 63) - 1


@dataclass(frozen=True)
class Kept:
    """A file put beside the store, and where it came from."""

    sha256: str
    ending: str
    size: int
    source: Path | bytes
    name: str


class Base:
    """An open store. Not to be shared between threads; several programs may have the same store open."""

    def __init__(self, path: Path, db: sqlite3.Connection, files: FileFolder, clock: Callable[[], Moment]) -> None:
        self.path = path
        self.files = files
        self._db = db
        self._clock = clock
        self._depth = 0

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing: what is written inside is on the disk when the outermost block is left without an error.

        Raises StoreNotWrittenError (full disk, read-only place, held by another program) or StoreUnreadableError
        (damaged); nothing is kept then.
        """
        if self._depth:
            yield self._db
            return
        with explained(self.path, self.files.folder):
            self._db.execute("BEGIN IMMEDIATE")
            self._depth += 1
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            finally:
                self._depth -= 1

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """For reading only: all that is read inside is of one moment, whatever other programs write meanwhile."""
        if self._db.in_transaction:
            yield
            return
        with explained(self.path, self.files.folder):
            self._db.execute("BEGIN")
        try:
            yield  # what goes wrong here may be of another place, such as that of an export
        finally:
            if self._db.in_transaction:
                with explained(self.path, self.files.folder):
                    self._db.execute("ROLLBACK")

    def _rows(self, query: str, *given: Any) -> list[sqlite3.Row]:
        with explained(self.path, self.files.folder):
            return self._db.execute(query, given).fetchall()

    def _one(self, table: str, row_id: int, what: str) -> sqlite3.Row:
        """The row of this number; NotInStoreError where there is none."""
        if isinstance(row_id, bool) or not isinstance(row_id, int) or not 0 < row_id <= LARGEST_ID:
            raise NotInStoreError(f"{what} {row_id!r} given, a number from 1 on expected")
        found = self._rows(f"SELECT * FROM {table} WHERE id = ?", row_id)
        if not found:
            raise NotInStoreError(f"no {what} {row_id} in {self.path}{self._numbers(table)}")
        return found[0]

    def _numbers(self, table: str) -> str:
        lowest, highest = self._rows(f"SELECT min(id), max(id) FROM {table}")[0]
        if lowest is None:
            return "; it holds none yet"
        return f"; only {lowest} is there" if lowest == highest else f"; numbers from {lowest} to {highest} expected"

    def _insert(self, table: str, values: dict[str, Any]) -> int:
        """Add a row and return its number. Names of tables and columns are the program's own."""
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        done = self._db.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))
        return int(done.lastrowid or 0)

    def _update(self, table: str, row_id: int, values: dict[str, Any]) -> None:
        changes = ", ".join(f"{name} = ?" for name in values)
        self._db.execute(f"UPDATE {table} SET {changes} WHERE id = ?", (*values.values(), row_id))

    def _note_event(self, job_id: int, at: Moment, what: str, detail: str = "") -> None:
        self._insert("events", {"job_id": job_id, **when("at", at), "what": what, "detail": detail})

    def _refresh(self, job_id: int) -> None:
        texts.refresh(self._db, job_id)

    def _put(self, source: Path | bytes, name: str, expected_sha256: str | None = None) -> Kept:
        """Put a file beside the store; `_enter_file` then makes it part of it."""
        with explained(self.path, self.files.folder):
            if isinstance(source, bytes):
                return Kept(*self.files.put_bytes(source, name), source, name)
            return Kept(*self.files.put_file(source, expected_sha256), source, name)

    def _enter_file(self, kept: Kept | None) -> str | None:
        """Within a transaction: write down a file that was put beside the store; its SHA-256 (None for None)."""
        if kept is None:
            return None
        known = self._db.execute("SELECT ending FROM files WHERE sha256 = ?", (kept.sha256,)).fetchone()
        if known is None:
            about = {"sha256": kept.sha256, "ending": kept.ending, "bytes": kept.size}
            self._insert("files", about | when("added", self._clock()))
        if not self.files.path_of(kept.sha256, known[0] if known else kept.ending).exists():
            # Another program has purged it meanwhile; none can do so again before this transaction ends.
            self._put(kept.source, f"again{known[0] if known else kept.ending}", kept.sha256)
        return kept.sha256

    def file_path(self, sha256: str) -> Path:
        """Where a kept file lies. NotInStoreError where it was never kept, StoreUnreadableError where it is gone."""
        found = self._rows("SELECT ending FROM files WHERE sha256 = ?", sha256)
        if not found:
            raise NotInStoreError(f"no file {sha256[:12]}... is kept in {self.path}")
        path = self.files.path_of(sha256, found[0]["ending"])
        if not path.is_file():
            raise StoreUnreadableError(f"{path}: this file of the store is gone; fetch it from a backup")
        return path


def when(name: str, at: Moment | None) -> dict[str, str | None]:
    """The two columns of a moment."""
    return {f"{name}_utc": at.utc if at else None, f"{name}_zone": at.zone if at else None}


def moment_in(row: sqlite3.Row, name: str) -> Moment | None:
    """The moment of two columns, None where they are empty."""
    utc = row[f"{name}_utc"]
    return None if utc is None else _moment(utc, row[f"{name}_zone"])


def certain(row: sqlite3.Row, name: str) -> Moment:
    """The moment of two columns that are always filled."""
    return _moment(row[f"{name}_utc"], row[f"{name}_zone"])


@lru_cache(maxsize=4096)
def _moment(utc: str, zone: str) -> Moment:
    """The moment; StoreUnreadableError where it is none, as in a store from elsewhere."""
    if not cells.is_moment(utc, zone):
        raise StoreUnreadableError(
            f"a time in the job record cannot be read ({repr(utc)[:40]}, zone {repr(zone)[:40]}); "
            "'enginelog verify' names it; fetch it from a backup"
        )
    return Moment(utc, zone)


def one_of(value: str, allowed: tuple[str, ...], what: str) -> str:
    """The value, where it is one of those allowed; UsageError with the list else."""
    if value not in allowed:
        raise UsageError(f"{what}: '{value}' given, one of {', '.join(allowed)} expected")
    return value
