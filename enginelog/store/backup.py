"""One-command backup and restore: the whole store, files and all, in one zip file.

The zip holds `store.enginelog` (a copy SQLite makes while others may go on writing), `files/` and `manifest.json` (size
and SHA-256 of each, as packed). Every zip program opens it, so recordings are reachable without this program.

A file of the store whose content has changed since it was kept goes in as it is, or as far as it can be read, and is
named: one that is spoilt must not take the others with it. A backup that has been spoilt itself is restored in no part.
"""

from __future__ import annotations

import errno
import json
import shutil
import sqlite3
import struct
import zipfile
import zlib
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

from enginelog import __version__
from enginelog.model import UnreadableError, UsageError
from enginelog.store import aside, opening, shape, soundness
from enginelog.store.aside import DATABASE, DATABASE_FILES
from enginelog.store.errors import StoreNotWrittenError, StoreUnreadableError, explained
from enginelog.store.files import BLOCK, NAME, copied, files_folder, flush, flush_folder, sha256_of
from enginelog.store.front import Store
from enginelog.store.passing import left_over, passing_folder, stamp
from enginelog.store.schema import VERSION, new_identity
from enginelog.store.whole_files import whole_file

SCHEMA = "enginelog/backup/1"
MANIFEST = "manifest.json"
FILES = "files/"
LARGEST_MANIFEST = 256 << 20
# What the zip module raises for broken zips, beside its own errors (NotImplementedError is a RuntimeError).
_BROKEN_ZIP = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, RuntimeError, ValueError,
               KeyError, OverflowError)  # fmt: skip
UNZIPPED = (
    f"rename its folder {FILES[:-1]} to {DATABASE}.files, and 'enginelog export FOLDER --store {DATABASE}' writes "
    "everything as it is and says how to put it right"
)
_BACKING_UP = "enginelog-backing-up-"  # begins the name of the folder in which a backup is made ready


@dataclass(frozen=True)
class BackedUp:
    """A backup: where it lies, how many files it holds, its size, files of the store that were not there or
    could not be opened, and such as are in it with another content than when they were kept."""

    path: Path
    files: int
    bytes: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]


@dataclass(frozen=True)
class Restored:
    """A restored store, the number of its files, where the old store was put aside (None where there was none), and
    files that had another content than when they were kept already when the backup was made."""

    path: Path
    files: int
    set_aside: Path | None
    damaged: tuple[str, ...]


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
    ready = target.parent / f"{_BACKING_UP}{stamp()}"
    with explained(target, store.files.folder), passing_folder(ready):
        for killed in left_over(target.parent, f"{_BACKING_UP}*", DATABASE_FILES):
            shutil.rmtree(killed, ignore_errors=True)
        copy = ready / DATABASE
        with explained(store.path, store.files.folder):
            rows = _copy_database(store, copy, target)
        with (
            whole_file(target, ready) as stream,
            zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED, allowZip64=True) as pack,
        ):
            pack.write(copy, DATABASE, zipfile.ZIP_DEFLATED)
            entries = {DATABASE: {"bytes": copy.stat().st_size, "sha256": sha256_of(copy)}}
            missing = _add_files(store, pack, rows, entries)
            about = {"schema": SCHEMA, "version": VERSION, "program_version": __version__, "as_packed": True}
            pack.writestr(MANIFEST, json.dumps(about | {"entries": entries}), zipfile.ZIP_DEFLATED)
    return BackedUp(target, len(entries) - 1, target.stat().st_size, missing, _damaged(entries))


def restore(backup: Path, path: Path, replace: bool = False) -> Restored:
    """Put the store of a backup at `path`.

    Where a store is there already: UsageError unless `replace`, which puts the old one aside, named with the time.
    UnreadableError where the backup is none, is damaged (every size and SHA-256 is compared), from a newer version, or
    holds what no store does (it may come from anywhere); nothing is changed then. StoreNotWrittenError where another
    program has the old store open, or there is no room. What a restore that was killed has left is undone and taken
    away first.
    """
    folder = files_folder(opening.file_path(path))
    with explained(path, folder):
        there = path.exists() or folder.exists() or aside.broken_off(path) is not None
        if there and not replace:
            raise UsageError(f"{path}: a store is there already; --replace puts it aside and restores the backup")
        path.parent.mkdir(parents=True, exist_ok=True)
        _mend_broken_off(path)
        swap = aside.Swap(path, stamp())
        with passing_folder(swap.passing) as passing:
            entries = _unpack(backup, passing)
            _check_database(passing / DATABASE, backup)
            _make_another(passing / DATABASE)
            before = path.exists() or folder.exists()
            _close_up(path)
            try:
                swap.put_aside()
                swap.put_in_place()
            except BaseException:  # Ctrl-C too: else nothing lies here, and the next command begins anew
                swap.take_back()
                raise
            flush_folder(path.parent)
    return Restored(path, len(entries) - 1, swap.aside if before else None, _damaged(entries))


def _mend_broken_off(path: Path) -> None:
    """Put the store in place again that a killed restore has put aside, and take away what such ones left."""
    swap = aside.broken_off(path)
    if swap and aside.under_way(swap):
        raise StoreNotWrittenError(f"{path}: nothing was restored: another restore is under way; wait for it")
    if swap:
        swap.finish_way_back()
    for killed in aside.left_of_restores(path):
        shutil.rmtree(killed, ignore_errors=True)


def _copy_database(store: Store, target: Path, named: Path) -> list[dict[str, Any]]:
    """A copy of the database as it is at one moment, checked; the rows of its files."""
    with closing(sqlite3.connect(target)) as copy:
        store.copy_into(copy, named)
        copy.row_factory = sqlite3.Row
        shape.without_aids(copy, VERSION)
        wrong = shape.strange(copy, VERSION) or soundness.first_wrong(copy)
        if wrong:
            raise StoreUnreadableError(
                f"{store.path}: no backup made: the store is damaged ({wrong}); 'enginelog export FOLDER' writes "
                f"everything as it is and says how to put it right; the recordings in {store.files.folder} are "
                "readable on their own"
            )
        copy.execute("PRAGMA journal_mode = DELETE")
        return [dict(row) for row in copy.execute("SELECT sha256, ending FROM files ORDER BY sha256")]


def _add_files(
    store: Store, pack: zipfile.ZipFile, rows: list[dict[str, Any]], entries: dict[str, Any]
) -> tuple[str, ...]:
    """Pack the files, each as far as it can be read, and describe it as it went in; the names of those that are gone
    or cannot be opened."""
    missing = []
    for row in rows:
        present = store.files.path_of(row["sha256"], row["ending"])
        try:
            about = zipfile.ZipInfo.from_file(present, FILES + present.name)
            source = present.open("rb")
        except OSError:  # gone, a folder, or not to be read
            missing.append(present.name)
            continue
        with source, pack.open(about, "w", force_zip64=True) as target:
            sha256, size = copied(cast(BinaryIO, _AsFarAsReadable(source)), cast(BinaryIO, target))
        entries[FILES + present.name] = {"bytes": size, "sha256": sha256}
    return tuple(missing)


@dataclass(frozen=True)
class _AsFarAsReadable:
    """A file that ends where it can no longer be read, as where a spot of the disk has gone bad."""

    source: BinaryIO

    def read(self, size: int) -> bytes:
        try:
            return self.source.read(size)
        except OSError:
            return b""


def _damaged(entries: dict[str, Any]) -> tuple[str, ...]:
    """Names of the files whose content is not what their name says."""
    files = ((name.removeprefix(FILES), about["sha256"]) for name, about in entries.items() if name != DATABASE)
    return tuple(name for name, sha256 in files if not name.startswith(sha256))


def _unpack(backup: Path, folder: Path) -> dict[str, Any]:
    """Unpack a backup into a folder, comparing every entry with the manifest; the entries, as they are."""
    (folder / FILES).mkdir()
    try:
        with zipfile.ZipFile(backup) as pack:
            entries, as_packed = _manifest(pack, backup)
            for name, about in entries.items():
                sha256 = _unpack_one(pack, name, about, folder / name, backup)
                if sha256 != about["sha256"] and (as_packed or name == DATABASE):
                    raise _refused(backup, f"{name} is damaged")
                about["sha256"] = sha256
    except FileNotFoundError as failed:
        raise UnreadableError(f"{backup}: no such file; give the path of a backup") from failed
    except _BROKEN_ZIP as failed:
        raise _refused(backup, f"it is no backup, or it is damaged ({failed})") from failed
    except OSError as failed:
        if failed.errno not in (errno.EINVAL, errno.EISDIR):
            raise
        raise _refused(backup, "it is no backup, or it is damaged, or a folder") from failed
    return entries


def _manifest(pack: zipfile.ZipFile, backup: Path) -> tuple[dict[str, Any], bool]:
    """What the backup says it holds, only names that a store can have; and whether its sums are of what was packed.

    In backups made before that was written into them, the sum of a file is the one it was kept by. Of these a file that
    differs was spoilt before, since the zip's own sums show what has been spoilt later.
    """
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
    return entries, about.get("as_packed") is True


def _is_file_name(name: str) -> bool:
    return name.startswith(FILES) and NAME.fullmatch(name.removeprefix(FILES)) is not None


def _unpack_one(pack: zipfile.ZipFile, name: str, about: dict[str, Any], target: Path, backup: Path) -> str:
    """Unpack an entry, which the zip compares with its own sum; the SHA-256 of what came out."""
    if pack.getinfo(name).file_size != about["bytes"]:
        raise _refused(backup, f"{name} does not have the size its manifest says")
    if shutil.disk_usage(target.parent).free < about["bytes"]:
        room = f"no room for {name} ({about['bytes']} bytes)"
        raise StoreNotWrittenError(f"{backup}: nothing was restored: {room}; make room and try again")
    with pack.open(name) as stream, target.open("wb") as copy:
        shutil.copyfileobj(stream, copy, BLOCK)
        flush(copy)
    return sha256_of(target)


def _check_database(path: Path, backup: Path) -> None:
    wrong = soundness.wrong_outside(path)
    if wrong:
        save = f"; to save what it holds: unzip it, {UNZIPPED}" if soundness.is_store(path) else ""
        raise _refused(backup, f"the store in it is damaged ({wrong}){save}")


def _make_another(path: Path) -> None:
    """Give a restored store an identity of its own: its next job may be another machine than the old store's."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("UPDATE identity SET id = ?", (new_identity(),))


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
