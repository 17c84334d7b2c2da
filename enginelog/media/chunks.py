"""Where a WAV, AIFF or AU file holds its sound, by its chunks, and whether its header tells of all of it.

A recorder writes the length anew from time to time. One that broke off between leaves a header that tells of less than
the file holds; a copy that broke off leaves one that tells of more.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

from enginelog.media.sniff import Container

# Sizes that a recorder writes when it does not know the size yet: these, and others near them, rounded to whole pages
# or frames (0x7FFFFF00, 0xFFFFF000), where no honest copy would lack so much.
_STREAMED = (0, 0x7FFFFFFF, 0xFFFFFFFF)
_NEARLY = ((0x7FFF0000, 0x80000000), (0xFFFF0000, 0xFFFFFFFF))
_THERE_LEAST = 0.5  # share of such a size that is there if it was meant
_CHUNKS_MOST = 1000
_IN_DS64 = 0xFFFFFFFF  # RF64: the length stands in the chunk ds64 (EBU Tech 3306, 3.3)
_TAGS = (b"ID3", b"TAG", b"APETAGEX", b"LYRICSBEGIN")  # what programs for music put behind any file
_FILL = b"\x00\xff"  # what a memory card holds where a recorder took room and did not come to write
_PIECE = 1 << 20


@dataclass(frozen=True)
class SoundChunk:
    """The chunk with the samples. start: its first byte behind its head. length: as declared. size: of the file.

    form_end: where the whole ends by its own header. field: place of the declared length and how it is packed.
    """

    start: int
    length: int
    size: int
    form_end: int
    field: tuple[int, str]

    @property
    def unknown(self) -> bool:
        """Whether the declared length stands for "not known yet"."""
        near = any(low <= self.length <= high for low, high in _NEARLY)
        return self.length in _STREAMED or (near and self.size - self.start < _THERE_LEAST * self.length)

    @property
    def missing(self) -> int:
        """How many bytes it declares beyond the end of the file (0 where none)."""
        return 0 if self.unknown else max(0, self.start + self.length - self.size)

    def edit(self, length: int) -> tuple[int, bytes]:
        """What makes the header declare this length: a place in the file and the bytes to stand there."""
        place, packed = self.field
        return place, struct.pack(packed, min(length, 256 ** struct.calcsize(packed) - 1))


def sound_chunk(stream: BinaryIO, container: Container) -> SoundChunk | None:
    """The chunk with the samples of a WAV, AIFF or AU file; None where there is none, and for other kinds."""
    if container.kind == "AU":
        return _behind_head(stream)
    if container.kind not in ("WAV", "AIFF"):
        return None
    size = stream.seek(0, 2)
    stream.seek(0)
    form = stream.read(8)
    number = "<I" if form[:4] in (b"RIFF", b"RF64", b"BW64") else ">I"
    form_end = 8 + struct.unpack(number, form[4:])[0] if len(form) == 8 else 0
    wanted = b"data" if container.kind == "WAV" else b"SSND"
    at, in_ds64 = 12, None
    for _ in range(_CHUNKS_MOST):
        stream.seek(at)
        head = stream.read(8)
        if len(head) < 8:
            return None
        length = struct.unpack(number, head[4:])[0]
        if head[:4] == b"ds64" and len(body := stream.read(16)) == 16:
            in_ds64 = at + 16, struct.unpack("<Q", body[8:])[0]
        if head[:4] == wanted:
            if length == _IN_DS64 and in_ds64:
                return SoundChunk(at + 8, in_ds64[1], size, form_end, (in_ds64[0], "<Q"))
            return SoundChunk(at + 8, length, size, form_end, (at + 4, number))
        at += 8 + length + length % 2
    return None


def _behind_head(stream: BinaryIO) -> SoundChunk | None:
    """The samples of an AU file: its head says where they begin and how many bytes they are."""
    size = stream.seek(0, 2)
    stream.seek(0)
    head = stream.read(12)
    if len(head) < 12:
        return None
    number = "<I" if head[:4] == b"dns." else ">I"
    start, length = (struct.unpack(number, part)[0] for part in (head[4:8], head[8:]))
    return SoundChunk(start, length, size, size, (8, number))


def behind(stream: BinaryIO, chunk: SoundChunk) -> int:
    """How many bytes of sound follow the chunk beyond its declared end, by all that can be seen; 0 where none.

    Another chunk, a tag, text, or what only fills room is none.
    """
    end = chunk.start + chunk.length
    if chunk.unknown or end + 8 > chunk.size:
        return 0
    number = chunk.field[1][0] + "I"
    for at in (end, end + chunk.length % 2):  # some programs leave out the byte that makes the length even
        stream.seek(at)
        head = stream.read(64)
        if _is_chunk(head, at, number, chunk) or head.startswith(_TAGS) or _is_text(head):
            return 0
    return max(0, _last_written(stream, end, chunk.size) - end)


def _is_chunk(head: bytes, at: int, number: str, chunk: SoundChunk) -> bool:
    """Whether a chunk begins with this: a name of four letters, and a length that ends within the file, or where the
    file itself is to end by its header (a copy of it may have broken off there)."""
    if len(head) < 8 or not all(32 <= byte < 127 for byte in head[:4]):
        return False
    return at + 8 + struct.unpack(number, head[4:8])[0] <= max(chunk.size, chunk.form_end)


def _is_text(head: bytes) -> bool:
    return all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)


def _last_written(stream: BinaryIO, first: int, end: int) -> int:
    """The end of what was written between `first` and `end`: what only fills room behind it is left out."""
    while end > first:
        start = max(first, end - _PIECE)
        stream.seek(start)
        if kept := stream.read(end - start).rstrip(_FILL):
            return start + len(kept)
        end = start
    return first
