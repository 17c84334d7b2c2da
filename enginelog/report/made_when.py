"""Whether a recording was made before the work it is to show, or before the machine came back."""

from __future__ import annotations

from enginelog.compare.dates import before_reopening, dates_of, later, made
from enginelog.model import JobRecord, Moment, StoredRun, WorkEntry
from enginelog.model.wording import one_line

NOT_SO = (
    "Where a clock was wrong, or the entry was written down later, take one of the two back and enter it anew with its "
    "own time (on the command line, 'attach' or 'work' with --at)."
)


def before_the_last_work(record: JobRecord, stored: StoredRun) -> bool:
    """Whether a recording was made before the last entry of work."""
    last = last_work(record)
    return last is not None and made(stored).at.utc < last.at.utc


def last_work(record: JobRecord) -> WorkEntry | None:
    """The newest entry of work by the time it was written down for; None where there is none."""
    return max(record.work, key=lambda entry: entry.at.utc, default=None)


def can_show_it_mended(record: JobRecord, well: StoredRun, bad: StoredRun) -> bool:
    """Whether `well`, from during or after the work, can show that what was heard in `bad` is put right: it was not
    made before `bad`, nor before all work that was written down since.

    Work is mostly written down when it is done, so that one from during it may be older than its entry, but not where
    it was attached later than that.
    """
    if later(bad, well):
        return False
    after, then = made(well), made(bad)
    first = min((entry.at.utc for entry in record.work if entry.at.utc >= then.at.utc), default="")
    return after.at.utc >= first or (well.stage == "during" and well.at.utc < first)


def too_early(record: JobRecord, stored: StoredRun) -> str:
    """That a recording was made before the last entry of work, in words; empty where it was not."""
    last = last_work(record)
    if last is None or not before_the_last_work(record, stored):
        return ""
    return _older(stored, last.at, f"the last work entry ({one_line(last.text or last.kind)}, {{}})")


def before_it_came_back(record: JobRecord, stored: StoredRun) -> str:
    """That a recording was made before the job was opened again after its hand-back, in words; empty where not."""
    if record.reopened is None or not before_reopening(record, stored):
        return ""
    return _older(stored, record.reopened, "the job was reopened ({})")


def _older(stored: StoredRun, since: Moment, what: str) -> str:
    """That a recording was made before this; in the gap of `what` stands when it was."""
    then = made(stored)
    early, late = dates_of(then.at, since)
    by = " by its file's own date" if then.by_file else ""
    return f"run {stored.id} was recorded {early}{by}, before {late.join(what.rsplit('{}', 1))}"
