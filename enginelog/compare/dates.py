"""When recordings were made, and whether their order fits the stages they were attached with.

Everything that asks which recording is the newer one asks here: what stands for before, for after and for now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cmp_to_key

from enginelog.model import JobRecord, Moment, Run, StoredRun
from enginelog.model.stamps import in_utc

SAME_MOMENT_S = 10.0  # entry and first analysis are written one after the other, unless the time was told
CAME_BACK = {"before": "has it come back", "during": "is it not done yet"}


@dataclass(frozen=True)
class Made:
    """When a recording was made. known: told, or by its file; else only that it was no later. by_file: by its file's
    own date, which lies before the time it was attached."""

    at: Moment
    known: bool
    by_file: bool = False

    @property
    def words(self) -> str:
        """`recorded 2026-11-02 15:30`, with where that is known from; of one not known when it was attached."""
        then = f"{self.at.local:%Y-%m-%d %H:%M}"
        return f"{'recorded' if self.known else 'attached'} {then}{' by its file' if self.by_file else ''}"


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


def later(one: StoredRun, other: StoredRun) -> bool:
    """Whether one recording counts as made later than the other: by when both were made, and where that is not known of
    one, by when they were attached, since most are attached in the order in which they were made."""
    first, then = made(one), made(other)
    if first.known and then.known:
        return first.at.utc > then.at.utc
    return one.at.utc > other.at.utc


def oldest_first(runs: Sequence[StoredRun]) -> list[StoredRun]:
    """The runs in the order in which they count as made; of those made at one time as they were given."""
    return sorted(runs, key=cmp_to_key(_order))


def _order(one: StoredRun, other: StoredRun) -> int:
    return later(one, other) - later(other, one)


def newest_first(runs: Sequence[StoredRun]) -> list[StoredRun]:
    """The runs that hold their analysis, the last made first."""
    return [run for run in reversed(oldest_first(runs)) if run.run is not None]


def newest(runs: Sequence[StoredRun]) -> StoredRun | None:
    """The last made of the runs that show something; the last made where none does, None where there is none."""
    made_last = newest_first(runs)
    return next(filter(shows_something, made_last), next(iter(made_last), None))


def shows_something(stored: StoredRun) -> bool:
    """Whether an engine or its starter was heard in a usable recording."""
    run = stored.run
    return run is not None and run.quality.usable and (run.timeline.engine_heard or run.timeline.pulls > 0)


def dates_of(first: Moment, then: Moment) -> tuple[str, str]:
    """Two moments in words: their dates, and the time of day where they are of one."""
    same_day = first.local_date == then.local_date
    early, late = (f"{each.local:%Y-%m-%d %H:%M}" if same_day else each.local_date for each in (first, then))
    return early, late


def superseded(record: JobRecord, stored: StoredRun) -> bool:
    """Whether a newer recording of an earlier stage shows that this one, from during or after the work, is past."""
    past = {"during": ("before",), "after": ("before", "during")}.get(stored.stage, ())
    return any(later(run, stored) for run in record.runs if run.stage in past and shows_something(run))


def overtaken(record: JobRecord) -> tuple[StoredRun, StoredRun] | None:
    """The newest recording that shows something, from before or during the work, and the newest from after it, where
    that and all from after it are past (`superseded`): they show neither how the machine runs now nor what the work
    came to."""
    shown = newest_first([run for run in record.runs if shows_something(run)])
    afters = [run for run in shown if run.stage == "after"]
    if not afters or not all(superseded(record, run) for run in afters):
        return None
    return next(run for run in shown if run.stage != "after" and later(run, afters[0])), afters[0]


def before_reopening(record: JobRecord, stored: StoredRun) -> bool:
    """Whether a recording was made before the job was opened again after its last hand-back."""
    return record.reopened is not None and made(stored).at.utc < record.reopened.utc


def overtaken_line(newer: StoredRun, after: StoredRun) -> str:
    """That a recording from before or during the work is newer than one from after it, and what is asked then."""
    side = "during" if newer.stage == "during" else "from before"
    return (
        f"Run {newer.id}, {side} the work, was {made(newer).words}, later than run {after.id}, from after it "
        f"({made(after).words}): {CAME_BACK[newer.stage]}, are the two swapped, or was a clock wrong?"
    )


def overtaken_lines(record: JobRecord) -> tuple[str, ...]:
    """`overtaken_line`, where a job has such a pair."""
    found = overtaken(record)
    return (overtaken_line(*found),) if found else ()


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
    """A line where a recording of a job was made on the wrong side of one from the other side of the work: by what
    counts as when it was made, else by the files' own dates (`swapped_note`)."""
    found = overtaken(record)
    if found is not None and kept.id in (found[0].id, found[1].id):
        return (overtaken_line(*found),)
    if kept.stage not in ("before", "after"):
        return ()
    befores, afters = ([kept] if kept.stage == stage else record.of_stage(stage) for stage in ("before", "after"))
    return swapped_among(befores, afters)


def swapped_among(befores: Sequence[StoredRun], afters: Sequence[StoredRun]) -> tuple[str, ...]:
    """As `swapped_note`, of the first pair of which it is so."""
    pairs = ((first.run, then.run) for first in befores for then in afters)
    notes = (swapped_note(first, then) for first, then in pairs if first is not None and then is not None)
    return next(filter(None, notes), ())


def _told(stored: StoredRun) -> bool:
    """Whether somebody told when it was recorded: else it is entered for the moment at which it was analysed first."""
    first = (*stored.earlier, stored.analysis)[0]
    return first is None or abs((first.at.local - stored.at.local).total_seconds()) > SAME_MOMENT_S
