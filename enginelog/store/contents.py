"""All that a store holds, row by row, for exports and backups."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from enginelog.model import BenchCheck, Moment, Note, StoredRun, UsageError, WorkEntry
from enginelog.store.base import one_of
from enginelog.store.entries import check_from, work_from
from enginelog.store.errors import explained
from enginelog.store.finding import Finding
from enginelog.store.opening import version_of
from enginelog.store.schema import TABLES, WITH_IDENTITY
from enginelog.store.whole_files import whole_copy
from enginelog.store.words import taken_back_when


@dataclass(frozen=True)
class JobFile:
    """A file of a job: `run 1`, `check 2` or `hand-back`; the name it came with; where it lies; when and why its
    entry was taken back (empty: it counts)."""

    of: str
    name: str
    path: Path
    taken_back: str = ""

    @property
    def plain_name(self) -> str:
        """A name for a copy that every file system takes: `run-1.m4a`, `check-2-taken-back.jpg`."""
        return f"{self.of.replace(' ', '-')}{'-taken-back' * bool(self.taken_back)}{self.path.suffix}"


@dataclass(frozen=True)
class TakenBack:
    """An entry of a job that no longer counts: kind (run, check, work or note), since when, why (empty: not said)."""

    kind: str
    entry: StoredRun | BenchCheck | WorkEntry | Note
    at: Moment
    why: str


class Contents(Finding):
    """Reading everything."""

    def taken_back(self, job_id: int) -> tuple[TakenBack, ...]:
        """The entries of a job that were taken back, the latest last; their reasons are those of the job's events."""
        dropped = "WHERE job_id = ? AND dropped_utc IS NOT NULL ORDER BY id"
        with self.snapshot():
            job = self.job(job_id)
            found: list[tuple[str, StoredRun | BenchCheck | WorkEntry]] = []
            found += [("run", self._stored(row, False)) for row in self._rows(f"SELECT * FROM runs {dropped}", job_id)]
            found += [("check", check_from(row)) for row in self._rows(f"SELECT * FROM checks {dropped}", job_id)]
            found += [("work", work_from(row)) for row in self._rows(f"SELECT * FROM work {dropped}", job_id)]
            told = {}
            for at, what, detail in self.events(job_id):
                if what == "dropped":
                    named, _, why = detail.partition(": ")
                    told[named] = (at, why)
        known = [
            TakenBack(kind, each, each.dropped, told.get(f"{kind} {each.id}", (each.dropped, ""))[1])
            for kind, each in found
            if each.dropped is not None
        ]
        known += [
            TakenBack("note", each, *told.get(f"note {each.id}", (job.opened, "")))
            for each in job.all_notes
            if each.struck
        ]
        return tuple(sorted(known, key=lambda each: each.at.utc))

    def files_of(self, job_id: int) -> tuple[JobFile, ...]:
        """The recordings, photos and reports kept of a job, also of entries taken back, whether they are still there or
        not."""
        gone = {f"{each.kind} {each.entry.id}": taken_back_when(each) for each in self.taken_back(job_id)}
        found = self._rows(
            "SELECT 'run ' || r.id AS of, r.recording_name AS name, f.sha256, f.ending FROM runs r "
            "JOIN files f ON f.sha256 = r.recording_sha256 "
            "WHERE r.job_id = ?1 AND r.recording_kept = 1 "
            "UNION ALL SELECT 'check ' || c.id, c.photo_name, f.sha256, f.ending FROM checks c "
            "JOIN files f ON f.sha256 = c.photo_sha256 WHERE c.job_id = ?1 "
            "UNION ALL SELECT 'hand-back ' || h.id, 'report', f.sha256, f.ending FROM handbacks h "
            "JOIN files f ON f.sha256 = h.report_sha256 WHERE h.job_id = ?1",
            job_id,
        )
        return tuple(
            JobFile(row["of"], row["name"], self.files.path_of(row["sha256"], row["ending"]), gone.get(row["of"], ""))
            for row in found
        )

    def copy_files(self, job_id: int, folder: Path) -> tuple[Path, ...]:
        """Copy the files of a job into a folder under plain names; StoreNotWrittenError where that fails."""
        made = []
        with explained(folder, self.files.folder):
            folder.mkdir(parents=True, exist_ok=True)
            for each in self.files_of(job_id):
                if (folder / each.plain_name).exists():
                    raise UsageError(f"{folder / each.plain_name}: exists already; choose an empty folder")
                if each.path.is_file():
                    whole_copy(each.path, folder / each.plain_name)
                    made.append(folder / each.plain_name)
        return tuple(made)

    def all_checks(self) -> Iterator[BenchCheck]:
        """Every check that counts, in order of number."""
        yield from map(check_from, self._rows("SELECT * FROM checks WHERE dropped_utc IS NULL ORDER BY id"))

    def all_work(self) -> Iterator[WorkEntry]:
        """Every work entry that counts, in order of number."""
        yield from map(work_from, self._rows("SELECT * FROM work WHERE dropped_utc IS NULL ORDER BY id"))

    def all_rows(self, table: str) -> Iterator[dict[str, Any]]:
        """Every row of a table, dropped ones too, in order of its key; read one after the other.

        Records of runs come as the bytes that stand there, also where another program made a text or a number of them.
        """
        name = one_of(table, TABLES, "table")
        columns = "analysis_id, CAST(data AS BLOB) AS data" if name == "records" else "*"
        with explained(self.path, self.files.folder):
            for row in self._db.execute(f"SELECT {columns} FROM {name} ORDER BY 1"):
                yield dict(row)

    def copy_into(self, target: sqlite3.Connection, named: Path) -> None:
        """Copy the whole database, as it is at one moment, into another; other programs may go on writing.

        named: what the copy is for, as errors of its disk name it.
        """
        with explained(self.path, self.files.folder):
            try:
                self._db.backup(target)
            except sqlite3.OperationalError as failed:
                if failed.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL:
                    raise
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(named)) from failed  # only the copy grows

    def count(self, table: str) -> int:
        """How many rows a table has, dropped ones too."""
        return int(self._rows(f"SELECT count(*) FROM {one_of(table, TABLES, 'table')}")[0][0])

    def identity(self) -> str:
        """Which job record this is: a restored or imported one is another. Empty for an earlier one that can only be
        read."""
        if version_of(self._db) < WITH_IDENTITY:
            return ""
        found = self._rows("SELECT id FROM identity")
        return str(found[0]["id"]) if found else ""

    def next_numbers(self) -> dict[str, int]:
        """The highest number ever given in each table."""
        return {row["name"]: row["seq"] for row in self._rows("SELECT name, seq FROM sqlite_sequence ORDER BY name")}
