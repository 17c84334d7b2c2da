"""Recordings on their way: arriving piece by piece, waiting, being analysed, and kept until attached or thrown away.

A take lies in a folder of its own that is gone when the server ends; only `Store.attach` puts a recording into the job
record, whole or not at all. Its folder is named by the server: no name from outside is ever part of a path.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

from enginelog.bench.own_folder import OwnFolder
from enginelog.bench.settings import Settings
from enginelog.model import EnginelogError, Run
from enginelog.store.files import ending_of, readable_sha256

LONGEST_NAME = 200
MOST_ENDED = 5000
GONE = "this recording is not here (any more): it must be sent again"


class NoTakeError(EnginelogError):
    """There is no such recording on its way (any more)."""


class RefusedTakeError(EnginelogError):
    """This recording, or this piece of it, is not taken; says why."""


@dataclass
class Take:
    """One recording on its way. size, received: bytes told and bytes here. share: of the analysis done, 0..1.

    state: arriving, waiting, analysing, done or failed. problem: why it failed, in words. run: what was heard, once
    done. only_here: recorded by this machine; no phone has it. ran: somebody says that an engine ran in it. patient:
    whether it lets others go first (somebody waits for it). came: the SHA-256 so far of what was sent.
    """

    id: str
    job_id: int
    name: str
    size: int
    path: Path
    stage: str
    conditions: tuple[str, ...] = ()
    note: str = ""
    state: str = "arriving"
    received: int = 0
    share: float = 0.0
    problem: str = ""
    run: Run | None = None
    begun: float = 0.0
    touched: float = 0.0
    only_here: bool = False
    ran: bool = False
    patient: bool = False
    writing: bool = field(default=False, repr=False)
    came: Any = field(default_factory=hashlib.sha256, repr=False)

    @property
    def folder(self) -> Path:
        return self.path.parent

    def heard(self, run: Run) -> None:
        """Keep what was heard in it until it is attached."""
        self.run = run


class Takes:
    """All takes of one server; may be used from several threads. `whole`: called with a take that has arrived."""

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.monotonic) -> None:
        self._settings, self._clock = settings, clock
        self._folder = OwnFolder("enginelog-bench-")
        self._takes: dict[str, Take] = {}
        self._ended: OrderedDict[str, int] = OrderedDict()
        self._lock = Lock()
        self.whole: Callable[[Take], None] = lambda take: None

    def begin(self, job_id: int, name: str, size: int, stage: str, conditions: tuple[str, ...], note: str) -> Take:
        """A recording of `size` bytes is announced; RefusedTakeError where it cannot be taken."""
        self.forget_old()
        largest = self._settings.bound_bytes("largest_upload_mb")
        if not 0 < size <= largest:
            raise RefusedTakeError(
                f"{size} bytes announced, 1 to {largest} expected: "
                + ("the recording is empty; record again" if size <= 0 else "cut it, or attach it at the machine")
            )
        with self._lock:
            taken = sum(take.size for take in self._takes.values())
            room = self._settings.bound_bytes("all_takes_mb") - taken
            free = self._free() - 200_000_000
            if size > free:
                raise RefusedTakeError("the disk it would lie on is nearly full: make room there, then send it again")
            if len(self._takes) >= self._settings.bound("most_takes") or size > room:
                raise RefusedTakeError("too many recordings wait to be attached: attach or discard some first")
            return self._enter(job_id, name, size, stage, conditions, note)

    def finished(self, job_id: int, name: str, recorded: Path, stage: str) -> Take:
        """A recording that was made on this machine: moved here, and whole at once. RefusedTakeError, and it stays
        where it is, where it cannot be moved."""
        with self._lock:
            take = self._enter(job_id, name, recorded.stat().st_size, stage, (), "")
            take.only_here = True
        try:
            shutil.move(recorded, take.path)
        except OSError as failed:
            self.discard(take.id)
            raise RefusedTakeError(f"it cannot be kept here: {failed.strerror or failed}; try again") from failed
        take.received = take.size
        self._arrived(take)
        return take

    def get(self, take_id: str) -> Take:
        """The take of this id; NoTakeError where there is none, or its file has been cleared away: its phone, told that
        it is here, would offer it no more."""
        with self._lock:
            take = self._takes.get(take_id)
        if take is None:
            raise NoTakeError(GONE)
        if not take.path.is_file():
            self.discard(take_id)
            raise NoTakeError(GONE)
        return take

    def of_job(self, job_id: int) -> list[Take]:
        """The takes of a job, the oldest first."""
        with self._lock:
            return [take for take in self._takes.values() if take.job_id == job_id]

    def open_piece(self, take_id: str, offset: int) -> Take:
        """Begin to write a piece that starts at `offset`; RefusedTakeError where it does not follow what is here, or
        somebody else has attached the take or thrown it away: sent again from the start, it would be back."""
        try:
            take = self.get(take_id)
        except NoTakeError as gone:
            raise self._why_gone(take_id) from gone
        with self._lock:
            if take.writing or take.state != "arriving" or offset != take.received:
                raise RefusedTakeError(f"{take.received} bytes are here; go on from there")
            take.writing = True
        return take

    def add(self, take: Take, data: bytes) -> None:
        """Write bytes of the open piece; RefusedTakeError past the size announced."""
        if take.received + len(data) > take.size:
            raise RefusedTakeError(f"more than the {take.size} bytes announced came; send it again from the start")
        if self._too_late(take):
            raise RefusedTakeError("it took too long to arrive; send it again from the start, over a better network")
        try:
            with take.path.open("r+b") as target:  # over what a write that failed may have left behind the end
                target.seek(take.received)
                target.write(data)
        except OSError as failed:  # the disk is full, or the file is gone
            if not take.path.exists():
                raise self._lost(take) from failed
            with contextlib.suppress(OSError):
                os.truncate(take.path, take.received)
            raise _not_kept(failed) from failed
        take.came.update(data)
        take.received += len(data)
        take.touched = self._clock()

    def close_piece(self, take: Take) -> None:
        """End the open piece; a take that is whole now goes on to be analysed. NoTakeError where what lies here is not
        byte for byte what was sent: it must be sent again, while its phone has it still."""
        take.writing = False
        if take.received == take.size and take.state == "arriving":
            try:
                with take.path.open("rb+") as target:
                    os.fsync(target.fileno())
            except OSError as failed:  # what of it is on the disk then, nobody can tell
                raise self._lost(take) from failed
            if readable_sha256(take.path) != take.came.hexdigest():
                raise self._lost(take)
            self._arrived(take)

    def claim(self, take_id: str) -> Take:
        """Take hold of an answer to attach it, so that a second tap does not attach it twice."""
        try:
            take = self.get(take_id)
        except NoTakeError as gone:
            raise NoTakeError(str(self._why_gone(take_id))) from gone
        with self._lock:
            if take.writing or take.run is None:
                raise RefusedTakeError("there is no answer to attach yet, or it is just being attached")
            take.writing = True
        return take

    def release(self, take: Take) -> None:
        """Let go of a take that could not be attached; it stays here."""
        take.writing = False

    def again(self, take_id: str, by_word: bool = True) -> Take:
        """Listen to it once more: an engine did run in it, somebody says (by_word), or the engine was told otherwise.
        RefusedTakeError while that, or its first analysis, is under way."""
        take = self.claim(take_id)
        take.run, take.share, take.ran = None, 0.0, take.ran or by_word
        self.release(take)
        self._arrived(take)
        return take

    def run_of(self, take: Take) -> Run:
        """The answer of a take; RefusedTakeError where there is none yet."""
        if take.run is None:
            raise RefusedTakeError("this recording is not analysed yet")
        return take.run

    def became(self, take_id: str) -> int | None:
        """The run that a take was attached as, 0 where it was thrown away on purpose, None where neither is known."""
        with self._lock:
            return self._ended.get(take_id)

    def end(self, take_id: str, run_id: int = 0) -> None:
        """A take has become a run of the job record, or was thrown away on purpose (0); its phone may forget it."""
        with self._lock:  # told before it is gone, so that no phone takes it for lost
            self._ended[take_id] = run_id
            while len(self._ended) > MOST_ENDED:
                self._ended.popitem(last=False)
        self.discard(take_id)

    def discard(self, take_id: str) -> None:
        """Throw a take away with all its files."""
        with self._lock:
            take = self._takes.pop(take_id, None)
        if take is not None:
            shutil.rmtree(take.folder, ignore_errors=True)

    def forget_old(self) -> None:
        """Throw away what stopped arriving, and answers that nobody attached."""
        now = self._clock()
        with self._lock:
            old = [
                take.id
                for take in self._takes.values()
                if now - take.touched > self._patience(take) or self._too_late(take)
            ]
        for take_id in old:
            self.discard(take_id)

    def only_here(self) -> list[tuple[int, Path]]:
        """The recordings that are nowhere else, each with its job."""
        with self._lock:
            return [(take.job_id, take.path) for take in self._takes.values() if take.only_here]

    def clear(self) -> None:
        """Throw everything away: the server ends."""
        with self._lock:
            self._takes.clear()
        self._folder.clear()

    def _free(self) -> int:
        """The room on the disk; RefusedTakeError where nothing can be kept there."""
        try:
            return shutil.disk_usage(self._folder.there()).free
        except OSError as failed:
            raise _not_kept(failed) from failed

    def _lost(self, take: Take) -> EnginelogError:
        self.discard(take.id)
        return self._why_gone(take.id)

    def _why_gone(self, take_id: str) -> EnginelogError:
        """What to tell the phone of a take that is not here: that one attached or thrown away it must not send anew."""
        became = self.became(take_id)
        if became is None:
            return NoTakeError(GONE)
        return RefusedTakeError(f"this recording was {'attached' if became else 'thrown away'} already")

    def _enter(self, job_id: int, name: str, size: int, stage: str, conditions: tuple[str, ...], note: str) -> Take:
        take_id = secrets.token_urlsafe(18)
        last = name.replace("\\", "/").rsplit("/", 1)[-1]
        shown = "".join(filter(str.isprintable, last))[-LONGEST_NAME:] or "recording"
        try:
            folder = self._folder.there() / f"take-{secrets.token_hex(8)}"
            folder.mkdir(mode=0o700)
            path = folder / f"recording{ending_of(shown)}"
            path.touch(mode=0o600)
        except OSError as failed:
            raise _not_kept(failed) from failed
        take = Take(
            take_id, job_id, shown, size, path, stage, conditions, note, begun=self._clock(), touched=self._clock()
        )
        self._takes[take_id] = take
        return take

    def _arrived(self, take: Take) -> None:
        take.state, take.touched = "waiting", self._clock()
        self.whole(take)

    def _too_late(self, take: Take) -> bool:
        late_s = self._clock() - take.begun
        return take.state == "arriving" and late_s > self._settings.bound("take_arrives_s")

    def _patience(self, take: Take) -> float:
        if take.only_here or take.state in ("waiting", "analysing"):  # of the first there is no other copy
            return float("inf")
        return self._settings.bound("take_idle_s" if take.state == "arriving" else "take_kept_s")


def _not_kept(failed: OSError) -> RefusedTakeError:
    return RefusedTakeError(f"it cannot be kept here: {failed.strerror or failed}; send it again later")
