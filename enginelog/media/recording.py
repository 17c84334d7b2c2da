"""One recording, opened once, handed out once, in blocks."""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator
from itertools import chain
from types import TracebackType
from typing import BinaryIO

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.coded import open_coded
from enginelog.media.mono import mix_weights, to_mono
from enginelog.media.plain import open_plain
from enginelog.media.sniff import sniff
from enginelog.media.source import Source, problems
from enginelog.model import Clip, ClipInfo, Problem, UnreadableError, UsageError


class Recording:
    """An opened recording. Use as a context manager; read it once through `blocks`.

    info: where it came from. `seconds` is what the file declares until all blocks were read, and exact after that.
    problems: what was wrong with the file itself (ends early, damaged, not-a-number samples,
        changed while it was read); complete after all
        blocks were read.
    filled: (start, end) in seconds of the stretches in which silence stands for what is damaged or missing in the file,
        in order; complete for the blocks handed out so far.
    """

    def __init__(self, stream: BinaryIO, name: str, limits: LimitSet) -> None:
        self._stream, self._limits, self._name = stream, limits, name
        self._sha256: str | None = None
        self._stamp = _stamp(stream)
        self._started = False
        self._read = 0
        self._done = False
        self._source = _sounding(stream, name, limits)
        weights = mix_weights(self._source, limits)
        if len(weights) > 1:  # it was read to its end for that
            silent = self._source.tally.silent
            self._source = _open(stream, name, limits, self._source.tally.track)
            self._source.tally.silent = silent
        self.rate_hz, self._chunks = to_mono(self._source, weights, limits)
        self._first = _first(self._chunks, name, self._source)

    @property
    def info(self) -> ClipInfo:
        """Where it came from; `seconds` is exact once all blocks were read."""
        source = self._source
        seconds = self._read / self.rate_hz if self._done else source.seconds or 0.0
        return ClipInfo(
            self._name, self._hash(), seconds, source.rate_hz, source.channels, source.codec, source.recorded_at
        )

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What was wrong with the file itself; complete once all blocks were read."""
        self._look()
        return problems(self._source.tally)

    @property
    def filled(self) -> tuple[tuple[float, float], ...]:
        """Where silence stands for what is missing; complete for the blocks handed out so far."""
        return tuple(self._source.tally.filled)

    def blocks(self, seconds: float | None = None, overlap_s: float | None = None) -> Iterator[Clip]:
        """The recording as mono Clips in order of time, float32, at `rate_hz`; one decoding pass.

        (One more was made on opening where there are several channels, to see how they are best mixed to one.)

        seconds: length of a block (default 120). The last one may be up to half as long again, so a recording of at
            most 1.5 times this length comes as one block.
        overlap_s: how far each block reaches back into the one before it (default 2).
        Memory is bounded by about four blocks, however long the recording. UsageError on a second call.
        """
        if self._started:
            raise UsageError(f"{self._name}: a recording can be read once only; open it again to read it again")
        block_s = self._limits.value("block_s") if seconds is None else seconds
        back_s = self._limits.value("overlap_s") if overlap_s is None else overlap_s
        if not 0 <= back_s < block_s:
            raise UsageError(f"the overlap ({back_s} s) must be shorter than the block ({block_s} s)")
        self._started = True
        return self._blocks(round(block_s * self.rate_hz), round(back_s * self.rate_hz))

    def close(self) -> None:
        """Close the file; blocks that were handed out stay valid."""
        self._stream.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def _blocks(self, block_n: int, back_n: int) -> Iterator[Clip]:
        start, held = 0, _Held()
        for chunk in self._all_chunks():
            held.add(chunk)
            while held.n > block_n + block_n // 2:
                yield Clip(held.first(block_n), self.rate_hz, start / self.rate_hz)
                held.drop(block_n - back_n)
                start += block_n - back_n
        self._done = True
        if held.n:
            yield Clip(held.rest(), self.rate_hz, start / self.rate_hz)

    def _all_chunks(self) -> Iterator[np.ndarray]:
        chunks = chain((self._first,), self._chunks)
        while True:
            with memory_said(self._name):
                chunk = next(chunks, None)
            if chunk is None:
                return
            self._read += len(chunk)
            yield chunk

    def _hash(self) -> str:
        """SHA-256 of the original bytes, in hexadecimal; read a megabyte at a time, once."""
        if self._sha256 is None:
            at, digest = self._stream.tell(), hashlib.sha256()
            self._stream.seek(0)
            while part := self._stream.read(1 << 20):
                digest.update(part)
            self._stream.seek(at)
            self._look()
            self._sha256 = digest.hexdigest()
        return self._sha256

    def _look(self) -> None:
        """Note where the file is no longer what was opened: what is read and what is hashed may then be two things."""
        if not self._stream.closed and _stamp(self._stream) != self._stamp:
            self._source.tally.changed = True


@contextlib.contextmanager
def memory_said(name: str) -> Iterator[None]:
    """UnreadableError where reading a recording takes more memory than there is."""
    try:
        yield
    except MemoryError as failed:
        raise UnreadableError(
            f"{name}: it asks for more memory than there is; close other programs, or cut it to the part that matters"
        ) from failed


def _stamp(stream: BinaryIO) -> tuple[int, int]:
    """What shows that an opened file was written to: its size in bytes and when it last was, in ns."""
    found = os.fstat(stream.fileno())
    return found.st_size, found.st_mtime_ns


class _Held:
    """Samples waiting to fill a block, in one array that grows by doubling: half the memory of joining a list."""

    def __init__(self) -> None:
        self.n = 0
        self._room = np.empty(1 << 16, np.float32)

    def add(self, chunk: np.ndarray) -> None:
        wanted = self.n + len(chunk)
        if wanted > len(self._room):
            grown = np.empty(max(wanted, 2 * len(self._room)), np.float32)
            grown[: self.n] = self._room[: self.n]
            self._room = grown
        self._room[self.n : wanted] = chunk
        self.n = wanted

    def first(self, n: int) -> np.ndarray:
        return self._room[:n].copy()

    def drop(self, n: int) -> None:
        self._room[: self.n - n] = self._room[n : self.n].copy()
        self.n -= n

    def rest(self) -> np.ndarray:
        """What is left, as the array itself: the last use."""
        return self._room[: self.n]


def _open(stream: BinaryIO, name: str, limits: LimitSet, track: int | None = None) -> Source:
    container = sniff(stream, name)
    source = open_plain(stream, name, container, limits) if container.plain else None
    return source or open_coded(stream, name, container, limits, track)


def _sounding(stream: BinaryIO, name: str, limits: LimitSet) -> Source:
    """The sound track; of several the one the file prefers, or where that is silent the first that is not.

    Only so many are looked at (`most_tracks`): each is decoded anew, and a small file can hold hundreds.
    """
    source = _open(stream, name, limits)
    if source.tally.tracks == 1:
        return source
    own, silent = source.tally.track, limits.value("silent_peak")
    most = int(limits.value("most_tracks"))
    for track in (own, *(number for number in range(source.tally.tracks) if number != own))[:most]:
        with contextlib.suppress(UnreadableError):  # what another track declares may be nonsense
            if any(np.abs(chunk).max() > silent for chunk in _open(stream, name, limits, track).chunks if len(chunk)):
                return _open(stream, name, limits, track)
    found = _open(stream, name, limits)
    found.tally.silent = min(most, found.tally.tracks)
    return found


def _first(chunks: Iterator[np.ndarray], name: str, source: Source) -> np.ndarray:
    """The first sound there is; UnreadableError where there is none."""
    for chunk in chunks:
        if len(chunk):
            return chunk
    damaged = "its sound is damaged" if source.tally.damaged_packets else "it holds no sound (0 samples)"
    raise UnreadableError(f"{name}: {damaged}; record again, or copy the file from the phone again")
