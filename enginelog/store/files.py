"""Recordings, photos and reports beside the store, named by their content.

A file is written whole under a passing name, flushed to the disk and then given its name: it is there entirely or not
at all. Its name is its SHA-256 and the ending of its original name, so that every player and viewer opens it without
this program.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from enginelog.model import UsageError
from enginelog.store.errors import NotInStoreError, StoreUnreadableError

BLOCK = 1 << 20
LARGEST = 8 << 30
PASSING = ".part"
NAME = re.compile(r"([0-9a-f]{64})((?:\.[a-z0-9]{1,8})?)")


def files_folder(path: Path) -> Path:
    """The folder beside a store in which its recordings, photos and reports lie."""
    return path.with_name(path.name + ".files")


class FileFolder:
    """The folder of a store's files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path_of(self, sha256: str, ending: str) -> Path:
        """Where a file of this content lies, whether it is there or not.

        StoreUnreadableError for what is no name of a kept file: a store from outside may name any place of this
        computer, whose file would then be shown, copied or purged.
        """
        name = f"{sha256}{ending}"
        found = NAME.fullmatch(name)
        if not found or found[1] != sha256:
            raise StoreUnreadableError(
                f"{self.folder}: the store is damaged: it names a file {name[:80]!r}, which is no name of a kept file; "
                "fetch it from a backup"
            )
        return self.folder / name

    def put_file(self, source: Path, expected_sha256: str | None = None) -> tuple[str, str, int]:
        """Copy a file into the folder: (sha256, ending, bytes). OSError where it cannot be read or written.

        expected_sha256: refuse with UsageError where the content is another, as when the file changed meanwhile.
        """
        with source.open("rb") as stream:
            return self._put(lambda target: copied(stream, target), ending_of(source.name), expected_sha256, source)

    def put_bytes(self, data: bytes, name: str) -> tuple[str, str, int]:
        """Write bytes into the folder: (sha256, ending, bytes); `name` gives the ending."""

        def fill(target: BinaryIO) -> tuple[str, int]:
            target.write(data)
            return hashlib.sha256(data).hexdigest(), len(data)

        return self._put(fill, ending_of(name), None, name)

    def names(self) -> dict[str, Path]:
        """The files that are there, by content; passing and foreign files are left out."""
        if not self.folder.is_dir():
            return {}
        found = ((NAME.fullmatch(entry.name), entry) for entry in self.folder.iterdir())
        return {match[1]: entry for match, entry in found if match}

    def _put(
        self, fill: Callable[[BinaryIO], tuple[str, int]], ending: str, expected: str | None, shown: object
    ) -> tuple[str, str, int]:
        self.folder.mkdir(parents=True, exist_ok=True)
        handle, passing = tempfile.mkstemp(suffix=PASSING, dir=self.folder)
        try:
            with os.fdopen(handle, "wb") as target:
                sha256, size = fill(target)
                flush(target)
            if expected is not None and sha256 != expected:
                raise UsageError(f"{shown}: its content is not that of the recording analysed; attach it again")
            present = self.path_of(sha256, ending)
            try:
                os.utime(present)  # young again, so that a purge leaves it until its entry is written
            except FileNotFoundError:  # asked of the file itself: another program may purge it at any moment
                os.replace(passing, present)
                flush_folder(self.folder)
        finally:
            with contextlib.suppress(OSError):
                os.unlink(passing)
        return sha256, ending, size


def ending_of(name: str) -> str:
    """The ending of a file name where it is a plain one (`.m4a`), else nothing."""
    ending = Path(name.replace("\\", "/").rsplit("/", 1)[-1]).suffix.lower()
    return ending if re.fullmatch(r"\.[a-z0-9]{1,8}", ending) else ""


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's content."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def existing(path: Path, what: str) -> Path:
    """The path of a readable plain file; NotInStoreError where there is none."""
    if not path.is_file():
        raise NotInStoreError(f"{path}: no such {what}; give the path of a file")
    if path.stat().st_size > LARGEST:
        raise UsageError(f"{path}: larger than {LARGEST >> 30} GB; shorten it, or attach it without a copy")
    return path


def flush(target: BinaryIO) -> None:
    """See to it that what was written is on the disk."""
    target.flush()
    os.fsync(target.fileno())


def flush_folder(folder: Path) -> None:
    """See to it that a new name in a folder is on the disk, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def copied(source: BinaryIO, target: BinaryIO) -> tuple[str, int]:
    """Copy a stream: SHA-256 and number of the bytes that went over."""
    digest, size = hashlib.sha256(), 0
    while block := source.read(BLOCK):
        digest.update(block)
        target.write(block)
        size += len(block)
    return digest.hexdigest(), size


def readable_sha256(path: Path) -> str | None:
    """The SHA-256 of a file; None where it cannot be read to its end."""
    try:
        return sha256_of(path)
    except OSError:
        return None
