"""What can go wrong with a store, each as one line for the user; the place where SQLite's errors become them."""

from __future__ import annotations

import errno
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from enginelog.model import EnginelogError, UnreadableError, UsageError


class StoreUnreadableError(UnreadableError):
    """The store cannot be read: damaged, from a newer version, no store at all."""


class StoreNotWrittenError(EnginelogError):
    """The entry was not kept: full disk, read-only place, another program holds the store."""


class NotInStoreError(UsageError):
    """What was asked for is not in the store."""


NO_SPACE = (errno.ENOSPC, errno.EDQUOT)
LEAST_ROOM = 1 << 16  # bytes; the index takes 32 KiB at a time
READ_ONLY = (errno.EROFS, errno.EACCES, errno.EPERM)


def damaged(path: Path, files: Path, why: str) -> StoreUnreadableError:
    """The error for a store whose content is broken."""
    return StoreUnreadableError(
        f"{path}: the store is damaged ({why}); the recordings in {files} are readable on their own; "
        "put the last backup in place with 'enginelog restore BACKUP --replace', which keeps this one aside"
    )


@contextmanager
def explained(path: Path, files: Path) -> Iterator[None]:
    """Turn the errors of SQLite and of the file system into the project's own, of one line each."""
    try:
        yield
    except sqlite3.Error as failed:
        raise _of_sqlite(failed, path, files) from failed
    except OSError as failed:
        raise _of_system(failed, path) from failed


def _of_sqlite(failed: sqlite3.Error, path: Path, files: Path) -> EnginelogError:
    primary = getattr(failed, "sqlite_errorcode", 0) & 0xFF
    match primary:
        case sqlite3.SQLITE_FULL:
            return _not_kept(path, "the disk is full", "make room and enter it again")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return _not_kept(path, "it can only be read", "see to the rights of file and folder, or choose --store")
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return _not_kept(path, "another program has been writing to it all the time", "try again")
        case sqlite3.SQLITE_CORRUPT:
            return damaged(path, files, str(failed))
        case sqlite3.SQLITE_NOTADB:
            return damaged(path, files, "it is no database, or its beginning is overwritten")
        case sqlite3.SQLITE_IOERR if _no_room(path):
            return StoreNotWrittenError(
                f"{path}: the disk is full: nothing can be kept, nor read, which needs a little room beside it; "
                "make room and try again"
            )
        case sqlite3.SQLITE_IOERR:
            return _not_kept(path, f"reading or writing failed: {failed}", "look at the disk, then try again")
        case sqlite3.SQLITE_CANTOPEN:
            return StoreUnreadableError(f"{path}: the store cannot be opened; see to its folder, or choose --store")
        case sqlite3.SQLITE_TOOBIG:
            return UsageError("a text or a recording too large for the store was given; shorten it")
    return damaged(path, files, str(failed)) if _broken_schema(failed) else _unforeseen(path, failed)


def _no_room(path: Path) -> bool:
    """Whether the disk lacks the room of the index to the log, which SQLite makes to read, too (file format, 4.5)."""
    try:
        return shutil.disk_usage(path.parent).free < LEAST_ROOM
    except OSError:
        return False


def _broken_schema(failed: sqlite3.Error) -> bool:
    text = str(failed)
    signs = ("malformed", "no such table", "no such column", "Could not decode to UTF-8")
    return any(sign in text for sign in signs)


def _unforeseen(path: Path, failed: sqlite3.Error) -> EnginelogError:
    return StoreNotWrittenError(f"{path}: the store refused this: {failed}")


def _of_system(failed: OSError, path: Path) -> EnginelogError:
    place = failed.filename or path
    if failed.errno in NO_SPACE:
        return _not_kept(place, "the disk is full", "make room and try again")
    if failed.errno in READ_ONLY:
        return _not_kept(place, "this place cannot be written", "see to its rights, or choose --store")
    return _not_kept(place, str(failed.strerror or failed), "nothing was changed")


def _not_kept(place: object, why: str, advice: str) -> StoreNotWrittenError:
    return StoreNotWrittenError(f"{place}: not kept: {why}; {advice}")
