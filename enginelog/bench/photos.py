"""Photos on their way to a bench check: taken in, made plain in a process of their own, kept until the check is ticked.

What a phone sends is never shown: only the plain JPEG that `media.picture_worker` makes of it.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hmac
import secrets
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock

from enginelog.bench.own_folder import OwnFolder
from enginelog.bench.settings import Settings
from enginelog.bench.takes import RefusedTakeError
from enginelog.media import pictures
from enginelog.model import UsageError

AT_ONCE = 2
MOST_COMING = 8  # photos that may arrive at the same moment, each held in memory
# How the kinds of pictures begin that every browser shows; whatever else lies in the job record is only handed out.
BEGINNINGS = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png", b"GIF8": "image/gif"}


@dataclass(frozen=True)
class _Waiting:
    """A plain photo that waits for its check."""

    job_id: int
    path: Path
    at_s: float


class Photos:
    """The photos of one server that no check has yet."""

    def __init__(self, settings: Settings, clock: Callable[[], float] = time.monotonic) -> None:
        self._settings, self._clock = settings, clock
        self._folder = OwnFolder("enginelog-photos-")
        self._kept: dict[str, _Waiting] = {}
        self._lock = Lock()
        self._secret = secrets.token_bytes(32)
        self._working = asyncio.Semaphore(AT_ONCE)
        self.coming = 0

    async def add(self, job_id: int, step: str, data: bytes) -> str:
        """Make a photo plain and keep it for a check; its id. RefusedTakeError where it is none, or too many wait.

        step: a name of the rule table, after which the photo is called. The same photo sent again, as after a reload,
        has the same id, also once its check is ticked: a form sent again because its answer got lost is then the same
        form, to be done once.
        """
        self.forget_old()
        photo_id = self._id_of(job_id, step, data)
        if self._waits(photo_id):
            return photo_id
        if len(self._kept) >= self._settings.bound("most_photos"):
            raise RefusedTakeError("too many photos wait for their check: tick some first")
        async with self._working:
            made = await self._made_plain(data)
        path = await asyncio.to_thread(self._put, made, f"{step}.jpg")
        with self._lock:
            kept = self._kept.get(photo_id)
            if kept is None or not kept.path.is_file():
                kept = self._kept[photo_id] = _Waiting(job_id, path, self._clock())
        if kept.path != path:  # it came twice at once
            shutil.rmtree(path.parent, ignore_errors=True)
        return photo_id

    def _put(self, made: bytes, name: str) -> Path:
        """Write a plain photo into a folder of its own; RefusedTakeError where it cannot be kept."""
        try:
            folder = self._folder.there() / secrets.token_hex(8)
            folder.mkdir(mode=0o700)
            try:
                (folder / name).write_bytes(made)
            except OSError:
                shutil.rmtree(folder, ignore_errors=True)
                raise
        except OSError as failed:
            raise _not_kept(failed) from failed
        return folder / name

    def _id_of(self, job_id: int, step: str, data: bytes) -> str:
        """The id of these bytes for this check; without them and this server's secret nobody can guess it."""
        told = hmac.digest(self._secret, f"{job_id}/{step}/".encode() + data, "sha256")
        return base64.urlsafe_b64encode(told[:18]).decode()

    def _waits(self, photo_id: str) -> bool:
        """Whether the photo of this id waits already; its time then begins anew."""
        with self._lock:
            found = self._kept.get(photo_id)
            if found is None or not found.path.is_file():
                return False
            self._kept[photo_id] = replace(found, at_s=self._clock())
            return True

    def path(self, photo_id: str, job_id: int) -> Path:
        """The photo of this id for a check of this job; UsageError where it is not here (any more)."""
        with self._lock:
            kept = self._kept.get(photo_id)
        if kept is None or kept.job_id != job_id or not kept.path.is_file():
            raise UsageError("the photo is not here (any more); take it again, or tick without it")
        return kept.path

    def forget(self, photo_id: str) -> None:
        """It is in the job record now."""
        with self._lock:
            kept = self._kept.pop(photo_id, None)
        if kept is not None:
            shutil.rmtree(kept.path.parent, ignore_errors=True)

    def forget_old(self) -> None:
        """Throw away what no check has asked for."""
        late = self._clock() - self._settings.bound("photo_kept_s")
        for photo_id in [photo_id for photo_id, each in list(self._kept.items()) if each.at_s < late]:
            self.forget(photo_id)

    def clear(self) -> None:
        """Throw everything away: the server ends."""
        self._kept.clear()
        self._folder.clear()

    async def _made_plain(self, data: bytes) -> bytes:
        try:
            process = await asyncio.create_subprocess_exec(
                *pictures.worker_command(self._settings.bounds),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                cwd=self._folder.there(),
            )
        except OSError as failed:
            raise _not_kept(failed) from failed
        try:
            made, said = await asyncio.wait_for(process.communicate(data), 2 * self._settings.bound("photo_s"))
        except TimeoutError:
            raise RefusedTakeError("the photo took too long to read; send another") from None
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if why := pictures.why_refused(process.returncode, made, said):
            raise RefusedTakeError(f"the photo is not taken: {why}")
        return made


def _not_kept(failed: OSError) -> RefusedTakeError:
    return RefusedTakeError(f"the photo cannot be kept here: {failed.strerror or failed}; send it again later")


def kind_of(path: Path) -> str:
    """The media type of a picture every browser shows, by how the file begins; empty where it is none."""
    with path.open("rb") as stream:
        begin = stream.read(16)
    if begin[:4] == b"RIFF" and begin[8:12] == b"WEBP":
        return "image/webp"
    return next((kind for mark, kind in BEGINNINGS.items() if begin.startswith(mark)), "")
