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
            self._file = path.open("xb")
        except FileExistsError:
            raise EnginelogError(f"{path}: this file is there already; choose another name with --out") from None
        except OSError as failed:
            raise EnginelogError(f"{path}: cannot be written: {failed.strerror or failed}") from failed
        self._file.write(self._header(0))
        self._sync()

    @property
    def seconds(self) -> float:
        return self._written / 2 / self.rate_hz

    def add(self, block: np.ndarray) -> None:
        """Append samples, float32 within -1..1 (larger ones are held there)."""
        data = np.round(np.clip(block, -1.0, 1.0) * 32767.0).astype("<i2").tobytes()
        if self._written + len(data) > MOST_BYTES:
            raise EnginelogError(f"{self.path}: a WAV file takes no more than 4 GB; begin another recording")
        try:
            self._file.write(data)
            self._written += len(data)
            if self._written - self._told >= self._sync_bytes:
                self._sync()
        except OSError as failed:
            raise EnginelogError(f"{self.path}: cannot be written on: {failed.strerror or failed}") from failed

    def close(self) -> None:
        """Make it whole and close it."""
        if not self._file.closed:
            self._sync()
            self._file.close()

    def __enter__(self) -> WaveFile:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _sync(self) -> None:
        """First the samples on the disk, then the header that counts them."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.seek(0)
        self._file.write(self._header(self._written))
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.seek(0, os.SEEK_END)
        self._told = self._written

    def _header(self, data_bytes: int) -> bytes:
        form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, self.rate_hz, 2 * self.rate_hz, 2, 16)
        return (
            struct.pack("<4sI4s", b"RIFF", HEADER - 8 + data_bytes, b"WAVE") + form
            + struct.pack("<4sI", b"data", data_bytes)
        )  # fmt: skip
