"""The job's own before and after: which of its recordings stand for them, and what they come to."""

from __future__ import annotations

from dataclasses import dataclass, replace

from enginelog.compare.front import compare
from enginelog.limits import LimitSet
from enginelog.model import Comparison, Engine, JobRecord, StoredRun
from enginelog.model.telling import asked_about, engines_note, otherwise_note

STARTS = "Settling and starting depend on whether the engine was cold or warm."


@dataclass(frozen=True)
class BeforeAfter:
    """The recordings that stand for before and after the work (None where there is none), and their comparison."""

    before: StoredRun | None
    after: StoredRun | None
    comparison: Comparison | None


def of_job(record: JobRecord, limits: LimitSet | None = None) -> BeforeAfter:
    """Before and after of a job: the newest of each stage that can be compared, else the newest of each.

    The record must hold its runs whole; a run without its analysis counts as not there.
    """
    befores, afters = (
        [run for run in reversed(record.of_stage(stage)) if run.run is not None] for stage in ("before", "after")
    )
    if not befores or not afters:
        return BeforeAfter(befores[0] if befores else None, afters[0] if afters else None, None)
    first: BeforeAfter | None = None
    newer: tuple[str, ...] = ()
    for after in afters:
        reasons: list[Comparison] = []
        for before in befores:
            comparison = of_pair(before, after, limits, asked_about(record))
            if comparison.comparable:
                return BeforeAfter(before, after, replace(comparison, notes=newer + comparison.notes))
            reasons.append(comparison)
        first = first or BeforeAfter(befores[0], after, reasons[0])
        newer += newer_note(after, reasons[0])
    return first or BeforeAfter(None, None, None)


def of_pair(
    before: StoredRun, after: StoredRun, limits: LimitSet | None = None, told: Engine | None = None
) -> Comparison:
    """Two stored runs, each whole; ValueError where one is not. It is noted when the two were recorded where they are
    of different jobs, such as last season's and this one's, and whether the engine was told otherwise for them, or in
    the wrong order, and conditions that differ; and which of one job, or whether the second of two, was analysed with
    another engine than `told`, which is what is told of their machine now (None: not asked)."""
    if before.run is None or after.run is None:
        raise ValueError("a run without its analysis given, whole runs expected")
    notes = (*order_note(before, after), *seasons_note(before, after), *conditions_note(before, after))
    asked = (before, after) if before.job_id == after.job_id else (after,)
    otherwise = (*otherwise_note(told, *asked), *engines_note(before, after))
    warm = (_told_warm(before), _told_warm(after))
    return compare(before.run, after.run, limits, notes=(*otherwise, *notes), warm=warm)


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
    """A line where the run taken as before is dated days later than the one taken as after, which is mostly a slip."""
    first, then = before.at.local_date, after.at.local_date
    if first <= then:
        return ()
    return (f"The recording from before is dated {first}, later than the one from after, {then}: a slip?",)


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
