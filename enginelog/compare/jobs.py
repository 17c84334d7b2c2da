"""The job's own before and after: which of its recordings stand for them, and what they come to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from enginelog import limits as limit_files
from enginelog.compare import dates, words
from enginelog.compare.comparable import Obstacle, pulls_only
from enginelog.compare.front import compare, refused
from enginelog.compare.under_load import told_load
from enginelog.limits import LimitSet
from enginelog.model import Comparison, Engine, JobRecord, StoredRun
from enginelog.model.telling import another_engine, asked_about, engines_note, otherwise_note

STARTS = "Settling and starting depend on whether the engine was cold or warm."
ANOTHER = "Compare recordings of one engine; one that was told wrongly is analysed again: enginelog reanalyse RUN."
AGAIN = (
    "Record it again after the work. Where a date is wrong, take that recording back and attach it with its own time"
    " (--at)."
)


@dataclass(frozen=True)
class BeforeAfter:
    """The recordings that stand for before and after the work (None where there is none), and their comparison.

    newer: the recording from before or during the work that is newer than all from after it, so that none of these
    stands for after; the comparison is then one that is refused. reopened: that of after was made before the job was
    opened again, so that it does not show how the machine is now. notes: what is known where nothing is compared.
    """

    before: StoredRun | None
    after: StoredRun | None
    comparison: Comparison | None
    newer: StoredRun | None = None
    reopened: bool = False
    notes: tuple[str, ...] = ()


def of_job(record: JobRecord, limits: LimitSet | None = None) -> BeforeAfter:
    """Before and after of a job: the last made of each stage that can be compared, else the last made of each.

    A recording from after the work that is older than one from before or during it stands for nothing (`overtaken`).
    The record must hold its runs whole; a run without its analysis counts as not there.
    """
    limits = limits or limit_files.load("compare")
    befores, afters = (dates.newest_first(record.of_stage(stage)) for stage in ("before", "after"))
    past = dates.overtaken(record)
    if past is not None:
        return _overtaken(record, befores, *past, limits)
    afters = _of_now(record, afters)
    early = bool(afters) and dates.before_reopening(record, afters[0])
    asked = _reopened_note(record, afters[0]) if early else ()
    if not befores or not afters:
        before, only = (dates.newest(each) for each in (befores, afters))
        return BeforeAfter(before, only, None, reopened=early, notes=asked)
    first: BeforeAfter | None = None
    newer: tuple[str, ...] = ()
    for after in afters:
        reasons: list[Comparison] = []
        candidates = _befores_of(after, befores, record.of_stage("after"), limits)
        for before in candidates:
            comparison = of_pair(before, after, limits, asked_about(record))
            own = (*_in_vain_notes(before, after, befores), *_swapped(before, after, candidates, afters))
            comparison = replace(comparison, notes=(*asked, *comparison.notes, *own))
            if comparison.comparable:
                notes = (*newer, *comparison.notes)
                return BeforeAfter(before, after, replace(comparison, notes=notes), reopened=early)
            reasons.append(comparison)
        first = first or BeforeAfter(candidates[0], after, reasons[0], reopened=early)
        newer += newer_note(after, reasons[0])
    return first or BeforeAfter(None, None, None)


def _overtaken(
    record: JobRecord, befores: list[StoredRun], newer: StoredRun, after: StoredRun, limits: LimitSet
) -> BeforeAfter:
    """Of a job whose newest recording is none from after the work: no after, and the comparison refused."""
    before = befores[0] if befores else None
    assert newer.run is not None and after.run is not None  # both show something
    side = "during" if newer.stage == "during" else "from before"
    reason = f"run {after.id}, from after the work, was made earlier than run {newer.id}, {side} it"
    notes = (dates.overtaken_line(newer, after), *otherwise_note(asked_about(record), newer, after))
    comparison = refused(newer.run, after.run, Obstacle(reason, AGAIN), limits, notes)
    return BeforeAfter(before, None, comparison, newer=newer)


def _of_now(record: JobRecord, afters: list[StoredRun]) -> list[StoredRun]:
    """Of the recordings from after the work those that no newer one from before or during it makes past, and of these
    those since the job was opened again; all where there is none of these."""
    valid = [run for run in afters if not dates.superseded(record, run)]
    since = [run for run in valid if not dates.before_reopening(record, run)]
    shown = any(map(dates.shows_something, since))
    return since if shown else valid or afters


def _befores_of(
    after: StoredRun, befores: list[StoredRun], afters: Sequence[StoredRun], limits: LimitSet
) -> list[StoredRun]:
    """What may stand for before beside this recording from after the work, the last made first.

    Those made before it, since the machine last ran after earlier work. Where it ran in one of them and starts after
    the work, those in which it did not start stand for nothing: it would be said to run now, and did before.
    """
    shown = [run for run in befores if dates.shows_something(run) and not dates.later(run, after)]
    if not shown:
        return befores
    earlier = [run for run in afters if dates.shows_something(run) and dates.later(shown[0], run)]
    shown = [run for run in shown if all(dates.later(run, each) for each in earlier)]
    ran = [run for run in shown if _ran(run, limits)]
    starts = after.run is not None and not pulls_only(after.run)
    return ran if ran and starts else shown


def _ran(stored: StoredRun, limits: LimitSet) -> bool:
    """Whether it ran for long enough to be held against another run."""
    run = stored.run
    return run is not None and run.timeline.engine_heard and words.ran_s(run) >= limits.value("run_least_s")


def _in_vain_notes(before: StoredRun, after: StoredRun, befores: list[StoredRun]) -> tuple[str, ...]:
    """Which newer recordings from before the work hold nothing but pulls, where one in which it ran stands for it."""
    if before.run is None or pulls_only(before.run):
        return ()
    newer = [run for run in befores if dates.later(run, before) and not dates.later(run, after)]
    return tuple(
        f"In run {run.id}, newer and from before the work too, it did not start ({words.pulls(run.run.timeline)})."
        for run in newer
        if run.run and pulls_only(run.run)
    )


def _swapped(before: StoredRun, after: StoredRun, befores: list[StoredRun], afters: list[StoredRun]) -> tuple[str, ...]:
    """Whether two others of the recordings that may stand for before and after seem swapped by their files' own dates;
    nothing where it is asked of these two."""
    assert before.run is not None and after.run is not None  # of_pair had them
    return () if dates.swapped_note(before.run, after.run) else dates.swapped_among(befores, afters)


def _reopened_note(record: JobRecord, after: StoredRun) -> tuple[str, ...]:
    """That nothing was recorded after the work since the job was opened again."""
    assert record.reopened is not None
    return (
        f"Run {after.id}, from after the work, was {dates.made(after).words}, before the job was reopened "
        f"({record.reopened.local:%Y-%m-%d %H:%M}): has it come back, and is it to be recorded again?",
    )


def of_pair(
    before: StoredRun, after: StoredRun, limits: LimitSet | None = None, told: Engine | None = None
) -> Comparison:
    """Two stored runs, each whole; ValueError where one is not. It is noted when the two were recorded where they are
    of different jobs, such as last season's and this one's, and whether the engine was told otherwise for them, or in
    the wrong order, and conditions that differ; and which of one job, or whether the second of two, was analysed with
    another engine than `told`, which is what is told of their machine now (None: not asked). Two of different jobs that
    are told another layout or another rated speed are of two engines, and are not compared."""
    if before.run is None or after.run is None:
        raise ValueError("a run without its analysis given, whole runs expected")
    notes = (*order_note(before, after), *seasons_note(before, after), *conditions_note(before, after))
    asked = (before, after) if before.job_id == after.job_id else (after,)
    otherwise = (*otherwise_note(told, *asked), *engines_note(before, after))
    other = another_engine(before.run.engine, after.run.engine) if before.job_id != after.job_id else []
    if other:
        reason = f"the engine is told as another one for the two ({'; '.join(other)})"
        limits = limits or limit_files.load("compare")
        return refused(before.run, after.run, Obstacle(reason, ANOTHER), limits, (*otherwise, *notes))
    warm = (_told_warm(before), _told_warm(after))
    loaded = (told_load(before.conditions), told_load(after.conditions))
    return compare(before.run, after.run, limits, notes=(*otherwise, *notes), warm=warm, loaded=loaded)


def _told_warm(run: StoredRun) -> bool:
    """Whether it was told that the engine was warm, so that it is no cold start."""
    return "warm" in (each.casefold().strip() for each in run.conditions)


def newer_note(after: StoredRun, comparison: Comparison) -> tuple[str, ...]:
    """That a run from after the work cannot be compared, so that an older one stands for it; nothing where it shows
    nothing of the machine."""
    run = after.run
    if run is None or not run.quality.usable or not (run.timeline.engine_heard or run.timeline.pulls):
        return ()
    return (f"Run {after.id}, newer, is not in this comparison: {comparison.reason}. Is it how the machine runs now?",)


def order_note(before: StoredRun, after: StoredRun) -> tuple[str, ...]:
    """A line where the run taken as before was made later than the one taken as after, which is mostly a slip; nothing
    where the files' own dates say so, which is asked already."""
    if not dates.later(before, after):
        return ()
    if before.run and after.run and dates.swapped_note(before.run, after.run):
        return ()
    early, late = dates.dates_of(dates.made(after).at, dates.made(before).at)
    return (f"The recording from before is dated {late}, later than the one from after, {early}: a slip?",)


def seasons_note(before: StoredRun, after: StoredRun) -> tuple[str, ...]:
    """Which run each is, and of when, where "before" and "after" are not those of one job's work."""
    if before.job_id == after.job_id:
        return ()
    first, then = (
        f"run {one.id}, {one.at.local_date}, {one.stage} the work of job {one.job_id}" for one in (before, after)
    )
    return (f"Here 'before' is {first}, and 'after' is {then}.",)


def conditions_note(before: StoredRun, after: StoredRun) -> tuple[str, ...]:
    """A line where the two were recorded under different conditions; nothing where they were the same or not told."""
    told = [tuple(dict.fromkeys(one.casefold().strip() for one in run.conditions)) for run in (before, after)]
    if set(told[0]) == set(told[1]):
        return ()
    words = [", ".join(one) if one else "not told" for one in told]
    line = f"The conditions differed. Before: {words[0]}; after: {words[1]}."
    return (line, STARTS) if {"cold", "warm"} & (set(told[0]) | set(told[1])) else (line,)
