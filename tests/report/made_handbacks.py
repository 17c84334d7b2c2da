"""Job records for hand-backs of one kind of machine."""

from enginelog.model import Handback, Job, JobRecord, Machine, Moment

TAKEN_IN, BACK = (Moment(f"2026-04-{day}T09:00:00Z", "+02:00") for day in (11, 14))


def bare(kind: str | None, runs=()) -> JobRecord:
    """A job that is handed back, with nothing in it but these runs."""
    job = Job(7, 3, TAKEN_IN, "Does not run.", state="handed_back", handback=Handback(BACK))
    return JobRecord(job, Machine("The machine", kind=kind, id=3), runs=runs)
