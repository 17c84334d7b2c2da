"""When two recordings were made, by their own files: the one taken as before may be the later one."""

from __future__ import annotations

from enginelog.model import JobRecord, Run, StoredRun
from enginelog.model.stamps import in_utc


def swapped_note(before: Run, after: Run) -> tuple[str, ...]:
    """A line where the file taken as after was recorded first; nothing where a file does not say when, or without zone.

    What a file says is a phone's clock, and whoever copies or cuts a recording may change it: it is asked, not claimed.
    """
    first, then = (in_utc(run.clip.recorded_at) for run in (before, after))
    if first is None or then is None or first <= then:
        return ()
    return (
        f"By the files' own dates the recording from after was made first, {then:%Y-%m-%d %H:%M} UTC, and the one from "
        f"before later, {first:%Y-%m-%d %H:%M} UTC: are the two swapped, or was a clock wrong?",
    )


def out_of_order(record: JobRecord, kept: StoredRun) -> tuple[str, ...]:
    """As `swapped_note`, of a job's recording against those from the other side of the work; the first one."""
    if kept.stage not in ("before", "after"):
        return ()
    befores, afters = ([kept] if kept.stage == stage else record.of_stage(stage) for stage in ("before", "after"))
    pairs = ((first.run, then.run) for first in befores for then in afters)
    notes = (swapped_note(first, then) for first, then in pairs if first is not None and then is not None)
    return next(filter(None, notes), ())
