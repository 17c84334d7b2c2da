"""Folders in which something is made ready: known by their names, so that what a killed program leaves of them is found
and taken away the next time."""

from __future__ import annotations

import contextlib
import shutil
import sys
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from glob import escape
from pathlib import Path
from typing import BinaryIO

from enginelog.store.files import PASSING

IN_USE = "in-use"  # a file that its maker holds locked; the system lets go of it when the maker is killed


@contextlib.contextmanager
def passing_folder(folder: Path) -> Iterator[Path]:
    """A new folder of this name, held while the block runs and gone after it; OSError as the file system gives it."""
    folder.mkdir(mode=0o700)
    try:
        with (folder / IN_USE).open("wb") as stream:
            _hold(stream)
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def left_over(parent: Path, pattern: str, known: Collection[str]) -> list[Path]:
    """The folders of this pattern that no running program holds, and that hold nothing but what belongs in them.

    known: names that belong there, beside files under a passing name. Another's folder, which only has such a name, is
    none of them.
    """
    return [each for each in sorted(parent.glob(pattern)) if _is_ours(each, known) and not in_use(each)]


def begins(name: str) -> str:
    """The pattern of all names that begin so."""
    return f"{escape(name)}*"


def stamp() -> str:
    """The time as part of a name, to the microsecond."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")


def in_use(folder: Path) -> bool:
    """Whether a running program makes something ready in it."""
    try:
        with (folder / IN_USE).open("r+b") as stream:
            return not _hold(stream)
    except FileNotFoundError:
        return False
    except OSError:
        return True


def _is_ours(folder: Path, known: Collection[str]) -> bool:
    try:
        names = [each.name for each in folder.iterdir()] if folder.is_dir() and not folder.is_symlink() else None
    except OSError:
        return False
    return names is not None and all(name in (IN_USE, *known) or name.endswith(PASSING) for name in names)


def _hold(stream: BinaryIO) -> bool:
    """Lock a file until it is closed or its program ends; False where another has it. True in a place without locks."""
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True
