"""When a recording was made, and whether that was before the work it is to show: by what was told, else by its file."""

from __future__ import annotations

from dataclasses import dataclass

from enginelog.model import JobRecord, Moment, StoredRun, WorkEntry
from enginelog.model.stamps import in_utc
from enginelog.model.wording import one_line

NOT_SO = (
    "Where a clock was wrong, or the entry was written down later, take one of the two back and enter it anew with its "
    "own time ('attach' or 'work' with --at)."
)
SAME_MOMENT_S = 10.0  # entry and first analysis are written one after the other, unless the time was told


@dataclass(frozen=True)
class Made:
    """When a recording was made. known: told, or by its file; else only that it was no later. by_file: by its file's
    own date, which lies before the time it was attached."""

    at: Moment
    known: bool
    by_file: bool = False


def made(stored: StoredRun) -> Made:
    """When a recording was made: as told (`--at`), else by its file's own date, else no later than it was attached.

    A file's date may be wrong (the phone's clock), so whatever hangs on it is asked, never claimed.
    """
    if _told(stored):
        return Made(stored.at, True)
    date = in_utc(stored.run.clip.recorded_at) if stored.run is not None else None
    if date is None:
        return Made(stored.at, False)
    by_file = Moment(f"{date:%Y-%m-%dT%H:%M:%SZ}", stored.at.zone)
    return Made(by_file, True, True) if by_file < stored.at else Made(stored.at, True)


def before_the_last_work(record: JobRecord, stored: StoredRun) -> bool:
    """Whether a recording was made before the last entry of work."""
    last = last_work(record)
    return last is not None and made(stored).at.utc < last.at.utc


def last_work(record: JobRecord) -> WorkEntry | None:
    """The newest entry of work by the time it was written down for; None where there is none."""
    return max(record.work, key=lambda entry: entry.at.utc, default=None)


def can_show_it_mended(record: JobRecord, well: StoredRun, bad: StoredRun) -> bool:
    """Whether `well`, from during or after the work, can show that what was heard in `bad` is put right: by no date it
    was made before `bad`, nor before all work that was written down since.

    Work is mostly written down when it is done, so that one from during it may be older than its entry, but not where
    it was attached later than that.
    """
    after, then = made(well), made(bad)
    if after.known and then.known and after.at.utc < then.at.utc:
        return False
    first = min((entry.at.utc for entry in record.work if entry.at.utc >= then.at.utc), default="")
    return after.at.utc >= first or (well.stage == "during" and well.at.utc < first)


def too_early(record: JobRecord, stored: StoredRun) -> str:
    """That a recording was made before the last entry of work, in words; empty where it was not."""
    last, when = last_work(record), made(stored)
    if last is None or not before_the_last_work(record, stored):
        return ""
    same_day = when.at.local_date == last.at.local_date
    then, work = (f"{each.local:%Y-%m-%d %H:%M}" if same_day else each.local_date for each in (when.at, last.at))
    by = " by its file's own date" if when.by_file else ""
    said = one_line(last.text or last.kind)
    return f"run {stored.id} was recorded {then}{by}, before the last work entry ({said}, {work})"


def _told(stored: StoredRun) -> bool:
    """Whether somebody told when it was recorded: else it is entered for the moment at which it was analysed first."""
    first = (*stored.earlier, stored.analysis)[0]
    return first is None or abs((first.at.local - stored.at.local).total_seconds()) > SAME_MOMENT_S
