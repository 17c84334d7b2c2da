"""What is written into a job at the bench: checks, work, and runs with their recordings."""

from __future__ import annotations

import json
import sqlite3
from functools import lru_cache
from pathlib import Path

from enginelog.model import (
    CHECK_RESULTS,
    STAGES,
    WORK_KINDS,
    Analysis,
    BenchCheck,
    Moment,
    Run,
    StoredRun,
    UsageError,
    WorkEntry,
)
from enginelog.store import figures, numbers, run_codec, texts
from enginelog.store.base import certain, moment_in, one_of, when
from enginelog.store.errors import NotInStoreError, StoreUnreadableError
from enginelog.store.files import existing
from enginelog.store.jobs import Jobs


class Entries(Jobs):
    """Bench checks, work and runs."""

    def tick(
        self,
        job_id: int,
        step: str,
        result: str,
        note: str = "",
        reading: float | None = None,
        unit: str = "",
        photo: Path | None = None,
        at: Moment | None = None,
    ) -> BenchCheck:
        """Write down one bench check. step: a bench check, or another that the rules ask for, by name or title.

        result: pass, fail or not_checked. A step made again is a new entry: the newest counts, the earlier stay.
        photo: copied beside the store.
        """
        from enginelog.limits.trade import knowledge

        values = {
            "step": knowledge.check_named(step),
            "result": one_of(result, CHECK_RESULTS, "result of the check"),
            "note": texts.checked(note, "note"),
            "reading": numbers.reading(reading),
            "unit": texts.checked(unit, "unit of the reading", 40),
        }
        self._usable_job(job_id)
        name = "" if photo is None else texts.checked(photo.name, "name of the photo", texts.LONGEST_LINE)
        kept = None if photo is None else self._put(existing(photo, "photo"), photo.name)
        with self.transaction():
            picture = {"photo_sha256": self._enter_file(kept), "photo_name": name}
            number = self._add(job_id, "checks", at, values | picture)
        return check_from(self._one("checks", number, "check"))

    def add_work(
        self,
        job_id: int,
        kind: str,
        text: str,
        cost_cents: int = 0,
        minutes: int = 0,
        quantity: float = 1.0,
        at: Moment | None = None,
    ) -> WorkEntry:
        """Write down a part, a fluid or labour; the cost is that of the whole entry.

        UsageError where nothing says which part or fluid, or an entry of labour says nothing at all: it stands on the
        owner's page.
        """
        said = texts.checked(text, "text", texts.LONGEST_LINE).strip()
        if not texts.seen(said) and (kind != "labour" or not (minutes or cost_cents)):
            example = {"part": "'spark plug'", "fluid": "'oil'"}.get(kind, "'carburettor cleaned'")
            raise UsageError(f"{kind}: no text given; say in words which, such as {example}: the owner reads it")
        values = {
            "kind": one_of(kind, WORK_KINDS, "kind of work"),
            "text": said,
            "cost_cents": numbers.cents(cost_cents),
            "minutes": numbers.minutes(minutes),
            "quantity": numbers.quantity(quantity),
        }
        return work_from(self._one("work", self._add(job_id, "work", at, values), "work entry"))

    def attach(
        self,
        job_id: int,
        run: Run,
        stage: str,
        conditions: tuple[str, ...] = (),
        note: str = "",
        recording: Path | None = None,
        at: Moment | None = None,
    ) -> StoredRun:
        """Attach an analysed recording to a job. stage: before, during or after.

        recording: the original file, copied beside the store; it must be the one analysed (same SHA-256). None keeps
        only its name and hash. UsageError where the job holds this recording already.
        """
        values = {
            "stage": one_of(stage, STAGES, "stage"),
            "conditions": json.dumps([texts.checked(each, "condition", 80) for each in conditions]),
            "note": texts.checked(note, "note"),
            "recording_name": texts.storable(run.clip.name)[: texts.LONGEST_LINE],
            "recording_sha256": run.clip.sha256,
            "recording_kept": int(recording is not None),
        }
        self._usable_job(job_id)
        self.refuse_twice(job_id, run.clip.sha256)
        kept = None
        if recording is not None:
            kept = self._put(existing(recording, "recording"), recording.name, run.clip.sha256)
        with self.transaction():
            self.refuse_twice(job_id, run.clip.sha256)
            self._enter_file(kept)
            number = self._add(job_id, "runs", at, values)
            self._add_record(number, run)
        return self.run(number)

    def refuse_twice(self, job_id: int, sha256: str) -> None:
        """UsageError where a recording of this hash counts in this job already: its figures would count double."""
        query = "SELECT * FROM runs WHERE job_id = ? AND recording_sha256 = ? AND dropped_utc IS NULL ORDER BY id"
        for row in self._rows(query, job_id, sha256):
            raise UsageError(
                f"job {job_id} holds this recording already (its hash is known): run {row['id']}, {row['stage']} the "
                f"work, {row['recording_name']}; to attach it otherwise, take that run back first"
            )

    def add_analysis(self, run_id: int, run: Run) -> StoredRun:
        """Add a newer analysis of a stored run; the earlier stay. UsageError where it is of another recording."""
        with self.transaction():
            known = self._one("runs", run_id, "run")
            if run.clip.sha256 != known["recording_sha256"]:
                raise UsageError(
                    f"run {run_id} is of {known['recording_name']}, but another recording was analysed "
                    f"({run.clip.name}); give the original, or attach this one as a run of its own"
                )
            self._add_record(run_id, run)
        return self.run(run_id)

    def run(self, run_id: int, whole: bool = True) -> StoredRun:
        """The stored run of this number; whole: with the record of its newest analysis."""
        return self._stored(self._one("runs", run_id, "run"), whole)

    def counting_run(self, run_id: int) -> StoredRun:
        """As `run`, for a comparison: UsageError where it is taken back."""
        found = self.run(run_id)
        if found.dropped:
            raise UsageError(f"run {run_id} is taken back and counts in no comparison; put it back on its job first")
        return found

    def counting_pair(self, before_id: int, after_id: int) -> tuple[StoredRun, StoredRun]:
        """Two runs for a comparison: UsageError where one is taken back, or they are of two machines."""
        before, after = self.counting_run(before_id), self.counting_run(after_id)
        first, second = (self.machine(self.job(one.job_id).machine_id) for one in (before, after))
        if first.id != second.id:
            raise UsageError(
                f"run {before_id} is of '{first.label}' and run {after_id} of '{second.label}', two runs of one machine"
                " expected; one that was attached to the wrong job can be moved to its own"
            )
        return before, after

    def analysed(self, analysis_id: int) -> Run:
        """The record of one analysis, the newest or an earlier one."""
        found = self._rows("SELECT CAST(data AS BLOB) AS data FROM records WHERE analysis_id = ?", analysis_id)
        if not found:
            raise NotInStoreError(f"no analysis {analysis_id} in {self.path}")
        return run_codec.from_bytes(found[0]["data"])

    def runs_of_recording(self, sha256: str) -> tuple[tuple[int, int], ...]:
        """Where a recording is attached already: (job, run) of each, dropped ones left out."""
        query = "SELECT job_id, id FROM runs WHERE recording_sha256 = ? AND dropped_utc IS NULL ORDER BY id"
        return tuple((row["job_id"], row["id"]) for row in self._rows(query, sha256))

    def recording(self, run_id: int) -> Path:
        """Where the kept recording of a run lies; NotInStoreError where no copy was kept."""
        known = self._one("runs", run_id, "run")
        if not known["recording_kept"]:
            raise NotInStoreError(
                f"run {run_id}: no copy of {known['recording_name']} was kept; give the original with --from"
            )
        return self.file_path(known["recording_sha256"])

    def _add(self, job_id: int, table: str, at: Moment | None, values: dict) -> int:
        """Add an entry to a job that can be written to; its number."""
        with self.transaction():
            self._usable_job(job_id)
            number = self._insert(table, {"job_id": job_id, **when("at", at or self._clock()), **values})
            self._refresh(job_id)
        return number

    def _add_record(self, run_id: int, run: Run) -> None:
        data = run_codec.to_bytes(run)
        measured = figures.to_text(figures.figures_of(run))
        about = {"run_id": run_id, **when("at", self._clock()), "program_version": texts.storable(run.program_version)}
        number = self._insert("analyses", about | {"figures": measured})
        self._insert("records", {"analysis_id": number, "data": data})

    def _stored(self, row: sqlite3.Row, whole: bool) -> StoredRun:
        rows = self._rows("SELECT * FROM analyses WHERE run_id = ? ORDER BY id", row["id"])
        if not rows:
            raise StoreUnreadableError(f"run {row['id']}: its analysis is gone; fetch it from a backup")
        analyses = tuple(analysis_from(each) for each in rows)
        try:
            record = self.analysed(analyses[-1].id) if whole else None
        except StoreUnreadableError as failed:
            raise StoreUnreadableError(f"run {row['id']}: {failed}: enginelog reanalyse {row['id']}") from failed
        return stored_from(row, analyses, record)


def stored_from(row: sqlite3.Row, analyses: tuple[Analysis, ...], record: Run | None) -> StoredRun:
    """The stored run of a row and its analyses, oldest first."""
    return StoredRun(
        id=row["id"],
        job_id=row["job_id"],
        stage=row["stage"],
        at=certain(row, "at"),
        conditions=_conditions(row["conditions"]),
        note=row["note"],
        recording_name=row["recording_name"],
        recording_sha256=row["recording_sha256"],
        recording_kept=bool(row["recording_kept"]),
        analysis=analyses[-1],
        earlier=analyses[:-1],
        run=record,
        dropped=moment_in(row, "dropped"),
    )


@lru_cache(maxsize=256)
def _conditions(text: str) -> tuple[str, ...]:
    """The conditions of a run, of which a few combinations come again and again."""
    return texts.listed(text, str, "the conditions of a run")


def analysis_from(row: sqlite3.Row) -> Analysis:
    """The analysis of a row."""
    return Analysis(row["id"], certain(row, "at"), row["program_version"], figures.from_text(row["figures"]))


def check_from(row: sqlite3.Row) -> BenchCheck:
    """The bench check of a row."""
    plain = ("step", "result", "note", "reading", "unit", "photo_sha256", "photo_name", "id", "job_id")
    return BenchCheck(**{name: row[name] for name in plain}, at=certain(row, "at"), dropped=moment_in(row, "dropped"))


def work_from(row: sqlite3.Row) -> WorkEntry:
    """The work entry of a row."""
    plain = ("kind", "text", "cost_cents", "minutes", "quantity", "id", "job_id")
    return WorkEntry(**{name: row[name] for name in plain}, at=certain(row, "at"), dropped=moment_in(row, "dropped"))
