"""The microphone of this machine for the bench page: one recording at a time, what is heard told to all who watch."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from threading import Condition, Event, Lock, Thread
from typing import Any, TypeVar

from enginelog import analysis, limits
from enginelog.bench.settings import Settings
from enginelog.bench.takes import RefusedTakeError
from enginelog.live import Follower, Reading, Source, from_file, listen, microphone
from enginelog.model import Engine, EnginelogError

END_WAIT_S = 10.0
HEAD_BYTES = 44  # of a wave file: no more than that is no sound
Kept = TypeVar("Kept")


class LiveDesk:
    """Starts and stops the live recording of one server; readings can be waited for from any thread."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._changed = Condition()
        self._turn = Lock()  # one starts or stops at a time: two phones may tap in the same moment
        self._stop = Event()
        self._thread: Thread | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._path: Path | None = None
        self.job_id: int | None = None
        self.reading: Reading | None = None
        self.count = 0
        self.watchers = 0
        self.problem = ""
        self.name = ""
        self.leaving = False
        self._handing_over = False

    @property
    def active(self) -> bool:
        """Whether a recording has begun and was not stopped yet, also where its sound has ended by itself."""
        return self._thread is not None

    @property
    def running(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def start(self, job_id: int, engine: Engine) -> None:
        """Begin to record for a job; RefusedTakeError while another recording runs, NoMicrophoneError without one."""
        with self._turn:
            if self._thread is not None:
                raise RefusedTakeError(f"a live recording for job {self.job_id} is there already: stop it first")
            source = self._source()
            try:
                self._folder = tempfile.TemporaryDirectory(prefix="enginelog-live-")
            except OSError as failed:
                raise RefusedTakeError(f"nothing can be recorded here: {failed.strerror or failed}") from failed
            self._path = Path(self._folder.name) / "recording.wav"
            self._stop, self.job_id, self.reading, self.problem, self.name = Event(), job_id, None, "", source.name
            told = source, engine, self._path, self._stop
            self._thread = Thread(target=self._listen, args=told, daemon=True)
            self._thread.start()

    def stop(self, job_id: int, keep: Callable[[Path], Kept]) -> Kept:
        """End the recording of this job and hand its file over: what `keep` gives.

        RefusedTakeError where none runs for this job, or it holds no sound. Where `keep` fails, the recording has ended
        but stays here: it can be stopped again, and `close` gives it out.
        """
        with self._turn:
            path = self._path
            if self._thread is None or path is None or self.job_id != job_id:
                raise RefusedTakeError(
                    f"job {job_id} is not recorded live now: that was stopped elsewhere, or never begun; what was "
                    "recorded stands on the job's page"
                )
            self._handing_over = True
            try:
                self._stop.set()
                self._thread.join(END_WAIT_S)
                if not path.is_file() or path.stat().st_size <= HEAD_BYTES:
                    self._thread = None
                    raise RefusedTakeError(self.problem or "no sound came from the microphone")
                kept = keep(path)
                self._thread = None
            finally:
                self._handing_over = False
                self._tell(None if self._thread is None else self.reading)
            return kept

    def leave(self) -> None:
        """The server is about to end: whoever watches need not wait for more."""
        with self._changed:
            self.leaving = True
            self._changed.notify_all()

    def close(self) -> list[tuple[int, Path]]:
        """End everything: the server stops. What was being recorded, with its job."""
        self.leave()
        self._stop.set()
        with self._turn:
            going = self._thread
            if going is not None:
                going.join(END_WAIT_S)
            self._thread = None
        self._tell(None)
        return [] if going is None or self._path is None or self.job_id is None else [(self.job_id, self._path)]

    def wait(self, seen: int, most_s: float) -> tuple[int, dict[str, Any]]:
        """The next reading after number `seen`, or what is known when `most_s` are over: (number, plain values)."""
        with self._changed:
            self._changed.wait_for(lambda: self.count != seen or self.leaving, most_s)
            return self.count, self._told()

    def _told(self) -> dict[str, Any]:
        values = {} if self.reading is None else asdict(self.reading)
        plain = {k: v if not isinstance(v, float) or math.isfinite(v) else None for k, v in values.items()}
        # From its last sound until it is kept a recording has not ended for who watches: its stop may still fail.
        running = self.running or self._handing_over
        state = {"running": running, "active": self.active, "problem": self.problem, "job": self.job_id}
        return {**state, **plain}

    def _source(self) -> Source:
        sound = self._settings.sound
        return microphone(self._settings.device) if sound is None else from_file(str(sound))

    def _listen(self, source: Source, engine: Engine, path: Path, stop: Event) -> None:
        live_limits = limits.load("live")
        follower = Follower(source.rate_hz, analysis.listener(engine), live_limits)
        try:
            listen(source, path, follower, live_limits, self._tell, stop)
        except EnginelogError as failed:
            self.problem = str(failed)
        except Exception as fault:  # the thread's last line of defence: the page says so
            self.problem = f"a fault in the program: {type(fault).__name__}: {fault}"
        self._tell(self.reading)

    def _tell(self, reading: Reading | None) -> None:
        with self._changed:
            self.reading = reading
            self.count += 1
            self._changed.notify_all()
