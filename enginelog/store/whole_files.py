"""Files that are there entirely or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from enginelog.store.files import BLOCK, PASSING, flush, flush_folder


@contextlib.contextmanager
def whole_file(target: Path) -> Iterator[BinaryIO]:
    """A binary stream for a new file, which gets its name when the block is left without an error.

    Written under a passing name in the same folder and flushed to the disk; OSError as the file system gives it.
    """
    handle, passing = tempfile.mkstemp(suffix=PASSING, dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            flush(stream)
        os.replace(passing, target)
        flush_folder(target.parent)
    finally:
        with contextlib.suppress(OSError):
            os.unlink(passing)


def whole_copy(source: Path, target: Path) -> None:
    """Copy a file; the copy is there entirely or not at all."""
    with source.open("rb") as stream, whole_file(target) as copy:
        shutil.copyfileobj(stream, copy, BLOCK)
