"""Job records for hand-backs of one kind of machine."""

from enginelog.model import Analysis, Handback, Job, JobRecord, Machine, Moment, RunFigures, StoredRun

TAKEN_IN, BACK = (Moment(f"2026-04-{day}T09:00:00Z", "+02:00") for day in (11, 14))


def bare(kind: str | None, runs=()) -> JobRecord:
    """A job that is handed back, with nothing in it but these runs."""
    job = Job(7, 3, TAKEN_IN, "Does not run.", state="handed_back", handback=Handback(BACK))
    return JobRecord(job, Machine("The machine", kind=kind, id=3), runs=runs)


def recorded(run, stage: str) -> StoredRun:
    """A run as it is attached to such a job."""
    figures = RunFigures(heard=run.timeline.engine_heard, usable=True, pulls=run.timeline.pulls,
                         rpm=run.measures.speed.rpm, misfire_percent=run.measures.firing.misfire_percent)  # fmt: skip
    return StoredRun(3, 7, stage, TAKEN_IN, recording_name=run.clip.name, recording_sha256="e" * 64,
                     analysis=Analysis(3, TAKEN_IN, "0.1.0", figures), run=run)  # fmt: skip
