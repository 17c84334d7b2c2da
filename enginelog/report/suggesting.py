"""What a job on record gives the rules to go on, and what they suggest at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from enginelog.advice import Heard, Situation, advise, at_bench
from enginelog.compare.dates import before_reopening, later, oldest_first, overtaken, shows_something, superseded
from enginelog.limits.bench import LEAD, Suggestion
from enginelog.limits.trade import knowledge
from enginelog.model import JobRecord, StoredRun
from enginelog.model.wording import begun_large, begun_small, joined
from enginelog.report.dangers import Danger, standing
from enginelog.report.headline import headline
from enginelog.report.made_when import before_it_came_back, before_the_last_work, too_early
from enginelog.report.record import record as run_record


def known_of(record: JobRecord) -> Situation:
    """The recordings that show how the machine is now, the results of its checks, and its engine as it is told."""
    return _known(record, _how_it_is_now(record))


def _known(record: JobRecord, now: Sequence[StoredRun]) -> Situation:
    """As `known_of`; now: the recordings that show how the machine is."""
    heard = [run for run in oldest_first(now) if run.run is not None]
    return Situation(tuple(map(_heard, heard)), knowledge.results_of(record.checks), engine=record.machine.engine)


def _heard(stored: StoredRun) -> Heard:
    """A recording for the rules, without its file's date: the last given is the last made, as it counts for the job."""
    assert stored.run is not None  # asked for whole
    record = run_record(stored.run)
    return Heard({**record, "clip": {**record["clip"], "recorded_at": None}}, stored.conditions)


def _how_it_is_now(record: JobRecord) -> Sequence[StoredRun]:
    """The recordings that show how the machine is now.

    Those from after the work made since its last entry, where an engine or its starter was heard in one; else those
    from during it, made since; else the newest from after it. Where there is none of these, those from before the work
    and, as they show the same machine, from during it. One from after the work that is older than one from before or
    during it shows nothing of now: then what was recorded since it counts.
    """
    stages = ("after", "during") if record.work else ("after",)
    since = next(filter(None, (_since_the_last_entry(record, stage) for stage in stages)), None)
    return since or _since_the_work(record) or _not_since(record)


def _not_since(record: JobRecord) -> Sequence[StoredRun]:
    """Of a job without a recording since the work those that count instead: from before and during it, where it was
    recorded after earlier work those since then, else after."""
    others = [run for run in record.runs if run.stage != "after"]
    past = overtaken(record)
    since = [run for run in others if past is not None and later(run, past[1])]
    return since or others or record.of_stage("after")


def suggestion(record: JobRecord) -> Suggestion:
    """What the bench checks of a job leave and what to check next, by the rules of `advise`.

    record: with its runs whole; of runs that are not, only what their figures call amiss counts. Where the recordings
    after the work are well, nothing that can hurt is heard in them and no check but a trial stands as failed, there is
    nothing to check next, and the text says so, and what is left all the same. Nor is there where no rule speaks of
    what was heard.
    """
    now, since, left = _how_it_is_now(record), _since_the_work(record), standing(record)
    known = _known(record, now)
    by_rules = advise(known)
    told = oldest_first([run for run in record.runs if run.stage != "after" and run.analysis])
    codes = told[-1].analysis.figures.amiss if told and told[-1].analysis else ()
    found = _with_dangers(at_bench(known.checks, known.heard, known.engine, codes, by_rules), left, now)
    failed = [step for step in found.failed if not knowledge.is_trial(step.name)]
    well = now == since and all(headline(run.run).verdict == "ok" for run in since if run.run)
    if since and well and not failed and not any(each.stored in since for each in left):
        return replace(found, open_steps=(), before=None, text=_well(record, since, left))
    shown = [run for run in now if shows_something(run)]
    if shown and not failed and not by_rules.matched:
        return replace(found, open_steps=(), before=None, text=_nothing_asked(shown))
    return found


def _with_dangers(found: Suggestion, left: Sequence[Danger], now: Sequence[StoredRun]) -> Suggestion:
    """With what can hurt and stands from other recordings than those the rules were asked about: first, too."""
    older = [each.said(False) for each in left if each.stored not in now]
    return replace(found, first=tuple(dict.fromkeys((*found.first, *older))))


def recorded_too_early(record: JobRecord) -> str:
    """That the newest recording from after the work was made before its last entry, by what was told or by its file;
    empty where one was made since, or there is none."""
    runs = _since_the_work(record)
    return too_early(record, runs[-1]) if runs else ""


def _since_the_work(record: JobRecord) -> list[StoredRun]:
    """Recordings from after the work since its last entry (the newest where none is so new) that show something."""
    return _since_the_last_entry(record, "after") or _showing(record, "after")[-1:]


def _since_the_last_entry(record: JobRecord, stage: str) -> list[StoredRun]:
    shown = [run for run in _showing(record, stage) if not before_the_last_work(record, run)]
    return [run for run in shown if not before_reopening(record, run)] or shown


def _showing(record: JobRecord, stage: str) -> list[StoredRun]:
    """What was recorded at this stage and shows how the machine is, the last made last."""
    shown = [run for run in record.of_stage(stage) if shows_something(run) and not superseded(record, run)]
    return oldest_first(shown)


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
    early = recorded_too_early(record) or before_it_came_back(record, runs[-1])
    if left:
        hurts = joined([f"{begun_small(each.title)} (run {each.stored.id})" for each in left])
        old = f" {begun_large(early)}: it does not show that." if early else ""
        return (
            f"{heard}, but what was heard in another recording and can hurt is not shown to be put right: {hurts}.{old}"
            " See to it and record that again before it goes back."
        )
    if early:
        return f"{heard}, but {early}: record it again before it goes back."
    compared = any(map(shows_something, record.of_stage("before")))
    go_on = "compare before with after, then hand it back" if compared else "hand it back"
    return (
        f"{heard}. Try what it came in with; if that is gone, it can go back: {go_on}. Sound does not show every fault."
    )
