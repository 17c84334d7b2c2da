"""What an MPEG transport stream lost: packets of the sound that are not there, and an end in the middle of one.

The stream declares no length, but its packets are counted (ISO/IEC 13818-1, 2.4.3.3) and each unit of sound says how
long it is (2.4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

SYNC = 0x47
_PACKET = 188  # bytes from the sync byte on
_LENGTHS = (188, 192, 204)  # as broadcast; with a time before each, as cameras write it; with check bytes behind each
_IN_A_ROW = 5  # sync bytes that far apart, after which it is no chance
_SEARCHED = 8192
_PIECE = 1 << 20


@dataclass(frozen=True)
class Losses:
    """packets: places at which packets of the sound are damaged or missing. cut: the file ends in the middle of one of
    its packets, or of a unit of the sound."""

    packets: int
    cut: bool


def packets_at(head: bytes) -> tuple[int, int] | None:
    """(first sync byte, bytes from one to the next) of a transport stream by its first bytes; None for another kind."""
    syncs = np.frombuffer(head, np.uint8)
    for length in _LENGTHS:
        found = _rows(syncs[:_SEARCHED], syncs, length)
        if found is not None:
            return found, length
    return None


def _rows(searched: np.ndarray, data: np.ndarray, length: int) -> int | None:
    """The first byte of `searched`, the beginning of `data`, from which sync bytes follow each other that far apart."""
    last = min(len(searched), len(data) - (_IN_A_ROW - 1) * length - 3)
    if last <= 0:
        return None
    good = np.ones(last, bool)
    for number in range(_IN_A_ROW):
        first = number * length
        # A packet has an adaptation field, a payload or both: 00 is reserved (table 2-5), and text has it often.
        good &= (data[first : first + last] == SYNC) & (data[first + 3 : first + 3 + last] & 0x30 != 0)
    places = np.flatnonzero(good)
    return int(places[0]) if len(places) else None


def losses(stream: BinaryIO, pid: int) -> Losses:
    """What the sound with this packet identifier lost. The stream is left where it was. One pass, a piece at a time."""
    back = stream.tell()
    try:
        stream.seek(0)
        found = packets_at(stream.read(2 * _SEARCHED))
        return Losses(0, False) if found is None else _Watch(pid, *found).through(stream)
    finally:
        stream.seek(back)


class _Watch:
    """Follows the packets of one track through the file."""

    def __init__(self, pid: int, first: int, length: int) -> None:
        self._pid, self._length = pid, length
        self._before = {188: 0, 192: 4, 204: 0}[length]  # bytes before the sync byte that belong to a packet
        self._at = (first - self._before) % length
        self._lost, self._count, self._wanted, self._had = 0, -1, 0, 0

    def through(self, stream: BinaryIO) -> Losses:
        size, length = stream.seek(0, 2), self._length
        while size - self._at >= length:
            stream.seek(self._at)
            data = np.frombuffer(stream.read(_PIECE // length * length), np.uint8)
            rows = data[: len(data) // length * length].reshape(-1, length)
            if not len(rows):
                break
            wrong = np.flatnonzero(rows[:, self._before] != SYNC)
            whole = int(wrong[0]) if len(wrong) else len(rows)
            self._take(rows[:whole, self._before : self._before + _PACKET])
            self._at += whole * length
            if len(wrong):
                self._lost += 1
                self._at += self._next(data[whole * length :])
        return Losses(self._lost, size > self._at or self._had < self._wanted)

    def _next(self, data: np.ndarray) -> int:
        """How far on the packets go on; all of it where they do not."""
        step = 16 * self._length
        for at in range(0, len(data), step):
            piece = data[at : at + step + _IN_A_ROW * self._length]
            found = _rows(piece[self._before :][:step], piece[self._before :], self._length)
            if found is not None and at + found:
                return at + found
        return len(data)

    def _take(self, rows: np.ndarray) -> None:
        """Packets one behind the other, from their sync byte on."""
        own = rows[((rows[:, 1].astype(int) & 0x1F) << 8 | rows[:, 2]) == self._pid]
        self._lost += int(np.count_nonzero(own[:, 1] & 0x80))  # marked as damaged by who received it
        own = own[(own[:, 3] & 0x10 != 0) & (own[:, 1] & 0x80 == 0)]
        if not len(own):
            return
        filled = own[:, 3] & 0x20 != 0
        begins = np.where(filled, 5 + own[:, 4].astype(int), 4)
        counts = (own[:, 3] & 0x0F).astype(int)
        steps = np.diff(counts, prepend=self._count if self._count >= 0 else counts[0]) % 16
        meant = filled & (own[:, 4] > 0) & (own[:, 5] & 0x80 != 0)  # the count may begin anew there
        again = steps == 0  # a packet may be sent twice
        self._lost += int(np.count_nonzero(~again & (steps != 1) & ~meant))
        self._count = int(counts[-1])
        self._measure(own, begins, again & ~meant)

    def _measure(self, own: np.ndarray, begins: np.ndarray, again: np.ndarray) -> None:
        """How long the last unit of sound should be, and how much of it was there."""
        payload = np.where(again, 0, np.maximum(0, _PACKET - begins))
        starts = np.flatnonzero((own[:, 1] & 0x40 != 0) & (begins + 6 <= _PACKET))
        if len(starts):
            last = int(starts[-1])
            head = own[last, begins[last] : begins[last] + 6]
            declared = int(head[4]) << 8 | int(head[5])
            self._wanted = 6 + declared if declared else 0
            self._had = _PACKET - int(begins[last])
            payload = payload[last + 1 :]
        self._had += int(payload.sum())
