"""The jobs of a store: taking in, changing state, handing back."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

from enginelog.model import FOR_OWNER, STRUCK, UNMENDED, Handback, Job, Machine, Moment, TakeIn, UsageError
from enginelog.model.wording import money
from enginelog.store import texts
from enginelog.store.base import certain, moment_in, when
from enginelog.store.errors import NotInStoreError
from enginelog.store.machines import Machines

_SEEN = {
    "oil_level": "oil level",
    "fuel_state": "state of the fuel",
    "smell": "smell",
    "damage": "damage",
}


class Jobs(Machines):
    """Opening jobs and following them to the hand-back."""

    def take_in(
        self,
        machine: Machine | str | int,
        complaint: str = "",
        seen: TakeIn | None = None,
        note: str = "",
        at: Moment | None = None,
    ) -> Job:
        """Open a job for a machine that the store knows (`remember` makes it known).

        complaint: the owner's words; seen: what was looked at; at: when, if not now.
        """
        label = machine.id or machine.label if isinstance(machine, Machine) else machine
        opened = at or self._clock()
        with self.transaction():
            number = self._insert(
                "jobs",
                {
                    "machine_id": self.machine(label).id,
                    **when("opened", opened),
                    "complaint": texts.checked(complaint, "complaint"),
                    **_seen_row(seen or TakeIn()),
                    "note": texts.checked(_counting(note), "note"),
                    "state": "open",
                    "waiting_for": "",
                    **when("since", opened),
                },
            )
            self._note_event(number, opened, "taken in")
            self._refresh(number)
        return self.job(number)

    def job(self, job_id: int) -> Job:
        """The job of this number, a dropped one too; NotInStoreError where there is none."""
        row = self._one("jobs", job_id, "job")
        given = self._rows("SELECT * FROM handbacks WHERE job_id = ? ORDER BY id DESC LIMIT 1", job_id)
        return job_from(row, given[0] if given and row["state"] == "handed_back" else None)

    def change_job(
        self,
        job_id: int,
        complaint: str | None = None,
        seen: TakeIn | None = None,
        note: str | None = None,
        add_note: str | None = None,
    ) -> Job:
        """Put right what was written at take-in; None leaves it. add_note: a further line under the note."""
        with self.transaction():
            job = self._usable_job(job_id)
            if add_note:
                note = "\n".join(filter(None, (job.note if note is None else note, add_note)))
            values: dict[str, Any] = {} if seen is None else _seen_row(seen)
            values |= {
                name: texts.checked(text, name)
                for name, text in {"complaint": complaint, "note": note}.items()
                if text is not None
            }
            if values:
                old = {name: text for name, text in _words(job).items() if name in values and text != values[name]}
                self._note_event(job_id, self._clock(), "changed", "; ".join(f"{n} was: {t}" for n, t in old.items()))
                self._update("jobs", job_id, values)
                self._refresh(job_id)
        return self.job(job_id)

    def add_notes(self, job_id: int, text: str, for_owner: bool = False, at: Moment | None = None) -> Job:
        """Add to the job's notes, which are the bench's own; for_owner: each line of it is marked as for the owner.

        at: when it was, which is written in front of each line; None writes no time. UsageError where the text is
        empty, a line of it bears the mark of what is taken back, or only some lines bear that of what is for the owner.
        """
        if not texts.seen(text):
            raise UsageError("note: an empty text given, what is to be noted expected; nothing was changed")
        before = (FOR_OWNER if for_owner else "") + (f"{_minute(at)}: " if at else "")
        text = _counting(text, for_owner)
        lines = text.splitlines() if before else [text]
        marked = [f"{before}{line}" if line.strip() else line for line in lines]
        return self.change_job(job_id, add_note="\n".join(marked))

    def show_note(self, job_id: int, place: int, text: str, for_owner: bool) -> Job:
        """Mark one note as for the owner, or as the bench's own again.

        place: which of the note's lines, from 0. text: what stands there; UsageError where that is not so any more.
        """
        with self.transaction():
            lines = self._usable_job(job_id).note.splitlines()
            if not 0 <= place < len(lines) or lines[place].strip() != text.strip():
                raise UsageError(f"note {place + 1} of job {job_id} is another one by now; look at the notes again")
            plain = lines[place].removeprefix(FOR_OWNER)
            lines[place] = f"{FOR_OWNER}{plain}" if for_owner else plain
            return self.change_job(job_id, note="\n".join(lines))

    def agree_limit(self, job_id: int, limit_cents: int | None, currency: str | None = None) -> Machine:
        """Write down what a job on this job's machine may cost before its owner is asked; None: no limit.

        It holds for the machine's later jobs, too. What held before stays among the job's events. currency: that of all
        costs of the machine; None leaves it.
        """
        with self.transaction():
            known = self.machine(self._usable_job(job_id).machine_id)
            now = replace(known, cost_limit_cents=limit_cents, currency=currency or known.currency)
            if now == known:
                return known
            before = "none" if known.cost_limit_cents is None else money(known.cost_limit_cents, known.currency)
            changed = self.change_machine(now)
            self._note_event(job_id, self._clock(), "cost limit changed", f"was: {before}")
        return changed

    def wait(self, job_id: int, waiting_for: str = "", at: Moment | None = None) -> Job:
        """The job waits, for a part or a decision."""
        text = texts.checked(waiting_for, "what it waits for", texts.LONGEST_LINE)
        return self._enter(job_id, "waiting", "waiting", at, text)

    def finish(self, job_id: int, at: Moment | None = None, not_mended: str | None = None) -> Job:
        """The work is done; the machine stands ready for its owner. not_mended: why it was given up or goes back as it
        came ('' where nobody says); None: it was mended."""
        if not_mended is None:
            return self._enter(job_id, "done", "done", at)
        why = f"{UNMENDED}: {not_mended.strip()}" if not_mended.strip() else UNMENDED
        return self._enter(job_id, "done", "done", at, texts.checked(why, "why it is not mended", texts.LONGEST_LINE))

    def reopen(self, job_id: int, at: Moment | None = None) -> Job:
        """Work goes on, also on a job that was done or handed back."""
        return self._enter(job_id, "open", "reopened", at)

    def hand_back(
        self,
        job_id: int,
        told_owner: str = "",
        watch: str = "",
        next_service: str = "",
        report: bytes | Path | None = None,
        report_name: str = "report.html",
        at: Moment | None = None,
    ) -> Job:
        """The machine goes back to its owner. report: the report that went with it, kept beside the store.

        Handing back a second time, after reopening, adds a second hand-back; the first stays on record.
        """
        kept = None if report is None else self._put(report, report_name)
        with self.transaction():
            job = self._usable_job(job_id)
            kept_so = "" if job.not_mended is None else job.waiting_for
            given = at or self.present(job)
            self._enter(job_id, "handed_back", "handed back", given, kept_so)
            self._insert(
                "handbacks",
                {
                    "job_id": job_id,
                    **when("at", given),
                    "told_owner": texts.checked(told_owner, "what the owner was told"),
                    "watch": texts.checked(watch, "what to watch"),
                    "next_service": texts.checked(next_service, "next service"),
                    "report_sha256": self._enter_file(kept),
                },
            )
            self._refresh(job_id)
        return self.job(job_id)

    def events(self, job_id: int) -> tuple[tuple[Moment, str, str], ...]:
        """What happened to the job: (when, what, detail), in order."""
        rows = self._rows("SELECT * FROM events WHERE job_id = ? ORDER BY id", job_id)
        return tuple((certain(row, "at"), row["what"], row["detail"]) for row in rows)

    def _enter(self, job_id: int, state: str, event: str, at: Moment | None, waiting_for: str = "") -> Job:
        """Move a job into a state. UsageError where the time told for it is before the take-in."""
        with self.transaction():
            job = self._usable_job(job_id)
            since = at or self.present(job)
            if since.utc < job.opened.utc:
                given, opened = (f"{each.local:%Y-%m-%d %H:%M}" for each in (since, job.opened))
                raise UsageError(
                    f"job {job_id}: {given} given, but it was taken in {opened}; a later time expected with --at"
                )
            finished = state in ("done", "handed_back")
            closed = (job.closed or since) if finished else None
            values = {"state": state, "waiting_for": waiting_for, **when("since", since), **when("closed", closed)}
            self._update("jobs", job_id, values)
            self._note_event(job_id, since, event, waiting_for)
            self._refresh(job_id)
        return self.job(job_id)

    def present(self, job: Job) -> Moment:
        """Now, for a change of a job's state: what this machine's clock shows, but never before the last change.

        A clock that was behind (a machine without a clock battery) would else leave no way to finish a job, or put a
        reopening before its hand-back.
        """
        return max(self._clock(), job.opened, job.since or job.opened, key=lambda each: each.utc)

    def _usable_job(self, job_id: int) -> Job:
        """The job, where it can be written to; UsageError where it is dropped."""
        job = self.job(job_id)
        if job.dropped:
            raise NotInStoreError(f"job {job_id} is dropped; bring it back first: enginelog drop job {job_id} --undo")
        return job


def _counting(note: str, for_owner: bool = False) -> str:
    """The text of a new note; UsageError where a line would be taken for one that was taken back, and count nowhere, or
    where one would go to the owner and another would not, as in a text that was pasted. for_owner: all go there."""
    lines = [line for line in note.splitlines() if line.strip()]
    if any(line.startswith(STRUCK) for line in lines):
        raise UsageError(f"note: a line begins with '{STRUCK.strip()}', the mark of what is taken back; leave it out")
    if not for_owner and len({line.startswith(FOR_OWNER) for line in lines}) > 1:
        raise UsageError(
            f"note: a line begins with '{FOR_OWNER.strip()}', so the owner would read it, and another does not; "
            "note what is for the owner by itself"
        )
    return note


def _minute(at: Moment) -> str:
    """A time to the minute, a date alone without one: '2026-04-12 09:20', '2026-04-12'."""
    return f"{at.local:%Y-%m-%d %H:%M}".removesuffix(" 00:00")


def job_from(row: sqlite3.Row, handback: sqlite3.Row | None) -> Job:
    """The job of a row, with the row of its hand-back where it has one."""
    return Job(
        id=row["id"],
        machine_id=row["machine_id"],
        opened=certain(row, "opened"),
        complaint=row["complaint"],
        seen=TakeIn(**{name: row[name] for name in _SEEN}),
        note=row["note"],
        state=row["state"],
        waiting_for=row["waiting_for"],
        since=certain(row, "since"),
        closed=moment_in(row, "closed"),
        handback=None if handback is None else _handback(handback),
        dropped=moment_in(row, "dropped"),
    )


def _handback(row: sqlite3.Row) -> Handback:
    words = {name: row[name] for name in ("told_owner", "watch", "next_service", "report_sha256")}
    return Handback(at=certain(row, "at"), **words)


def _words(job: Job) -> dict[str, str]:
    return {name: getattr(job.seen, name) for name in _SEEN} | {"complaint": job.complaint, "note": job.note}


def _seen_row(seen: TakeIn) -> dict[str, str]:
    return {name: texts.checked(getattr(seen, name), what, texts.LONGEST_LINE) for name, what in _SEEN.items()}
