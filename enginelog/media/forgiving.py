"""An opened file as decoders get it. An error inside one of their callbacks would be printed on the terminal, with all
its lines, instead of reaching us."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, BinaryIO

REFUSED = -1  # what FFmpeg takes for a seek that was not possible (its documentation of avio_alloc_context)


class ForFFmpeg:
    """A file for FFmpeg, to which a seek out of range is answered as FFmpeg expects (a damaged header may ask for
    one). Where reading fails it does so once, which ends the decoding; after that the file is at its end."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self._failed = stream, False
        self.tell = stream.tell

    def read(self, size: int = -1) -> bytes:
        """As of any file; OSError the first time it fails alone."""
        if self._failed:
            return b""
        try:
            return self._stream.read(size)
        except OSError:
            self._failed = True
            raise

    def seek(self, offset: int, whence: int = 0) -> int:
        """The new place, or REFUSED."""
        try:
            return self._stream.seek(offset, whence)
        except (OSError, ValueError, OverflowError):
            return REFUSED


class ForLibsndfile:
    """A file for libsndfile that stays where it is on a seek out of range.

    edits: places and the bytes that are read there instead of the file's own, which stay as they are.
    """

    def __init__(self, stream: BinaryIO, edits: Sequence[tuple[int, bytes]] = ()) -> None:
        self._stream, self._edits = stream, edits
        self.tell = stream.tell

    def readinto(self, buffer: Any) -> int:
        """As of any file."""
        at = self._stream.tell()
        read = self._stream.readinto(buffer)  # type: ignore[attr-defined]
        for place, new in self._edits:
            first, end = max(place, at), min(place + len(new), at + read)
            if first < end:
                buffer[first - at : end - at] = new[first - place : end - place]
        return read

    def write(self, data: bytes) -> int:
        """OSError always."""
        raise OSError("opened for reading")

    def seek(self, offset: int, whence: int = 0) -> int:
        """The place it is at then."""
        try:
            return self._stream.seek(offset, whence)
        except (OSError, ValueError, OverflowError):
            return self._stream.tell()
