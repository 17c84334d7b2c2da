"""A WAV file that is whole at every moment: its header is brought up to date again and again while it grows.

RIFF/WAVE with 16-bit PCM (Microsoft and IBM, Multimedia Programming Interface, 1991): 44 bytes of header with the
length at bytes 4 and 40. The samples are on the disk before the header says so, so that a crash costs what came after
the last update and nothing else.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from types import TracebackType

import numpy as np

from enginelog.model import EnginelogError

HEADER = 44
MOST_BYTES = 0xFFFFFFFF - HEADER


class WaveFile:
    """A mono WAV file being written. `sync_s`: how many seconds of sound at most are not on the disk yet."""

    def __init__(self, path: Path, rate_hz: int, sync_s: float) -> None:
        self.path, self.rate_hz = path, rate_hz
        self._sync_bytes = max(2, int(sync_s * rate_hz) * 2)
        self._written = self._told = 0
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError:
            raise EnginelogError(f"{path}: this file is there already; choose another name with --out") from None
        except OSError as failed:
            raise EnginelogError(f"{path}: cannot be written: {failed.strerror or failed}") from failed
        try:
            self._put(self._header(0))
            self._sync()
        except OSError as failed:
            self._file.close()
            path.unlink(missing_ok=True)
            raise EnginelogError(f"{path}: cannot be written: {failed.strerror or failed}") from failed

    @property
    def seconds(self) -> float:
        return self._written / 2 / self.rate_hz

    def add(self, block: np.ndarray) -> None:
        """Append samples, float32 within -1..1 (larger ones are held there)."""
        data = np.round(np.clip(block, -1.0, 1.0) * 32767.0).astype("<i2").tobytes()
        if self._written + len(data) > MOST_BYTES:
            raise EnginelogError(f"{self.path}: a WAV file takes no more than 4 GB; begin another recording")
        try:
            self._put(data)
            self._written += len(data)
            if self._written - self._told >= self._sync_bytes:
                self._sync()
        except OSError as failed:
            raise EnginelogError(
                f"{self.path}: cannot be written on: {failed.strerror or failed}; {self.seconds:z.1f} s are in it"
            ) from failed

    def close(self) -> None:
        """Make it whole and close it: a block that a full disk took in part is cut off again."""
        if self._file.closed:
            return
        try:
            self._file.truncate(HEADER + self._written)
            self._sync()
        except OSError as failed:
            raise EnginelogError(f"{self.path}: cannot be brought to its end: {failed.strerror or failed}") from failed
        finally:
            self._file.close()

    def __enter__(self) -> WaveFile:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _put(self, data: bytes) -> None:
        """All of it; OSError where the disk is full, which takes a part first."""
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]

    def _sync(self) -> None:
        """First the samples on the disk, then the header that counts them."""
        os.fsync(self._file.fileno())
        self._file.seek(0)
        self._put(self._header(self._written))
        os.fsync(self._file.fileno())
        self._file.seek(0, os.SEEK_END)
        self._told = self._written

    def _header(self, data_bytes: int) -> bytes:
        form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, self.rate_hz, 2 * self.rate_hz, 2, 16)
        return (
            struct.pack("<4sI4s", b"RIFF", HEADER - 8 + data_bytes, b"WAVE") + form
            + struct.pack("<4sI", b"data", data_bytes)
        )  # fmt: skip
