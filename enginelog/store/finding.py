"""Finding and following: whole jobs, lists with filters, search, what waits longest, the history of a machine."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from enginelog.model import JOB_STATES, STAGES, Analysis, Engine, Job, JobRecord, Machine, Moment, StoredRun
from enginelog.model.telling import another_engine
from enginelog.store import run_codec, texts
from enginelog.store.base import one_of
from enginelog.store.entries import Entries, analysis_from, check_from, stored_from, work_from
from enginelog.store.errors import StoreUnreadableError
from enginelog.store.jobs import job_from

_STATE_EVENTS = ("waiting", "done", "reopened", "handed back")
_MARKS = 500  # parameters a query: older SQLite takes 999


@dataclass(frozen=True)
class JobLine:
    """One line of a list: a job, its machine's label, how many of each kind of entry, and its cost so far."""

    job: Job
    label: str
    checks: int
    runs: int
    cost_cents: int
    currency: str


@dataclass(frozen=True)
class Visit:
    """One job in the history of a machine: its cost, minutes, and its runs with their figures only."""

    job: Job
    cost_cents: int
    minutes: int
    runs: tuple[StoredRun, ...]


# Recordings of a job that a job of another machine holds, too, each but once.
ELSEWHERE = """
SELECT mine.id, min(theirs.id), machines.label FROM runs AS mine
JOIN runs AS theirs ON theirs.recording_sha256 = mine.recording_sha256 AND theirs.dropped_utc IS NULL
JOIN jobs ON jobs.id = theirs.job_id AND jobs.dropped_utc IS NULL
JOIN machines ON machines.id = jobs.machine_id
WHERE mine.job_id = ? AND mine.dropped_utc IS NULL AND machines.id != ?
GROUP BY mine.id ORDER BY mine.id
"""


@dataclass(frozen=True)
class EngineChange:
    """From this run of a machine on it has another engine, by what was told for it and the run before; what: in which
    way, in words."""

    run: int
    what: str


@dataclass(frozen=True)
class History:
    """A machine and its jobs over the seasons, oldest first. changes: where its engine is told as another one, where
    that was asked for."""

    machine: Machine
    visits: tuple[Visit, ...]
    changes: tuple[EngineChange, ...] = ()

    @property
    def runs(self) -> list[StoredRun]:
        """The runs of all jobs, oldest job first."""
        return [run for visit in self.visits for run in visit.runs]

    @property
    def other_engines(self) -> frozenset[int]:
        """The runs from which on another engine is told."""
        return frozenset(each.run for each in self.changes)

    def change_words(self, run: int) -> str:
        """That from this run on another engine is told; empty where that is not so."""
        what = next((each.what for each in self.changes if each.run == run), "")
        return (
            f"told as another one from run {run} on ({what}): hold no figures from before against those after, but "
            "where it was told wrongly and is analysed again"
            if what
            else ""
        )


class Finding(Entries):
    """Questions to the store."""

    def record(self, job_id: int, whole: bool = True) -> JobRecord:
        """A job with its machine, checks, work and runs; whole: each run with the record of its newest analysis."""
        live = "WHERE job_id = ? AND dropped_utc IS NULL ORDER BY at_utc, id"
        with self.snapshot():
            job = self.job(job_id)
            return JobRecord(
                job=job,
                machine=self.machine(job.machine_id),
                checks=tuple(map(check_from, self._rows(f"SELECT * FROM checks {live}", job_id))),
                work=tuple(map(work_from, self._rows(f"SELECT * FROM work {live}", job_id))),
                runs=tuple(self._stored(row, whole) for row in self._rows(f"SELECT * FROM runs {live}", job_id)),
                elsewhere=tuple(map(tuple, self._rows(ELSEWHERE, job_id, job.machine_id))),
                reopened=self._reopened(job_id),
            )

    def _reopened(self, job_id: int) -> Moment | None:
        """When the job was last opened again after it had been handed back; no earlier than that, whatever was told
        or a clock that was set back showed: their order is that in which they were written down."""
        states = [(at, what) for at, what, _ in self.events(job_id) if what in _STATE_EVENTS]
        again = [
            max(at, back, key=lambda each: each.utc)
            for (back, past), (at, what) in pairwise(states)
            if (past, what) == ("handed back", "reopened")
        ]
        return again[-1] if again else None

    def jobs(
        self,
        text: str = "",
        states: Sequence[str] = (),
        machine: str | int | None = None,
        stage: str | None = None,
        longest_waiting: bool = False,
        limit: int | None = 50,
        offset: int = 0,
        dropped: bool = False,
    ) -> tuple[JobLine, ...]:
        """Jobs that hold every word of `text` and fit the filters, newest first.

        machine: label or number. stage: only jobs with a run of this stage. longest_waiting: only jobs not done yet,
        the one longest in its state first. limit: how many at most, None for all. dropped: the dropped ones instead.
        """
        order = "j.since_utc, j.id" if longest_waiting else "j.opened_utc DESC, j.id DESC"
        most = -1 if limit is None else max(limit, 0)
        with self.snapshot():
            where, given = self._filters(text, states, machine, stage, longest_waiting, dropped)
            rows = self._rows(
                f"SELECT j.*, m.label, m.currency FROM jobs j JOIN machines m ON m.id = j.machine_id "
                f"JOIN job_texts t ON t.job_id = j.id WHERE {' AND '.join(where)} ORDER BY {order} LIMIT ? OFFSET ?",
                *given, most, max(offset, 0),
            )  # fmt: skip
            return self._lines(rows)

    def count_jobs(self, text: str = "", states: Sequence[str] = (), machine: str | int | None = None) -> int:
        """How many jobs fit."""
        where, given = self._filters(text, states, machine, None, False, False)
        query = f"SELECT count(*) FROM jobs j JOIN job_texts t ON t.job_id = j.id WHERE {' AND '.join(where)}"
        return int(self._rows(query, *given)[0][0])

    def history(self, machine: str | int, changes: bool = False) -> History:
        """All jobs of a machine, oldest first, with the figures of their runs.

        changes: also between which of these another engine was fitted, which their records tell.
        """
        with self.snapshot():
            known = self.machine(machine)
            rows = self._rows(
                "SELECT * FROM jobs WHERE machine_id = ? AND dropped_utc IS NULL ORDER BY opened_utc, id", known.id
            )
            numbers = [row["id"] for row in rows]
            handbacks, spent, runs = self._handbacks(numbers), self._spent(numbers), self._runs_of(numbers)
        visits = tuple(
            Visit(_job(row, handbacks), *spent.get(row["id"], (0, 0)), tuple(runs.get(row["id"], ()))) for row in rows
        )
        found = History(known, visits)
        return replace(found, changes=self._engine_changes(found.runs)) if changes else found

    def _engine_changes(self, runs: list[StoredRun]) -> tuple[EngineChange, ...]:
        """In the order of time, where a run was analysed as of another engine than the one before it. One whose record
        is damaged, which 'verify' says, is passed over."""
        found, before = [], None
        for run in sorted(runs, key=lambda run: run.at):
            try:
                now = self._engine(run)
            except StoreUnreadableError:
                continue
            if before is not None and (what := another_engine(before, now)):
                found.append(EngineChange(run.id, "; ".join(what)))
            before = now
        return tuple(found)

    def _engine(self, run: StoredRun) -> Engine:
        """The engine with which a run was analysed last."""
        query = "SELECT CAST(data AS BLOB) AS data FROM records WHERE analysis_id = ?"
        rows = self._rows(query, run.analysis.id if run.analysis else 0)
        if not rows:
            raise StoreUnreadableError(f"run {run.id}: its analysis is gone; fetch it from a backup")
        return run_codec.engine_of(rows[0]["data"])

    def _filters(
        self,
        text: str,
        states: Sequence[str],
        machine: str | int | None,
        stage: str | None,
        waiting: bool,
        dropped: bool,
    ) -> tuple[list[str], list[Any]]:
        """Conditions of a query, and the values of its marks: what a user gives is never part of the query itself."""
        where: list[str] = [f"j.dropped_utc IS {'NOT ' if dropped else ''}NULL"]
        given: list[Any] = []
        if waiting and not states:
            states = ("open", "waiting")
        if states:
            where.append(f"j.state IN ({', '.join('?' * len(states))})")
            given += [one_of(state, JOB_STATES, "state") for state in states]
        if machine is not None:
            where.append("j.machine_id = ?")
            given.append(self.machine(machine).id)
        if stage is not None:
            live = "SELECT 1 FROM runs r WHERE r.job_id = j.id AND r.stage = ? AND r.dropped_utc IS NULL"
            where.append(f"EXISTS ({live})")
            given.append(one_of(stage, STAGES, "stage"))
        for word in texts.folded(texts.checked(text, "search", texts.LONGEST_LINE)).split():
            steps = _steps_called(word)
            ticked = (
                f" OR EXISTS (SELECT 1 FROM checks c WHERE c.job_id = j.id AND c.dropped_utc IS NULL "
                f"AND c.step IN ({', '.join('?' * len(steps))}))"
                if steps
                else ""
            )
            where.append(rf"(t.text LIKE ? ESCAPE '\'{ticked})")  # several times faster than instr()
            given += [f"%{texts.escaped(word)}%", *steps]
        return where, given

    def _lines(self, rows: list[sqlite3.Row]) -> tuple[JobLine, ...]:
        numbers = [row["id"] for row in rows]
        handbacks, spent = self._handbacks(numbers), self._spent(numbers)
        checks, runs = self._counts("checks", numbers), self._counts("runs", numbers)
        return tuple(
            JobLine(
                job=_job(row, handbacks),
                label=row["label"],
                checks=checks.get(row["id"], 0),
                runs=runs.get(row["id"], 0),
                cost_cents=spent.get(row["id"], (0, 0))[0],
                currency=row["currency"],
            )
            for row in rows
        )

    def _for_jobs(self, query: str, numbers: list[int]) -> list[sqlite3.Row]:
        """The rows of a query with `{jobs}` in it, for these jobs, asked in pieces that SQLite takes."""
        found: list[sqlite3.Row] = []
        for start in range(0, len(numbers), _MARKS):
            piece = numbers[start : start + _MARKS]
            found += self._rows(query.format(jobs=", ".join("?" * len(piece))), *piece)
        return found

    def _counts(self, table: str, numbers: list[int]) -> dict[int, int]:
        query = (
            f"SELECT job_id, count(*) FROM {table} WHERE job_id IN ({{jobs}}) AND dropped_utc IS NULL GROUP BY job_id"
        )
        return {row[0]: row[1] for row in self._for_jobs(query, numbers)}

    def _spent(self, numbers: list[int]) -> dict[int, tuple[int, int]]:
        """Cost and minutes by job."""
        query = (
            "SELECT job_id, sum(cost_cents), sum(minutes) FROM work WHERE job_id IN ({jobs}) AND dropped_utc IS NULL "
            "GROUP BY job_id"
        )
        return {row[0]: (row[1], row[2]) for row in self._for_jobs(query, numbers)}

    def _handbacks(self, numbers: list[int]) -> dict[int, sqlite3.Row]:
        """The newest hand-back by job."""
        rows = self._for_jobs("SELECT * FROM handbacks WHERE job_id IN ({jobs}) ORDER BY id", numbers)
        return {row["job_id"]: row for row in rows}

    def _runs_of(self, numbers: list[int]) -> dict[int, list[StoredRun]]:
        """The runs by job, with figures only."""
        rows = self._for_jobs(
            "SELECT * FROM runs WHERE job_id IN ({jobs}) AND dropped_utc IS NULL ORDER BY at_utc, id", numbers
        )
        known: dict[int, list[Analysis]] = {}
        query = (
            "SELECT a.* FROM runs r JOIN analyses a ON a.run_id = r.id "
            "WHERE r.job_id IN ({jobs}) AND r.dropped_utc IS NULL ORDER BY a.id"
        )
        for row in self._for_jobs(query, numbers):
            known.setdefault(row["run_id"], []).append(analysis_from(row))
        found: dict[int, list[StoredRun]] = {}
        for row in rows:
            if row["id"] in known:  # a run without any analysis is damage, which `verify` says
                found.setdefault(row["job_id"], []).append(stored_from(row, tuple(known[row["id"]]), None))
        return found


def _job(row: sqlite3.Row, handbacks: dict[int, sqlite3.Row]) -> Job:
    return job_from(row, handbacks.get(row["id"]) if row["state"] == "handed_back" else None)


def _steps_called(word: str) -> list[str]:
    """The checks, by the names under which they are kept, whose title or name, as it may be given, holds a word."""
    from enginelog.limits.trade import knowledge

    called = {
        name: texts.folded(f"{title}\n{name.replace('_', ' ')}\n{name.replace('_', '-')}")
        for name, title in knowledge.check_titles().items()
    }
    return [name for name, text in called.items() if word in text]
