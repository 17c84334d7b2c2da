"""Time that a damaged MP3 loses: its time stamps count the frames that could be read, and nothing else."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any, BinaryIO

from enginelog.media.forgiving import ForFFmpeg
from enginelog.media.sniff import frame_bytes

_TAGS = (b"ID3", b"TAG", b"APE")  # what may stand between two recordings put one behind the other
_NEAR = 200  # frames by which it is judged how many bytes a second of sound takes: some five seconds
_SEARCHED = 1 << 16
_JOINED = 17 / 16  # a file that much longer than its tag says has had something put behind it


@dataclass(frozen=True)
class Tag:
    """What the tag in the first frame of many MP3 files says: how many frames follow it, and how many bytes they and
    the tag are. whole: all of these bytes are there."""

    frames: int
    whole: bool


def tag(stream: BinaryIO) -> Tag | None:
    """The tag of such a file, left where it was; None where it has none, or was put together of several."""
    back, size = stream.tell(), stream.seek(0, 2)
    try:
        stream.seek(0)
        head = stream.read(10)
        first = 10 + sum((byte & 0x7F) << 7 * (3 - at) for at, byte in enumerate(head[6:])) if head[:3] == b"ID3" else 0
        stream.seek(first)
        data = stream.read(_SEARCHED)
    finally:
        stream.seek(back)
    frame = data[: frame_bytes(data[:4])]
    at = max(frame.find(b"Xing"), frame.find(b"Info"))
    if at < 0 or len(frame) < at + 16 or frame[at + 7] & 3 != 3:
        return None
    frames, length = (int.from_bytes(frame[at + skip : at + skip + 4], "big") for skip in (8, 12))
    if not frames or size - first > _JOINED * length:
        return None
    return Tag(frames, size - first >= length)


class Holes:
    """Follows the packets of an MP3 file. lost_s: how long the bytes before this one that were no frames would sound.

    What is no frame comes as one packet. How long it would sound is known where all others are of one size (within the
    byte of padding), and so the bit rate is constant. At a changing one the file's tag tells how many frames are
    missing in all, where the file was not cut besides; else it is guessed by the frames before.
    guessed_s: so much was. tagged: the file has such a tag.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self.tagged = stream, tag(stream) is not None
        self._count, self._bytes, self._smallest, self._largest = 0, 0, 1 << 30, 0
        self._framed = 0
        self._near: deque[int] = deque(maxlen=_NEAR)
        self._frame_s, self._told, self._looked = 0.0, 0.0, False
        self._behind_s = 0.0
        self.lost_s = self.guessed_s = 0.0

    def see(self, packet: Any) -> None:
        """Take in the next packet."""
        self.lost_s, self._behind_s = self.lost_s + self._behind_s, 0.0
        if not packet.size or not packet.duration:
            return
        self._frame_s = float(packet.duration * packet.time_base)
        own = frame_bytes(bytes(packet)[:4])
        constant = self._count > 1 and self._largest - self._smallest <= 1
        missing = round(packet.size * self._count / self._bytes) - 1 if constant else 0
        if missing > 0 or (not constant and own != packet.size and self._framed > 0.9 * self._count):
            if bytes(packet)[:3] not in _TAGS:
                self._behind_s = missing * self._frame_s if constant else self._changing(packet.size, own)
            return
        self._framed += own == packet.size
        self._near.append(packet.size)
        self._count, self._bytes = self._count + 1, self._bytes + packet.size
        self._smallest, self._largest = min(self._smallest, packet.size), max(self._largest, packet.size)

    def _changing(self, size: int, own: int) -> float:
        """How long what is no frame of a packet would sound, at a bit rate that changes, less what it counts for."""
        if not self._looked:
            self._told, self._looked = _frames_a_byte(self._stream), True
        frames = self._told or len(self._near) / sum(self._near)
        behind_s = max(0.0, (size - own) * frames - (not own)) * self._frame_s
        if not self._told:
            self.guessed_s += behind_s
        return behind_s


def _frames_a_byte(stream: BinaryIO) -> float:
    """How many frames are missing for each byte that is no frame, by the file's tag; 0 where that cannot be told."""
    import av

    said = tag(stream)
    if said is None or not said.whole:
        return 0.0
    back, good, other = stream.tell(), 0, 0
    try:
        stream.seek(0)
        with av.open(ForFFmpeg(stream), mode="r", format="mp3", metadata_errors="replace") as opened:
            for packet in opened.demux(opened.streams.audio[0]):
                own = frame_bytes(bytes(packet)[:4]) if packet.size else 0
                good += bool(own)
                if packet.size and bytes(packet)[:3] not in _TAGS:
                    other += packet.size - own
    except (av.FFmpegError, ValueError, OSError):
        return 0.0
    finally:
        stream.seek(back)
    return max(0, said.frames - good) / other if other else 0.0
