"""Time that a damaged MP3 loses: its time stamps count the frames that could be read, and nothing else."""

from __future__ import annotations

from typing import Any

_TAGS = (b"ID3", b"TAG", b"APE")  # what may stand between two recordings put one behind the other


class Holes:
    """Follows the packets of an MP3 file. lost_s: how long the bytes before this one that were no frames would sound.

    What is no frame comes as one packet, far larger than a frame. How long it would sound is known only where all
    others are of one size (within the byte of padding), and so the bit rate is constant.
    """

    def __init__(self) -> None:
        self._count, self._bytes, self._smallest, self._largest = 0, 0, 1 << 30, 0
        self._behind_s = 0.0
        self.lost_s = 0.0

    def see(self, packet: Any) -> None:
        """Take in the next packet."""
        self.lost_s, self._behind_s = self.lost_s + self._behind_s, 0.0
        if not packet.size or not packet.duration:
            return
        constant = self._count > 1 and self._largest - self._smallest <= 1
        missing = round(packet.size * self._count / self._bytes) - 1 if constant else 0
        if missing > 0:
            if bytes(packet)[:3] not in _TAGS:
                self._behind_s = missing * float(packet.duration * packet.time_base)
            return
        self._count, self._bytes = self._count + 1, self._bytes + packet.size
        self._smallest, self._largest = min(self._smallest, packet.size), max(self._largest, packet.size)
