"""Recordings of the job record that are analysed again, because their machine was told otherwise since.

Each waits in the queue of the workshop, behind what comes from phones, and is analysed with the machine as it is told
then; the new result goes into the job record beside the earlier ones. What fails, or is stopped, changes nothing.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from enginelog.bench.own_folder import OwnFolder
from enginelog.bench.settings import Settings
from enginelog.bench.takes import RefusedTakeError
from enginelog.model import Run, StoredRun, UsageError
from enginelog.store import Store, open_store

AT_WORK = ("waiting", "analysing")


@dataclass
class Again:
    """One recording that is analysed again; as a take, but that it lies in the job record already.

    state: waiting, analysing, done or failed. share, problem, ran: as of a take. store: file of the job record.
    """

    run_id: int
    job_id: int
    name: str
    path: Path
    folder: Path
    ran: bool
    store: Path | None
    state: str = "waiting"
    share: float = 0.0
    problem: str = ""
    patient: bool = True

    def heard(self, run: Run) -> None:
        """Write the new result into the job record, beside the earlier ones."""
        with open_store(self.store) as store:
            store.add_analysis(self.run_id, run)
        shutil.rmtree(self.folder, ignore_errors=True)


class Reruns:
    """What is analysed again on one server, by run; may be used from several threads. queue: the workshop's."""

    def __init__(self, settings: Settings, queue: Callable[[Again], None]) -> None:
        self._settings, self._queue = settings, queue
        self._folder = OwnFolder("enginelog-again-")
        self._known: dict[int, Again] = {}
        self._lock = Lock()

    def begin(self, store: Store, runs: list[StoredRun]) -> None:
        """Queue runs (with their records) to be analysed again; one that is on its way already is not queued twice.

        UsageError where there is none whose recording was kept, or too many wait; StoreUnreadableError where a
        recording is gone; RefusedTakeError where there is no place to work in.
        """
        kept = [(run, store.recording(run.id)) for run in runs if run.recording_kept]
        if not kept:
            raise UsageError("there is no kept recording to analyse again: attach the original anew")
        with self._lock:
            busy = {run_id for run_id, each in self._known.items() if each.state in AT_WORK}
            fresh = [self._order(run, path) for run, path in kept if run.id not in busy]
            if len(busy) + len(fresh) > self._settings.bound("most_takes"):
                raise UsageError("too many recordings wait to be analysed: try again in a while")
            left = {run_id: each for run_id, each in self._known.items() if each.state != "done"}
            self._known = left | {each.run_id: each for each in fresh}
        for each in fresh:
            self._queue(each)

    def of_job(self, job_id: int) -> list[Again]:
        """Those of a job that wait, are at work, or failed; by number of their run."""
        with self._lock:
            found = [each for each in self._known.values() if each.job_id == job_id and each.state != "done"]
        return sorted(found, key=lambda each: each.run_id)

    def clear(self) -> None:
        """Forget everything: the server ends."""
        self._folder.clear()

    def _order(self, run: StoredRun, path: Path) -> Again:
        try:
            folder = Path(tempfile.mkdtemp(dir=self._folder.there()))
        except OSError as failed:
            raise RefusedTakeError(
                f"it cannot be analysed here: {failed.strerror or failed}; try again later"
            ) from failed
        ran = run.run is not None and run.run.timeline.by_word
        return Again(run.id, run.job_id, run.recording_name, path, folder, ran, self._settings.store)
