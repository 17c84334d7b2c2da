"""What a job on record gives the rules to go on, and what they suggest at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from enginelog.advice import Heard, Situation, advise, at_bench
from enginelog.limits.bench import LEAD, Suggestion
from enginelog.limits.trade import knowledge
from enginelog.model import STAGES, JobRecord, StoredRun
from enginelog.model.wording import begun_small, joined, one_line
from enginelog.report import words
from enginelog.report.dangers import Danger, standing
from enginelog.report.record import record as run_record


def known_of(record: JobRecord) -> Situation:
    """The recordings that show how the machine is now, the results of its checks, and its engine as it is told.

    Recordings: those from after the work made since its last entry, where an engine or its starter was heard in one;
    else those from before the work (else during, else after).
    """
    runs = _since_the_work(record) or _not_since(record)
    heard = [Heard(run_record(run.run), run.conditions) for run in runs if run.run is not None]
    return Situation(tuple(heard), knowledge.results_of(record.checks), engine=record.machine.engine)


def _not_since(record: JobRecord) -> tuple[StoredRun, ...]:
    """Of a job without a recording since the work those that count instead: from before it, else during, else after."""
    return record.of_stage(next((stage for stage in STAGES if record.of_stage(stage)), STAGES[0]))


def suggestion(record: JobRecord) -> Suggestion:
    """What the bench checks of a job leave and what to check next, by the rules of `advise`.

    record: with its runs whole; of runs that are not, only what their figures call amiss counts. Where the recordings
    after the work are well, nothing that can hurt is heard in them and no check but a trial stands as failed, there is
    nothing to check next, and the text says so, and what is left all the same. Nor is there where no rule speaks of
    what was heard.
    """
    known = known_of(record)
    told = [run for run in record.runs if run.stage != "after" and run.analysis]
    codes = told[-1].analysis.figures.amiss if told and told[-1].analysis else ()
    found = at_bench(known.checks, known.heard, known.engine, codes)
    since = _since_the_work(record)
    failed = [step for step in found.failed if not knowledge.is_trial(step.name)]
    if since and not failed and all(words.headline(run.run).verdict == "ok" for run in since if run.run):
        left = standing(record)
        if not any(each.stored in since for each in left):
            return replace(found, open_steps=(), before=None, text=_well(record, since, left))
    shown = [run for run in since or _not_since(record) if _shows_something(run)]
    if shown and not failed and not advise(known).matched:
        return replace(found, open_steps=(), before=None, text=_nothing_asked(shown))
    return found


def recorded_too_early(record: JobRecord) -> str:
    """That the newest recording from after the work was made before its last entry; empty where one was made since, or
    there is none."""
    runs = _since_the_work(record)
    last = max(record.work, key=lambda entry: entry.at.utc, default=None)
    if not runs or last is None or runs[-1].at.utc >= last.at.utc:
        return ""
    return (
        f"run {runs[-1].id} was recorded {runs[-1].at.local_date}, before the last work entry "
        f"({one_line(last.text or last.kind)}, {last.at.local_date})"
    )


def _since_the_work(record: JobRecord) -> list[StoredRun]:
    """Recordings from after the work since its last entry (the newest where none is so new) that show something."""
    shown = [run for run in record.of_stage("after") if run.run is not None and _shows_something(run)]
    last = max((entry.at.utc for entry in record.work), default="")
    return [run for run in shown if run.at.utc >= last] or shown[-1:]


def _shows_something(stored: StoredRun) -> bool:
    run = stored.run
    return run is not None and run.quality.usable and (run.timeline.engine_heard or run.timeline.pulls > 0)


def _nothing_asked(runs: Sequence[StoredRun]) -> str:
    """Where no rule speaks of what was heard, so that `advise` names no check either."""
    named = f"run{'s'[: len(runs) > 1]} {joined([str(each.id) for each in runs])}"
    return (
        f"{LEAD} Nothing heard in {named} asks for a check: record it once more while it does what it came in with, as "
        "cold, hot or under load as it is then."
    )


def _well(record: JobRecord, runs: list[StoredRun], left: Sequence[Danger]) -> str:
    many = len(runs) > 1
    named = " and ".join(str(run.id) for run in runs)
    heard = f"Nothing amiss is heard after the work (run{'s'[:many]} {named})"
    if left:
        hurts = joined([f"{begun_small(each.title)} (run {each.stored.id})" for each in left])
        return (
            f"{heard}, but what was heard in another recording and can hurt is not shown to be put right: {hurts}. See "
            "to it and record that again before it goes back."
        )
    if early := recorded_too_early(record):
        return f"{heard}, but {early}: record it again before it goes back."
    compared = any(map(_shows_something, record.of_stage("before")))
    go_on = "compare before with after, then hand it back" if compared else "hand it back"
    return (
        f"{heard}. Try what it came in with; if that is gone, it can go back: {go_on}. Sound does not show every fault."
    )
