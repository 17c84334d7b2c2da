"""Files and folders that are there entirely or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from enginelog.model import UsageError
from enginelog.store.files import BLOCK, PASSING, flush, flush_folder


@contextlib.contextmanager
def whole_file(target: Path, passing_in: Path | None = None) -> Iterator[BinaryIO]:
    """A binary stream for a new file, which gets its name when the block is left without an error.

    Written under a passing name, in the same folder or in `passing_in` on the same disk, and flushed to the disk;
    OSError as the file system gives it.
    """
    handle, passing = tempfile.mkstemp(suffix=PASSING, dir=passing_in or target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            flush(stream)
        os.replace(passing, target)
        flush_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            os.unlink(passing)


@contextlib.contextmanager
def whole_folder(folder: Path) -> Iterator[Callable[[str], Path]]:
    """A folder, new or empty, to be filled: gives the path of each name that is about to be written there. Where the
    block ends in an error these are gone again, and so is the folder if it was made for them; what another program put
    there meanwhile stays.

    UsageError where it holds something already; OSError as the file system gives it.
    """
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder}: this folder holds something; give a new or empty one")
    made = [each for each in (folder, *folder.parents) if not each.exists()]
    own: list[Path] = []

    def place(name: str) -> Path:
        if (folder / name).exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(folder / name))
        own.append(folder / name)
        return own[-1]

    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield place
    except BaseException:
        for each in own:
            shutil.rmtree(each, ignore_errors=True)
            with contextlib.suppress(OSError):
                each.unlink(missing_ok=True)
        for each in made:
            with contextlib.suppress(OSError):  # not made, or another program put something there meanwhile
                each.rmdir()
        raise


def whole_copy(source: Path, target: Path) -> None:
    """Copy a file; the copy is there entirely or not at all."""
    with source.open("rb") as stream, whole_file(target) as copy:
        shutil.copyfileobj(stream, copy, BLOCK)
