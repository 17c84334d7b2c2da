"""How long the sound of a Matroska or WebM file is by the file's own word (RFC 9559).

The length in its head is when the last of all tracks ends, counted from time stamp 0, not how long the sound is.
"""

from __future__ import annotations

from typing import Any, BinaryIO

_HEAD, _SEGMENT = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"


def sound_s(opened: Any, track: Any, stream: BinaryIO) -> float | None:
    """Seconds from the first time stamp of the sound track to its end; None where the file does not say.

    By the track's own DURATION tag. Without one by the length in the head, where no other track can be what lasts so
    long, or where the end of the file is missing. stream: the file, left where it was.
    """
    end_s = next((_seconds(text) for key, text in track.metadata.items() if key.startswith("DURATION")), None)
    if end_s is None and opened.duration and (len(opened.streams) == 1 or _is_cut(stream)):
        end_s = opened.duration / 1e6
    if end_s is None:
        return None
    return end_s - float((track.start_time or 0) * (track.time_base or 0))


def _seconds(text: str) -> float | None:
    """A duration written as hours, minutes and seconds; None where it is none."""
    try:
        hours, minutes, seconds = text.split(":")
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds)
    except ValueError:
        return None


def _is_cut(stream: BinaryIO) -> bool:
    """Whether the file ends before its one segment, which holds everything, does by its own size."""
    at = stream.tell()
    size = stream.seek(0, 2)
    stream.seek(0)
    head = stream.read(4096)
    stream.seek(at)
    begin = 0
    for wanted in (_HEAD, _SEGMENT):
        if head[begin : begin + 4] != wanted:
            return False
        length, begin = _number(head, begin + 4)
        if wanted is _HEAD and length is not None:
            begin += length
    return length is not None and begin + length > size


def _number(data: bytes, at: int) -> tuple[int | None, int]:
    """A size as EBML writes it (RFC 8794, 4), None for "unknown", and where it ends."""
    first = data[at] if at < len(data) else 0
    width = 9 - first.bit_length()
    if width > 8 or at + width > len(data):
        return None, len(data)
    value = int.from_bytes(data[at : at + width], "big") & ((1 << 7 * width) - 1)
    return (None if value == (1 << 7 * width) - 1 else value), at + width
