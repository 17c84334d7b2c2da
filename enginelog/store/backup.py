"""One-command backup and restore: the whole store, files and all, in one zip file.

The zip holds `store.enginelog` (a copy SQLite makes while others may go on writing), `files/` and `manifest.json` (size
and SHA-256 of each). Every zip program opens it, so recordings are reachable without this program.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sqlite3
import struct
import tempfile
import zipfile
import zlib
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from enginelog import __version__
from enginelog.model import UnreadableError, UsageError
from enginelog.store import opening
from enginelog.store.errors import StoreNotWrittenError, StoreUnreadableError, explained
from enginelog.store.files import BLOCK, NAME, flush, flush_folder, sha256_of
from enginelog.store.front import Store
from enginelog.store.schema import APPLICATION_ID, VERSION
from enginelog.store.whole_files import whole_file

SCHEMA = "enginelog/backup/1"
DATABASE = "store.enginelog"
MANIFEST = "manifest.json"
FILES = "files/"
LARGEST_MANIFEST = 256 << 20
# What the zip module raises for broken zips, beside its own errors (NotImplementedError is a RuntimeError).
_BROKEN_ZIP = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, RuntimeError, ValueError,
               KeyError, OverflowError)  # fmt: skip
_BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a database


@dataclass(frozen=True)
class BackedUp:
    """A backup: where it lies, how many files it holds, its size, and files of the store that were not there."""

    path: Path
    files: int
    bytes: int
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Restored:
    """A restored store, the number of its files, and where the old store was put aside (None where there was none)."""

    path: Path
    files: int
    set_aside: Path | None


def back_up(store: Store, target: Path, replace: bool = False) -> BackedUp:
    """Write the whole store into one zip file, which is there entirely or not at all.

    UsageError where the target exists, unless `replace`, or is a folder, or lies in none; StoreUnreadableError where
    the store is damaged.
    """
    if target.is_dir() or not target.parent.is_dir():
        what = "this is a folder" if target.is_dir() else f"there is no folder {target.parent}"
        raise UsageError(f"{target}: {what}; give the path of a file in a folder that is there, such as shed.zip")
    if target.exists() and not replace:
        raise UsageError(f"{target}: exists already; choose another name, or give --replace")
    if target.exists() and not store.count("jobs"):
        raise UsageError(
            f"{target}: not written over: {store.path} holds no job; is it the right one (--store, ENGINELOG_STORE)?"
        )
    with explained(target, store.files.folder), tempfile.TemporaryDirectory(dir=target.parent) as folder:
        copy = Path(folder) / DATABASE
        with explained(store.path, store.files.folder):
            rows = _copy_database(store, copy, target)
        with whole_file(target) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED, allowZip64=True) as pack:
            pack.write(copy, DATABASE, zipfile.ZIP_DEFLATED)
            entries = {DATABASE: _described(copy)}
            missing = _add_files(store, pack, rows, entries)
            about = {"schema": SCHEMA, "version": VERSION, "program_version": __version__, "entries": entries}
            pack.writestr(MANIFEST, json.dumps(about), zipfile.ZIP_DEFLATED)
    return BackedUp(target, len(entries) - 1, target.stat().st_size, missing)


def restore(backup: Path, path: Path, replace: bool = False) -> Restored:
    """Put the store of a backup at `path`.

    Where a store is there already: UsageError unless `replace`, which puts the old one aside, named with the time.
    UnreadableError where the backup is none, is damaged (every size and SHA-256 is compared) or from a newer version;
    nothing is changed then. StoreNotWrittenError where another program has the old store open.
    """
    folder = opening.files_folder(opening.file_path(path))
    if (path.exists() or folder.exists()) and not replace:
        raise UsageError(f"{path}: a store is there already; --replace puts it aside and restores the backup")
    with explained(path, folder):
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=opening.RESTORING) as passing:
            count = _unpack(backup, Path(passing))
            _check_database(Path(passing) / DATABASE, backup)
            aside = _name_aside(path) if path.exists() or folder.exists() else None
            _close_up(path)
            try:
                if aside:
                    _move(path, aside)
                os.replace(Path(passing) / FILES.rstrip("/"), folder)
                os.replace(Path(passing) / DATABASE, path)
            except BaseException:  # Ctrl-C too: else nothing lies here, and the next command begins anew
                if aside:
                    _put_back(path, aside, Path(passing))
                raise
            flush_folder(path.parent)
    return Restored(path, count, aside)


def _copy_database(store: Store, target: Path, named: Path) -> list[dict[str, Any]]:
    """A copy of the database as it is at one moment, checked; the rows of its files."""
    with closing(sqlite3.connect(target)) as copy:
        store.copy_into(copy, named)
        copy.row_factory = sqlite3.Row
        wrong = opening.integrity(copy)
        if wrong:
            raise StoreUnreadableError(
                f"{store.path}: no backup made: the store is damaged ({wrong[0]}); the recordings in "
                f"{store.files.folder} are readable on their own"
            )
        copy.execute("PRAGMA journal_mode = DELETE")
        return [dict(row) for row in copy.execute("SELECT sha256, ending FROM files ORDER BY sha256")]


def _described(path: Path) -> dict[str, Any]:
    return {"bytes": path.stat().st_size, "sha256": sha256_of(path)}


def _add_files(
    store: Store, pack: zipfile.ZipFile, rows: list[dict[str, Any]], entries: dict[str, Any]
) -> tuple[str, ...]:
    missing = []
    for row in rows:
        present = store.files.path_of(row["sha256"], row["ending"])
        if present.is_file():
            pack.write(present, FILES + present.name)
            entries[FILES + present.name] = {"bytes": present.stat().st_size, "sha256": row["sha256"]}
        else:
            missing.append(present.name)
    return tuple(missing)


def _unpack(backup: Path, folder: Path) -> int:
    """Unpack a backup into a folder, comparing every entry with the manifest; the number of files."""
    (folder / FILES).mkdir()
    try:
        with zipfile.ZipFile(backup) as pack:
            entries = _manifest(pack, backup)
            for name, about in entries.items():
                _unpack_one(pack, name, about, folder / name, backup)
    except FileNotFoundError as failed:
        raise UnreadableError(f"{backup}: no such file; give the path of a backup") from failed
    except _BROKEN_ZIP as failed:
        raise _refused(backup, f"it is no backup, or it is damaged ({failed})") from failed
    except OSError as failed:
        if failed.errno not in (errno.EINVAL, errno.EISDIR):
            raise
        raise _refused(backup, "it is no backup, or it is damaged, or a folder") from failed
    return len(entries) - 1


def _manifest(pack: zipfile.ZipFile, backup: Path) -> dict[str, Any]:
    """What the backup says it holds; only names that a store can have."""
    if MANIFEST not in pack.namelist() or pack.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
        raise _refused(backup, "it is no backup of a job record (no manifest)")
    try:
        about = json.loads(pack.read(MANIFEST))
        entries, version, schema = about["entries"], about["version"], about["schema"]
        sizes_right = all(isinstance(each["bytes"], int) and each["bytes"] >= 0 for each in entries.values())
    except (ValueError, TypeError, KeyError, AttributeError) as failed:
        raise _refused(backup, f"its manifest cannot be read ({failed})") from failed
    named = all(name == DATABASE or _is_file_name(name) for name in entries)
    if schema != SCHEMA or not named or not sizes_right or DATABASE not in entries:
        raise _refused(backup, "its manifest is not that of a backup")
    if not isinstance(version, int) or version > VERSION:
        raise _refused(backup, f"it is of version {version}, made by a newer enginelog; this one knows up to {VERSION}")
    if set(pack.namelist()) != set(entries) | {MANIFEST} or len(pack.namelist()) != len(entries) + 1:
        raise _refused(backup, "its entries are not those of its manifest")
    return entries


def _is_file_name(name: str) -> bool:
    return name.startswith(FILES) and NAME.fullmatch(name.removeprefix(FILES)) is not None


def _unpack_one(pack: zipfile.ZipFile, name: str, about: dict[str, Any], target: Path, backup: Path) -> None:
    if pack.getinfo(name).file_size != about["bytes"]:
        raise _refused(backup, f"{name} does not have the size its manifest says")
    if shutil.disk_usage(target.parent).free < about["bytes"]:
        raise _refused(backup, f"no room for {name} ({about['bytes']} bytes); make room and try again")
    with pack.open(name) as stream, target.open("wb") as copy:
        shutil.copyfileobj(stream, copy, BLOCK)
        flush(copy)
    if sha256_of(target) != about["sha256"]:
        raise _refused(backup, f"{name} is damaged")


def _check_database(path: Path, backup: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        try:
            ours = db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
            wrong = opening.integrity(db) if ours else ["it is no store"]
        except sqlite3.DatabaseError as failed:
            wrong = [str(failed)]
    if wrong:
        raise _refused(backup, f"the store in it is damaged ({wrong[0]})")


def _name_aside(path: Path) -> Path:
    """Where a store goes when it is put aside: the time in its name keeps what was put aside earlier."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    return path.with_name(f"{path.name}{opening.ASIDE}{stamp}")


def _move(path: Path, target: Path) -> None:
    """Rename a store and what belongs to it, the file first: without it, whoever opens it is told that it is gone."""
    for ending in ("", *_BESIDE):
        present = path.with_name(path.name + ending)
        if present.exists():
            os.rename(present, target.with_name(target.name + ending))
    folder = opening.files_folder(path)
    if folder.exists():
        os.rename(folder, opening.files_folder(target))


def _put_back(path: Path, aside: Path, passing: Path) -> None:
    """Undo a restore that broke off in the middle: what it had put in place goes, what was set aside comes back."""
    folder = opening.files_folder(path)
    if opening.files_folder(aside).exists() and folder.exists():  # the new one's
        os.rename(folder, passing / "undone")
    _move(aside, path)


def _close_up(path: Path) -> None:
    """Put a store into one file; StoreNotWrittenError where another program has it open, which would go on writing.

    SQLite leaves write-ahead logging only when no other connection is open. A damaged store is left as it is.
    """
    if not path.exists():
        return
    try:
        with closing(sqlite3.connect(path, timeout=2.0)) as db:
            db.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.DatabaseError as failed:
        if failed.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise StoreNotWrittenError(
                f"{path}: nothing was restored: another program has this store open; close it and try again"
            ) from failed


def _refused(backup: Path, why: str) -> UnreadableError:
    return UnreadableError(f"{backup}: nothing was restored: {why}")
