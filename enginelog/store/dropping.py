"""Dropping is marking: what is dropped no longer counts, but stays until it is purged, which is asked for by name."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from enginelog.model import FOR_OWNER, STRUCK, Moment, Note, StoredRun, UsageError
from enginelog.model.wording import counted
from enginelog.store import moments, numbers, texts
from enginelog.store.base import one_of, when
from enginelog.store.contents import Contents
from enginelog.store.errors import NotInStoreError, explained
from enginelog.store.files import PASSING

KINDS = {"job": "jobs", "machine": "machines", "check": "checks", "work": "work", "run": "runs"}
_MOST_DAYS = 36_500
_YOUNG_S = 3600.0  # a file without an entry may be one that another program is just attaching

NOTES_WERE = "note was: "  # in the event of a change: the notes as they were before it, last

_ENTRIES = ("handbacks", "events", "checks", "work", "job_texts")


@dataclass(frozen=True)
class Purged:
    """What a purge took away: numbers of entries by kind, and of files with their bytes."""

    jobs: int
    machines: int
    checks: int
    work: int
    runs: int
    files: int
    bytes: int
    notes: int = 0


class Dropping(Contents):
    """Marking, bringing back, purging."""

    def drop(self, kind: str, row_id: int, undo: bool = False, why: str = "") -> None:
        """Mark a job, machine, check, work entry or run as dropped; undo: bring it back.

        why: kept with the job's events. A machine can be dropped only when none of its jobs counts any more, a run
        brought back only where no other run of its job holds its recording meanwhile. UsageError where it is as asked
        for already.
        """
        table = KINDS[one_of(kind, tuple(KINDS), "kind of entry")]
        reason = _reason(why)
        mark = None if undo else self._clock()
        with self.transaction():
            row = self._one(table, row_id, kind)
            if (row["dropped_utc"] is None) == undo:
                raise UsageError(
                    f"{kind} {row_id} {'counts' if undo else 'is taken back'} already; nothing was changed"
                )
            if kind == "run" and undo:
                self.refuse_twice(row["job_id"], row["recording_sha256"])
            if kind == "machine" and not undo:
                self._refuse_with_jobs(row_id, row["label"])
            if kind == "job" and undo:
                self.change_machine(replace(self.machine(row["machine_id"]), dropped=None))
            self._update(table, row_id, when("dropped", mark))
            job_id = row_id if kind == "job" else None if kind == "machine" else row["job_id"]
            if job_id is not None:
                self._note_dropping(job_id, mark or self._clock(), f"{kind} {row_id}", undo, reason)

    def drop_entry(self, kind: str, entry: str, undo: bool = False, why: str = "") -> None:
        """As `drop`, or `drop_note`, of what `entry` numbers: '12', or a note within its job, '3.2'."""
        row, _, line = entry.partition(".")
        if line:
            self.drop_note(int(row), int(line), undo, why)
        else:
            self.drop(kind, int(row), undo, why)

    def drop_note(self, job_id: int, number: int, undo: bool = False, why: str = "") -> None:
        """As `drop`, of one note of a job: its line keeps its place and words, and begins with STRUCK.

        number: of the note within its job, from 1. NotInStoreError where the job has none of this number.
        """
        reason = _reason(why)
        with self.transaction():
            lines = self._usable_job(job_id).note.splitlines()
            if not 1 <= number <= len(lines) or not lines[number - 1].strip():
                raise NotInStoreError(
                    f"job {job_id} has no note {job_id}.{number}; 'enginelog job {job_id}' lists them"
                )
            line = lines[number - 1]
            if line.startswith(STRUCK) != undo:
                state = "counts" if undo else "is taken back"
                raise UsageError(f"note {job_id}.{number} {state} already; nothing was changed")
            lines[number - 1] = line.removeprefix(STRUCK) if undo else f"{STRUCK}{line}"
            self._update("jobs", job_id, {"note": "\n".join(lines)})
            self._note_dropping(job_id, self._clock(), f"note {job_id}.{number}", undo, reason)

    def _note_dropping(self, job_id: int, at: Moment, named: str, undo: bool, reason: str) -> None:
        what = "brought back" if undo else "dropped"
        self._note_event(job_id, at, what, f"{named}{': ' * bool(reason)}{reason}")
        self._refresh(job_id)

    def move_run(self, run_id: int, job_id: int) -> StoredRun:
        """Attach a run, with its recording and all results, to another job, and take it back from its own.

        Its own time and those of its results go along: by them it is judged when it was recorded, and how surely.
        Returns the new run. UsageError where it is of this job, or the job holds its recording already;
        StoreUnreadableError where its record is damaged.
        """
        with self.transaction():
            old = self._one("runs", run_id, "run")
            if old["job_id"] == job_id:
                raise UsageError(f"run {run_id} is of job {job_id} already; another job expected")
            self.run(run_id)  # refused where its record is damaged
            self._usable_job(job_id)
            self.refuse_twice(job_id, old["recording_sha256"])
            number = self._insert("runs", _copied(old) | {"job_id": job_id, "dropped_utc": None, "dropped_zone": None})
            for analysis in self._rows("SELECT * FROM analyses WHERE run_id = ? ORDER BY id", run_id):
                copy = self._insert("analyses", _copied(analysis) | {"run_id": number})
                for record in self._rows(
                    "SELECT CAST(data AS BLOB) AS data FROM records WHERE analysis_id = ?", analysis["id"]
                ):
                    self._insert("records", {"analysis_id": copy, "data": record["data"]})
            self._refresh(job_id)
            made = self.run(number)
            if old["dropped_utc"] is None:
                self.drop("run", run_id, why=f"moved to job {job_id} as run {number}")
        return made

    def purge(self, older_than_days: int = 0) -> Purged:
        """Delete for good what was dropped at least so many days ago, and files that nothing refers to any more.

        A purged number is never given again.
        """
        days = numbers.whole(older_than_days, "age", _MOST_DAYS, "days")
        until = moments.moment(datetime.fromisoformat(self._clock().utc) - timedelta(days=days))
        with self.transaction():
            counts = self._purge_rows(until)
            # Inside the transaction, so that no other program enters one of them while it goes.
            files, size = self._unlink(self._unused_files())
        with explained(self.path, self.files.folder):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return Purged(**counts, files=files, bytes=size)

    def _refuse_with_jobs(self, machine_id: int, label: str) -> None:
        query = "SELECT count(*) FROM jobs WHERE machine_id = ? AND dropped_utc IS NULL"
        count = self._rows(query, machine_id)[0][0]
        if count:
            raise UsageError(f"machine '{label}' has {counted(count, 'job')} on record; drop those first")

    def _purge_rows(self, until: Moment) -> dict[str, int]:
        old = "dropped_utc IS NOT NULL AND dropped_utc <= ?"
        jobs = [row[0] for row in self._rows(f"SELECT id FROM jobs WHERE {old}", until.utc)]
        notes = self._purge_notes(until)
        of_jobs: dict[str, list[int]] = {kind: [] for kind in ("check", "work", "run")}
        for kind, found in of_jobs.items():
            found += [row[0] for row in self._rows(f"SELECT id FROM {KINDS[kind]} WHERE {old}", until.utc)]
            for job in jobs:
                found += [row[0] for row in self._rows(f"SELECT id FROM {KINDS[kind]} WHERE job_id = ?", job)]
            of_jobs[kind] = sorted(set(found))
        self._delete_runs(of_jobs["run"])
        for kind in ("check", "work"):
            self._delete(KINDS[kind], "id", of_jobs[kind])
        for table in _ENTRIES:
            self._delete(table, "job_id", jobs)
        self._delete("jobs", "id", jobs)
        machines = [
            row[0]
            for row in self._rows(
                f"SELECT id FROM machines m WHERE {old} AND NOT EXISTS (SELECT 1 FROM jobs WHERE machine_id = m.id)",
                until.utc,
            )
        ]
        self._delete("machines", "id", machines)
        counts = {"jobs": jobs, "machines": machines, "checks": of_jobs["check"], "work": of_jobs["work"]}
        return {name: len(found) for name, found in counts.items()} | {"runs": len(of_jobs["run"]), "notes": notes}

    def _purge_notes(self, until: Moment) -> int:
        """Leave empty lines where notes were taken back at least so long ago, so that the others keep their numbers."""
        count = 0
        query = "SELECT id, note FROM jobs WHERE note LIKE ? ESCAPE '\\'"
        for row in self._rows(query, f"%{texts.escaped(STRUCK)}%"):
            old = [each.entry for each in self.taken_back(row["id"]) if each.at.utc <= until.utc]
            gone = [note for note in old if isinstance(note, Note)]
            lines = row["note"].splitlines()
            for note in gone:
                lines[note.number - 1] = ""
            self._update("jobs", row["id"], {"note": "\n".join(lines)})
            self._forget(row["id"], {_bare(note.text) for note in gone})
            self._refresh(row["id"])
            count += len(gone)
        return count

    def _forget(self, job_id: int, words: set[str]) -> None:
        """Take purged notes out of what the job's events keep of its notes as they were, a note a line."""
        query = "SELECT id, detail FROM events WHERE job_id = ? AND what = 'changed'"
        for row in self._rows(query, job_id):
            before, mark, notes = row["detail"].partition(NOTES_WERE)
            left = "\n".join("" if _bare(line) in words else line for line in notes.split("\n"))
            if left != notes:
                self._update("events", row["id"], {"detail": before + mark + left})

    def _delete_runs(self, runs: list[int]) -> None:
        for run in runs:
            self._db.execute(
                "DELETE FROM records WHERE analysis_id IN (SELECT id FROM analyses WHERE run_id = ?)", (run,)
            )
        self._delete("analyses", "run_id", runs)
        self._delete("runs", "id", runs)

    def _delete(self, table: str, column: str, numbers: list[int]) -> None:
        self._db.executemany(f"DELETE FROM {table} WHERE {column} = ?", [(number,) for number in numbers])

    def _unused_files(self) -> list[Path]:
        """Files that no entry refers to; their rows are deleted, and files that never had a row join in."""
        used = (
            "SELECT recording_sha256 FROM runs WHERE recording_kept = 1 UNION SELECT photo_sha256 FROM checks "
            "WHERE photo_sha256 IS NOT NULL UNION SELECT report_sha256 FROM handbacks WHERE report_sha256 IS NOT NULL"
        )
        rows = self._rows(f"SELECT sha256, ending FROM files WHERE sha256 NOT IN ({used})")
        self._delete("files", "sha256", [row["sha256"] for row in rows])
        known = {row[0] for row in self._rows("SELECT sha256 FROM files")}
        mine = [self.files.path_of(row["sha256"], row["ending"]) for row in rows]
        return mine + [path for path in self._strays(known) if path not in mine]

    def strays(self) -> tuple[Path, ...]:
        """Whole files that no entry knows, an hour old and more: left by a program that was killed, or of entries that
        an older copy of the store, put in place by hand, does not hold. A purge deletes them."""
        known = {row[0] for row in self._rows("SELECT sha256 FROM files")}
        return tuple(path for path in self._strays(known) if path.suffix != PASSING)

    def _strays(self, known: set[str]) -> Iterator[Path]:
        """Files left behind where the program was killed between file and entry, once they are an hour old."""
        found = [path for sha256, path in self.files.names().items() if sha256 not in known]
        if self.files.folder.is_dir():
            found += self.files.folder.glob(f"*{PASSING}")
        for path in found:
            with contextlib.suppress(FileNotFoundError):  # another program has just finished with it
                if time.time() - path.stat().st_mtime > _YOUNG_S:
                    yield path

    def _unlink(self, paths: list[Path]) -> tuple[int, int]:
        count = size = 0
        for path in paths:
            if path.is_file():
                count, size = count + 1, size + path.stat().st_size
                path.unlink()
        return count, size


def _copied(row: sqlite3.Row) -> dict[str, Any]:
    """What a row holds, but for its number."""
    return {name: row[name] for name in row.keys() if name != "id"}  # noqa: SIM118 (rows yield their values)


def _reason(why: str) -> str:
    """A reason as it is kept, in one line; UsageError where it is too long."""
    return " ".join(texts.checked(why, "reason", texts.LONGEST_LINE).split())


def _bare(line: str) -> str:
    """A note without its marks."""
    return line.removeprefix(STRUCK).removeprefix(FOR_OWNER).strip()
