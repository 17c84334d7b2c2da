"""From a path, `-` or a stream to an opened recording."""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from typing import BinaryIO

from enginelog.limits import LimitSet, load
from enginelog.media.recording import Recording, memory_said
from enginelog.media.sniff import sniff
from enginelog.model import Clip, ClipInfo, UnreadableError
from enginelog.model.wording import printable

LOOKED_AT = 1 << 16  # bytes of a stream by which it is told what it is: more than `sniff` asks for

PathOrStream = str | os.PathLike[str] | BinaryIO


def open_recording(path_or_stream: PathOrStream, name: str | None = None, limits: LimitSet | None = None) -> Recording:
    """Open a recording of any phone format: WAV, FLAC, AIFF, OGG, MP3, M4A, MP4, MOV, 3GP, AMR, WebM and a few more.

    path_or_stream: a path (`-` means standard input) or a binary stream, which is copied to a temporary file first.
    name: what to call it in the record and in messages; the file's own name where not given.
    limits: of the topic `media`.
    Returns a Recording, to be used as a context manager. UnreadableError, one line, where there is nothing to read.
    """
    limits = limits or load("media")
    stream, called = _stream(path_or_stream, limits, name)
    shown = printable(name or called)
    try:
        with memory_said(shown):
            return Recording(stream, shown, limits)
    except BaseException:
        stream.close()
        raise


def read(path_or_stream: PathOrStream, limits: LimitSet | None = None) -> tuple[Clip, ClipInfo]:
    """A whole short recording at once. For long ones use `open_recording`: this holds all samples in memory."""
    with open_recording(path_or_stream, limits=limits) as recording:
        blocks = list(recording.blocks(seconds=1e9, overlap_s=0.0))
        return blocks[0], recording.info


def _stream(path_or_stream: PathOrStream, limits: LimitSet, called: str | None) -> tuple[BinaryIO, str]:
    """An opened, seekable binary file and the name it goes by."""
    most = int(limits.value("max_stream_bytes"))
    if not isinstance(path_or_stream, (str, os.PathLike)):
        return _spooled(path_or_stream, printable(called or "stream"), most), "stream"
    path = os.fspath(path_or_stream)
    if path == "-":
        return _spooled(sys.stdin.buffer, "standard input", most), "standard input"
    name = printable(os.path.basename(path) or path)
    opened = _opened(path, name)
    if stat.S_ISREG(os.fstat(opened.fileno()).st_mode):
        return opened, name
    with opened:
        return _spooled(opened, name, most), name


def _opened(path: str, name: str) -> BinaryIO:
    """The file, opened for reading; UnreadableError in plain words where that fails."""
    try:
        if os.path.isdir(path):
            raise UnreadableError(f"{name}: this is a folder; give a recording in it")
        return open(path, "rb")
    except FileNotFoundError:
        raise UnreadableError(f"{printable(path)}: no such file; check the name and the folder") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableError(f"{name}: the file cannot be opened ({reason})") from error


def _spooled(stream: BinaryIO, name: str, most: int) -> BinaryIO:
    """A temporary file with all bytes of a stream, gone when closed; UnreadableError above `most` bytes, and before
    much of it is copied where its first bytes are those of no recording: it may never end."""
    spool = tempfile.TemporaryFile(prefix="enginelog-")  # noqa: SIM115 (handed on to the caller)
    looked = False
    try:
        while part := stream.read(1 << 20 if looked else LOOKED_AT):
            spool.write(part)
            if not looked and spool.tell() >= LOOKED_AT:
                looked = True
                sniff(spool, name)
                spool.seek(0, os.SEEK_END)
            if spool.tell() > most:
                raise UnreadableError(f"{name}: more than {most / 1e9:z.1f} GB; save it to a file and give the file")
        spool.flush()
    except BaseException:
        spool.close()
        raise
    return spool
