"""The words of the job record: machine, job, bench checks, work, stored runs, hand-back.

Money is in whole cents of the machine's currency. A time is a `Moment`: UTC, and beside it the zone it was written in.
Numbers of rows (`id`) are given by the store; 0 means not stored yet. Nothing is deleted: `dropped` says when an entry
was marked as dropped, and None means it counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from enginelog.model.engine import Engine
from enginelog.model.run import Run

FOR_OWNER = "For the owner: "  # at the beginning of a note: the owner may read it
STRUCK = "[taken back] "  # at the beginning of a note, before all else: it does not count any more
UNMENDED = "not mended"  # begins what stands in `Job.waiting_for` of a job that is done and was not mended
JOB_STATES = ("open", "waiting", "done", "handed_back")
CHECK_RESULTS = ("pass", "fail", "not_checked")
WORK_KINDS = ("part", "fluid", "labour")
STAGES = ("before", "during", "after")


@dataclass(frozen=True, order=True)
class Moment:
    """A point in time. utc: ISO 8601 to the second, ending in Z. zone: offset of the writer's clock, such as +02:00."""

    utc: str
    zone: str = "+00:00"

    @property
    def local(self) -> datetime:
        """The time as the writer's clock showed it, with its zone."""
        hours, minutes = int(self.zone[1:3]), int(self.zone[4:6])
        offset = timedelta(hours=hours, minutes=minutes) * (-1 if self.zone[0] == "-" else 1)
        return datetime.fromisoformat(self.utc.replace("Z", "+00:00")).astimezone(timezone(offset))

    @property
    def local_date(self) -> str:
        return self.local.date().isoformat()


@dataclass(frozen=True)
class Machine:
    """One machine, known by its label. kind: as the check command's machine kinds. assumed: as in `Engine`."""

    label: str
    kind: str | None = None
    strokes: int = 4
    cylinders: int = 1
    firing_angles_deg: tuple[float, ...] = (0.0,)
    rated_rpm: float | None = None
    idle_rpm: float | None = None
    blade_length_mm: float | None = None
    alternator_poles: int | None = None
    assumed: tuple[str, ...] = ()
    serial: str = ""
    cost_limit_cents: int | None = None
    currency: str = "EUR"
    note: str = ""
    id: int = 0
    added: Moment | None = None
    dropped: Moment | None = None

    @property
    def engine(self) -> Engine:
        """What the analysis is told of this machine."""
        return Engine(
            strokes=self.strokes,
            cylinders=self.cylinders,
            firing_angles_deg=self.firing_angles_deg,
            rated_rpm=self.rated_rpm,
            idle_rpm=self.idle_rpm,
            machine=self.kind,
            blade_length_mm=self.blade_length_mm,
            alternator_poles=self.alternator_poles,
            assumed=self.assumed,
        )


@dataclass(frozen=True)
class TakeIn:
    """What was seen when the machine came in, in plain words; empty where not looked at."""

    oil_level: str = ""
    fuel_state: str = ""
    smell: str = ""
    damage: str = ""


@dataclass(frozen=True)
class Handback:
    """The return to the owner: when, what the owner was told, what to watch, when the next service is due.

    report_sha256: the report that went with it, kept in the store (None where none was made).
    """

    at: Moment
    told_owner: str = ""
    watch: str = ""
    next_service: str = ""
    report_sha256: str | None = None


@dataclass(frozen=True)
class Note:
    """One of a job's notes. number: which line of the notes it is, from 1, for ever. text: as it was written, with
    FOR_OWNER before what the owner may read."""

    job_id: int
    number: int
    text: str
    struck: bool = False

    @property
    def id(self) -> str:
        """Job and number: '3.2'."""
        return f"{self.job_id}.{self.number}"

    @property
    def for_owner(self) -> bool:
        return self.text.startswith(FOR_OWNER)


@dataclass(frozen=True)
class Job:
    """One visit of one machine to the bench. state: one of JOB_STATES; waiting_for: what a waiting job waits for, or
    UNMENDED with the reason, of one that is done without being mended (`not_mended`).

    note: the bench's own notes, one a line; only a line that begins with FOR_OWNER is shown to the owner, one that
    begins with STRUCK was taken back. `notes` has them one by one. closed: when the work was done (states done
    and handed_back). since: when the present state began.
    """

    id: int
    machine_id: int
    opened: Moment
    complaint: str = ""
    seen: TakeIn = TakeIn()
    note: str = ""
    state: str = "open"
    waiting_for: str = ""
    since: Moment | None = None
    closed: Moment | None = None
    handback: Handback | None = None
    dropped: Moment | None = None

    @property
    def not_mended(self) -> str | None:
        """Why it was given up or goes back as it came, empty where nobody said; None where it was not given up."""
        if self.state not in ("done", "handed_back") or not self.waiting_for.startswith(UNMENDED):
            return None
        return self.waiting_for.removeprefix(UNMENDED).removeprefix(": ")

    @property
    def all_notes(self) -> tuple[Note, ...]:
        """The notes one by one, also those taken back."""
        lines = enumerate(self.note.splitlines(), 1)
        found = ((number, line.removeprefix(STRUCK), line.startswith(STRUCK)) for number, line in lines)
        return tuple(Note(self.id, number, text, struck) for number, text, struck in found if text.strip())

    @property
    def notes(self) -> tuple[Note, ...]:
        """The notes that count."""
        return tuple(each for each in self.all_notes if not each.struck)

    @property
    def notes_for_owner(self) -> tuple[str, ...]:
        """The notes the owner may read, without their mark."""
        marked = (each.text.removeprefix(FOR_OWNER) for each in self.notes if each.for_owner)
        return tuple(text.strip() for text in marked if text.strip())


@dataclass(frozen=True)
class BenchCheck:
    """One bench check as it was made. step: a step of the rule table; result: one of CHECK_RESULTS.

    reading, unit: what was measured, where anything was. photo_sha256, photo_name: a picture kept in the store.
    """

    step: str
    result: str
    at: Moment
    note: str = ""
    reading: float | None = None
    unit: str = ""
    photo_sha256: str | None = None
    photo_name: str = ""
    id: int = 0
    job_id: int = 0
    dropped: Moment | None = None


@dataclass(frozen=True)
class WorkEntry:
    """A part, a fluid or labour. cost_cents: of the whole entry, whatever its quantity; minutes: time it took."""

    kind: str
    text: str
    at: Moment
    cost_cents: int = 0
    minutes: int = 0
    quantity: float = 1.0
    id: int = 0
    job_id: int = 0
    dropped: Moment | None = None


@dataclass(frozen=True)
class RunFigures:
    """The main figures of one analysis, for lists and trends; None where not known.

    worst: its gravest verdict; amiss: codes of its findings of verdict fault or watch; faults: those of verdict fault
    (records of earlier versions lack them). or_rpm: another speed that sounds nearly the same. speed_confidence,
    engine_chance: how sure the speed is, and that an engine was heard at all, 0 to 1. held_rpm: the speeds held in turn
    by a run that was not at one; empty for others, and in records of earlier versions. pulls_low, pulls_high: where the
    number of pulls is not sure, from where to where it lies (no pulls_high: no upper end is known).
    """

    heard: bool = False
    usable: bool = False
    pulls: int = 0
    rpm: float | None = None
    rpm_low: float | None = None
    rpm_high: float | None = None
    misfire_percent: float | None = None
    misfire_low: float | None = None
    misfire_high: float | None = None
    hunting_swing_percent: float | None = None
    seconds_to_run: float | None = None
    rundown_s: float | None = None
    worst: str | None = None
    amiss: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    or_rpm: float | None = None
    speed_confidence: float | None = None
    engine_chance: float | None = None
    held_rpm: tuple[float, ...] = ()
    pulls_low: int | None = None
    pulls_high: int | None = None


@dataclass(frozen=True)
class Analysis:
    """One analysis of a stored recording, by one version of the program."""

    id: int
    at: Moment
    program_version: str
    figures: RunFigures = RunFigures()


@dataclass(frozen=True)
class StoredRun:
    """A recording attached to a job, with its newest analysis and the earlier ones.

    stage: one of STAGES. conditions: cold, warm, choke on, under load, air filter off, ..., as told.
    recording_sha256: of the original file; recording_kept: whether a copy lies in the store.
    run: the newest analysis whole, None where only its figures were asked for. earlier: older analyses, oldest first.
    """

    id: int
    job_id: int
    stage: str
    at: Moment
    conditions: tuple[str, ...] = ()
    note: str = ""
    recording_name: str = ""
    recording_sha256: str = ""
    recording_kept: bool = False
    analysis: Analysis | None = None
    earlier: tuple[Analysis, ...] = ()
    run: Run | None = None
    dropped: Moment | None = None

    @property
    def program_version(self) -> str:
        return self.analysis.program_version if self.analysis else ""


@dataclass(frozen=True)
class JobRecord:
    """A job with all that belongs to it. Entries in order of time; dropped entries are not among them.

    elsewhere: of each of its recordings that a job of another machine holds, too: (run here, run there, that machine).
    reopened: when it was last opened again after it had been handed back; None where it was not.
    """

    job: Job
    machine: Machine
    checks: tuple[BenchCheck, ...] = ()
    work: tuple[WorkEntry, ...] = ()
    runs: tuple[StoredRun, ...] = ()
    elsewhere: tuple[tuple[int, int, str], ...] = ()
    reopened: Moment | None = None

    def of_stage(self, stage: str) -> tuple[StoredRun, ...]:
        return tuple(run for run in self.runs if run.stage == stage)

    @property
    def cost_cents(self) -> int:
        return sum(entry.cost_cents for entry in self.work)

    @property
    def minutes(self) -> int:
        return sum(entry.minutes for entry in self.work)

    @property
    def left_cents(self) -> int | None:
        """What is left of the machine's cost limit (negative: past it); None where no limit is set."""
        limit = self.machine.cost_limit_cents
        return None if limit is None else limit - self.cost_cents
