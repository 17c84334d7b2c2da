"""The whole job record as one JSON document, without loss, and back again into an empty store.

The document: `schema`, `version` (of the tables), `program_version`, `next_numbers` (so that no number is given twice),
and `tables`: for each table its rows, a row an object. Records of runs are base64 of the bytes that `run_codec` reads.
Files are named by their SHA-256 and lie in `files/` beside the document, where they were exported with it.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from enginelog import __version__
from enginelog.model import UnreadableError, UsageError
from enginelog.store import cells, soundness, tables, texts
from enginelog.store.errors import StoreUnreadableError, explained
from enginelog.store.files import readable_sha256, sha256_of
from enginelog.store.front import Problem, Store
from enginelog.store.schema import TABLES, VERSION
from enginelog.store.whole_files import whole_copy, whole_file, whole_folder

SCHEMA = "enginelog/store/1"
DOCUMENT = "record.json"
FILES = "files"
LARGEST_DOCUMENT = 2 << 30
# job_texts is derived from the others; what is imported is a job record of its own, with an identity of its own.
EXPORTED = tuple(name for name in TABLES if name not in ("job_texts", "identity"))


@dataclass(frozen=True)
class Exported:
    """Where an export lies, how many jobs, runs and files it holds, files that were not there, and such as are in it
    with another content than when they were kept. unsound: entries that an import would refuse, which are in it as they
    are; without_tables: among them are such that no CSV could be made. broken: records of runs that cannot be read,
    which are in it byte by byte, and which an import takes so; older: such of results that newer ones stand for."""

    folder: Path
    jobs: int
    runs: int
    files: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]
    unsound: tuple[str, ...] = ()
    without_tables: bool = False
    broken: tuple[Problem, ...] = ()
    older: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Imported:
    """What an import brought in; missing: names of files the document speaks of that were not beside it; damaged: of
    such as were, but with another content than when they were kept, and stay where they are. broken, older: records of
    runs that cannot be read, as with `Exported`; they are in the job record byte by byte."""

    jobs: int
    runs: int
    files: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]
    broken: tuple[Problem, ...] = ()
    older: tuple[Problem, ...] = ()


def export_to(store: Store, folder: Path, with_files: bool = True) -> Exported:
    """Write the job record into a new or empty folder, whole or not at all: `record.json`, CSV tables, `files/`.

    Entries that cannot be read go into `record.json` as they are, to be put right there: nothing else takes them.
    """
    with explained(folder, store.files.folder), store.snapshot(), whole_folder(folder) as place:
        copied, missing, damaged = _copy_files(store, place(FILES)) if with_files else (0, (), ())
        unsound = store.unsound(records=False)
        made, without = _csv_tables(store, unsound)
        for name, text in made.items():
            with whole_file(place(name)) as target:
                target.write(b"\xef\xbb\xbf" + text.encode("utf-8"))
        with whole_file(place(DOCUMENT)) as target:
            write_document(store, target)
        counts = store.count("jobs"), store.count("runs"), copied
        return Exported(folder, *counts, missing, damaged, unsound, without, *_broken(store))


def _csv_tables(store: Store, unsound: tuple[str, ...]) -> tuple[dict[str, str], bool]:
    """The tables by file name, and whether there are none, since an entry that is not sound keeps from making them."""
    try:
        return tables.csv_tables(store), False
    except soundness.UNREADABLE:
        if not unsound:
            raise
        return {}, True


def write_document(store: Store, target: BinaryIO) -> None:
    """Write the JSON document, a row a line: plain ASCII, dropped entries among the rest."""
    head = {"schema": SCHEMA, "version": VERSION, "program_version": __version__, "next_numbers": store.next_numbers()}
    target.write(json.dumps(head).encode("ascii")[:-1] + b', "tables": {')
    for number, table in enumerate(EXPORTED):
        target.write(f'{"," if number else ""}\n"{table}": ['.encode("ascii"))
        for at, row in enumerate(store.all_rows(table)):
            plain = {name: _plain(value) for name, value in row.items()}
            target.write((b",\n" if at else b"\n") + json.dumps(plain, allow_nan=False).encode("ascii"))
        target.write(b"]")
    target.write(b"}}\n")


def _plain(value: Any) -> Any:
    """A value as JSON has it: bytes as base64, and a number that is none, which no import takes, in words."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return base64.b64encode(value).decode() if isinstance(value, bytes) else value


def import_from(store: Store, source: Path) -> Imported:
    """Read an export (its folder, or the document) into an empty store, all of it or nothing. A record of a run that
    cannot be read comes along as the bytes it is: analysing its recording again puts it right.

    UsageError where the store holds entries already; UnreadableError where the document is none, too large, from a
    newer version, or contradicts itself.
    """
    document = source / DOCUMENT if source.is_dir() else source
    read = read_document(document)
    with store.transaction() as db:
        if any(store.count(table) for table in EXPORTED):
            raise UsageError(f"{store.path}: this store holds entries already; import into a new one, with --store")
        _insert_all(db, read, document)
        wrong = soundness.first_wrong(db)
        if wrong:
            raise _refused(document, wrong)
        for (job_id,) in db.execute("SELECT id FROM jobs").fetchall():
            texts.refresh(db, job_id)
        copied, missing, damaged = _fetch_files(store, document.parent / FILES)
    return Imported(store.count("jobs"), store.count("runs"), copied, missing, damaged, *_broken(store))


def _broken(store: Store) -> tuple[tuple[Problem, ...], tuple[Problem, ...]]:
    """The records of runs that cannot be read: those that count, and those of earlier results."""
    return store.broken_records(counting=True), store.broken_records(counting=False)


def read_document(path: Path) -> dict[str, Any]:
    """The document, as far as its frame goes; UnreadableError where it is none of ours."""
    try:
        if path.stat().st_size > LARGEST_DOCUMENT:
            raise _refused(path, "it is larger than 2 GB; take 'enginelog backup' and 'restore' for it")
        read = json.loads(path.read_bytes(), parse_constant=_no_constant)
    except OSError as failed:
        raise UnreadableError(f"{path}: cannot be read: {failed.strerror or failed}") from failed
    except (ValueError, RecursionError) as failed:
        raise _refused(path, f"it is no JSON document ({failed})") from failed
    if not isinstance(read, dict) or read.get("schema") != SCHEMA:
        raise _refused(path, f"it is no export of a job record; one with schema {SCHEMA} expected")
    version = read.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise _refused(path, f"its version is {version!r}, a number expected")
    if version > VERSION:
        raise _refused(path, f"it is of version {version}, made by a newer enginelog; this one knows up to {VERSION}")
    found = read.get("tables")
    if not isinstance(found, dict) or set(found) != set(EXPORTED):
        raise _refused(path, f"its tables are not {', '.join(EXPORTED)}")
    return read


def _refused(path: Path, why: str) -> UnreadableError:
    return UnreadableError(f"{path}: nothing was imported: {why}")


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _insert_all(db: sqlite3.Connection, read: dict[str, Any], path: Path) -> None:
    for table in EXPORTED:
        columns = {row["name"]: row["type"] for row in db.execute(f"PRAGMA table_info({table})")}
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        query = f"INSERT INTO {table} ({names}) VALUES ({marks})"
        for number, row in enumerate(_rows(read["tables"], table, path), start=1):
            where = f"row {number} of {table}"
            if not isinstance(row, dict) or set(row) != set(columns):
                raise _refused(path, f"{where} does not have the columns {names}")
            try:
                db.execute(query, [_value(row[name], name, kind, where, path) for name, kind in columns.items()])
            except sqlite3.IntegrityError as failed:
                raise _refused(path, f"{where} is not possible: {failed}") from failed
    _set_next_numbers(db, read.get("next_numbers"), path)


def _rows(found: dict[str, Any], table: str, path: Path) -> list[Any]:
    if not isinstance(found[table], list):
        raise _refused(path, f"table {table} is no list")
    return found[table]


def _value(value: Any, name: str, kind: str, where: str, path: Path) -> Any:
    """A value of the document as its column takes it."""
    if kind == "BLOB":
        return _record(value, where, path)
    if not cells.fits(value, name, kind):
        raise _refused(path, f"{where}: {name} is {repr(value)[:60]}")
    return float(value) if kind == "REAL" and value is not None else value


def _record(value: Any, where: str, path: Path) -> bytes:
    """The bytes of a run's record, whether they can be read or not."""
    try:
        return base64.b64decode(value, validate=True)
    except (binascii.Error, TypeError, ValueError) as failed:
        raise _refused(path, f"{where}: its record is not written as base64 ({failed})") from failed


def _set_next_numbers(db: sqlite3.Connection, found: Any, path: Path) -> None:
    if not isinstance(found, dict):
        raise _refused(path, "next_numbers are missing")
    for table, number in found.items():
        if table not in TABLES or not isinstance(number, int) or not 0 <= number < cells.LARGEST_NUMBER:
            raise _refused(path, f"next number of {table!r} is {number!r}")
        highest = db.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0]
        db.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
        db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table, max(number, highest)))


def _copy_files(store: Store, folder: Path) -> tuple[int, tuple[str, ...], tuple[str, ...]]:
    """Copy the files as they are: how many, which are gone or cannot be read, and which have another content than
    their name says."""
    folder.mkdir()
    count = 0
    missing: list[str] = []
    damaged: list[str] = []
    for row in store.all_rows("files"):
        try:
            present = store.files.path_of(row["sha256"], row["ending"])
        except StoreUnreadableError:
            continue  # named among the entries
        if not present.is_file():
            missing.append(present.name)
            continue
        try:
            whole_copy(present, folder / present.name)
        except OSError:
            if readable_sha256(present) is not None:
                raise  # what failed is the writing
            missing.append(present.name)
            continue
        count += 1
        if sha256_of(folder / present.name) != row["sha256"]:
            damaged.append(present.name)
    return count, tuple(missing), tuple(damaged)


def _fetch_files(store: Store, folder: Path) -> tuple[int, tuple[str, ...], tuple[str, ...]]:
    """Bring in the files beside the document whose content is what their name says: how many, which are not there, and
    which are of another content."""
    copied = 0
    missing: list[str] = []
    damaged: list[str] = []
    for row in store.all_rows("files"):
        target = store.files.path_of(row["sha256"], row["ending"])
        present = folder / target.name
        if present.is_file() and readable_sha256(present) == row["sha256"]:
            store.files.put_file(present, row["sha256"])
            copied += 1
        elif not target.is_file():
            (damaged if present.is_file() else missing).append(target.name)
    return copied, tuple(missing), tuple(damaged)
