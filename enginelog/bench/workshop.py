"""The queue in front of the analysis: a few worker processes, the rest waits its turn and can see its place."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from dataclasses import asdict
from pathlib import Path
from threading import Lock
from typing import Any, Protocol

from enginelog.bench.settings import Settings
from enginelog.dsp import threads
from enginelog.model import Engine, EnginelogError, Run
from enginelog.store import open_store, run_codec

TOO_MUCH = "it took more memory or time than one recording may have; send a shorter piece of it"


class Order(Protocol):
    """A recording to be analysed with the machine of its job: a take, or one of the job record again.

    state: waiting, then analysing, then done or failed. patient: it lets others go first.
    """

    job_id: int
    name: str
    path: Path
    ran: bool
    state: str
    share: float
    problem: str
    patient: bool

    @property
    def folder(self) -> Path:
        """Where the process may write."""

    def heard(self, run: Run) -> None:
        """Take the result, before the state is done."""


class Workshop:
    """Runs analyses, `settings.workers` at a time, in the order in which they came; patient ones last."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._waiting: list[Order] = []
        self._lock = Lock()
        self._more = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(self) -> None:
        """Begin to work, on the running loop."""
        self._loop = asyncio.get_running_loop()
        self._tasks = [self._loop.create_task(self._work()) for _ in range(max(1, self._settings.workers))]

    async def stop(self) -> None:
        """Stop, and end the worker processes."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def add(self, take: Order) -> None:
        """Queue a recording; may be called from any thread."""
        with self._lock:
            first_patient = sum(not each.patient for each in self._waiting)
            self._waiting.insert(len(self._waiting) if take.patient else first_patient, take)
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._more.set)

    def place(self, take: Order) -> int:
        """How many recordings are before this one in the queue; 0 where it is next or at work."""
        waiting = list(self._waiting)
        return waiting.index(take) if take in waiting else 0

    async def _work(self) -> None:
        while True:
            while not self._waiting:
                self._more.clear()
                await self._more.wait()
            await self._analyse(self._waiting.pop(0))

    async def _analyse(self, take: Order) -> None:
        take.state = "analysing"
        try:
            await self._in_process(take)
            take.state, take.share = "done", 1.0
        except EnginelogError as failed:
            take.state, take.problem = "failed", str(failed)
        except OSError as failed:  # where this machine keeps it is nothing for a phone's screen
            take.state, take.problem = "failed", f"it cannot be analysed here: {failed.strerror or failed}"
        except asyncio.CancelledError:
            take.state, take.problem = "failed", "the server was stopped"
            raise

    async def _in_process(self, take: Order) -> None:
        engine = await asyncio.to_thread(_engine_of, take.job_id, self._settings.store)
        result = take.folder / "run.bin"
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "enginelog.bench.worker"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            cwd=take.folder,
            env={**os.environ, **threads.ONE_EACH},
        )
        try:
            error = await asyncio.wait_for(
                self._follow(process, take, engine, result), self._settings.bound("worker_wall_s")
            )
        except TimeoutError:
            raise EnginelogError(TOO_MUCH) from None
        finally:
            await _end(process)
        if process.returncode != 0:
            raise EnginelogError(error or TOO_MUCH)
        await asyncio.to_thread(lambda: take.heard(run_codec.from_bytes(result.read_bytes())))

    async def _follow(self, process: Any, take: Order, engine: Engine, result: Path) -> str:
        """Hand over the order, follow its lines to the end; what it said went wrong, empty where nothing."""
        order = {
            "recording": str(take.path),
            "name": take.name,
            "result": str(result),
            "engine": asdict(engine),
            "ran": take.ran,
            "memory_bytes": self._settings.bound_bytes("worker_memory_mb"),
            "cpu_s": int(self._settings.bound("worker_cpu_s")),
        }
        process.stdin.write(json.dumps(order).encode())
        with contextlib.suppress(ConnectionError):
            await process.stdin.drain()
        process.stdin.close()
        error = ""
        async for line in process.stdout:
            with contextlib.suppress(ValueError):
                said = json.loads(line)
                take.share = float(said.get("share", take.share))
                error = str(said.get("error", error))
        await process.wait()
        return error


async def _end(process: Any) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def _engine_of(job_id: int, place: Path | None) -> Engine:
    with open_store(place) as store:
        return store.record(job_id, whole=False).machine.engine
