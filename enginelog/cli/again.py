"""`enginelog reanalyse`: recordings of the job record analysed again, one or many."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from enginelog import model
from enginelog.cli import clips, console, runs, told_anew
from enginelog.cli.store_options import STATUS_DONE, RowNumber, opened, show_plain, store_options
from enginelog.model.wording import begun_large, counted

if TYPE_CHECKING:
    from enginelog.store import Store

STATUS_FAILED = 4


@click.command()
@click.argument("numbers", nargs=-1, type=RowNumber("run"), metavar="[RUN]...")
@click.option(
    "--job",
    "jobs",
    multiple=True,
    type=RowNumber("job"),
    metavar="ID",
    help="All recordings of this job; may be given several times.",
)
@click.option("--all", "everything", is_flag=True, help="All recordings of all jobs.")
@click.option(
    "--outdated",
    is_flag=True,
    help="Of these only such as another version analysed, or whose machine was told otherwise since.",
)
@click.option(
    "--as-then",
    is_flag=True,
    help="With what was told of the engine when the job was handed back (of a job at hand: when it was analysed last).",
)
@click.option("--from", "clip", metavar="CLIP", help="The original recording of the one RUN, where no copy was kept.")
@clips.ran_option
@store_options
def reanalyse(
    numbers: tuple[int, ...],
    jobs: tuple[int, ...],
    everything: bool,
    outdated: bool,
    as_then: bool,
    clip: str | None,
    ran: bool,
    place: Path | None,
    as_json: bool,
) -> int:
    """Analyse recordings on record again, with this version and the machine's present layout; old results stay.

    One RUN is shown as 'attach' shows it. Of several, of a job's or of all, each has a line: what is heard now, and
    what was heard before where that was something else; one that fails is said and does not stop the others.

    With --all, what was handed back keeps the engine it was judged with, since another may have been fitted; only named
    by RUN or --job it is judged with what is told now.

    \b
    Exit status: 0 all analysed again
                 2 wrong usage, or a run or job that is not on record: nothing was begun
                 3 analysed again, but in some there was nothing to analyse
                 4 some could not be analysed, as where no copy was kept; their result is as it was
    """
    single = len(numbers) == 1 and not jobs and not everything and not outdated
    if not (numbers or jobs or everything):
        raise model.UsageError("no run given; give runs by their numbers, --job ID or --all")
    if not single and (ran or clip is not None):
        given = "--ran" if ran else "--from"
        raise model.UsageError(f"{given} given, which is told of one recording: give one RUN with it and no more")
    told = Told(numbers, jobs, as_then)
    with opened(place) as store:
        if single:
            kept = analysed_again(store, numbers[0], told, clip, ran)
            line = f"Run {kept.id}: analysis {len(kept.earlier) + 1}; the earlier stay on record."
            return runs.render(kept, line, as_json, ran)
        chosen = _chosen(store, numbers, jobs, everything)
        chosen = [run for run in chosen if _is_outdated(store, run, told)] if outdated else chosen
        return _each(store, chosen, told, as_json)


@dataclass(frozen=True)
class Told:
    """Which engine recordings are analysed again with. numbers, jobs: the runs and jobs named; as_then: not as it is
    told now, but as it was when the job was handed back."""

    numbers: tuple[int, ...]
    jobs: tuple[int, ...]
    as_then: bool

    def engine(self, store: Store, run: model.StoredRun) -> model.Engine:
        """That for one run, which is whole, or whose record is damaged."""
        job = store.job(run.job_id)
        if self.as_then:
            return _engine_then(store, run, job)
        stands = job.state == "handed_back" and run.id not in self.numbers and job.id not in self.jobs
        if not stands:
            return store.machine(job.machine_id).engine
        return run.run.engine if run.run is not None else _engine_then(store, run, job)

    def notes(self, store: Store, run: model.StoredRun, engine: model.Engine) -> list[str]:
        """That a job handed back is judged with another engine than it was; nothing where that is asked for."""
        handed_back = store.job(run.job_id).state == "handed_back"
        return told_anew.again_notes(run, engine) if handed_back and not self.as_then else []


def _engine_then(store: Store, run: model.StoredRun, job: model.Job) -> model.Engine:
    """The engine of the newest analysis from before the job was handed back, else of the first; of a job at hand that
    of the newest."""
    known = [each for each in (*run.earlier, run.analysis) if each is not None]
    back = job.handback.at.utc if job.handback else None
    until = [each for each in known if back is None or each.at.utc <= back] or known[:1]
    return store.analysed(until[-1].id).engine


def analysed_again(
    store: Store, number: int, told: Told, clip: str | None = None, ran: bool = False, label: str | None = None
) -> model.StoredRun:
    """The run with its new result, which is in the job record. clip: the original, where no copy was kept; label: what
    the progress is called. That an engine ran in it, once told, need not be told again."""
    known = _known(store, number)
    if known.run is None:
        console.note(f"the record of run {number} is damaged: if it was told to have run, tell it again with --ran")
    source = clip if clip is not None else str(store.recording(number))
    engine = told.engine(store, known)
    console.notes(told.notes(store, known, engine))
    ran = ran or (known.run is not None and known.run.timeline.by_word)
    run = runs.analysed(source, engine, ran, None if clip else known.recording_name, label)
    return store.add_analysis(number, run)


def _known(store: Store, number: int) -> model.StoredRun:
    """The run; without its record where that is damaged, which analysing it again puts right."""
    from enginelog.store import StoreUnreadableError

    try:
        return store.run(number)
    except StoreUnreadableError:
        return store.run(number, whole=False)


def _chosen(store: Store, numbers: tuple[int, ...], jobs: tuple[int, ...], everything: bool) -> list[model.StoredRun]:
    """The runs asked for, each once. Those named are taken as they are; of jobs only those whose recording was kept,
    and the others are said. NotInStoreError where one is not on record."""
    named = {number: store.run(number, whole=False) for number in numbers}
    wanted = [line.job.id for line in store.jobs(limit=None)][::-1] if everything else jobs
    of_jobs = [run for job in wanted for run in store.record(job, whole=False).runs]
    without = dict.fromkeys(str(run.id) for run in of_jobs if not run.recording_kept and run.id not in named)
    if without:
        what = "run" if len(without) == 1 else "runs"
        console.note(
            f"{what} {', '.join(without)} left out: no copy was kept; with the original: enginelog reanalyse "
            f"{next(iter(without))} --from CLIP"
        )
    return list((named | {run.id: run for run in of_jobs if run.recording_kept and run.id not in named}).values())


def _is_outdated(store: Store, run: model.StoredRun, told: Told) -> bool:
    """Whether this version, or the engine it would be analysed with, may say something else."""
    from enginelog import __version__
    from enginelog.model.telling import told_otherwise

    if run.program_version != __version__:
        return True
    whole = _known(store, run.id)
    return whole.run is None or bool(told_otherwise(whole.run.engine, told.engine(store, whole)))


def _each(store: Store, chosen: list[model.StoredRun], told: Told, as_json: bool) -> int:
    """Analyse one after the other, say of each what came of it; the exit status."""
    done: list[Any] = []
    failed, status = 0, STATUS_DONE
    for number, run in enumerate(chosen, 1):
        label = f"run {run.id}, {run.recording_name} ({number} of {len(chosen)})"
        with console.stopping(partial(_until, number - 1, len(chosen))):
            kept = _tried(store, run, told, label)
        if isinstance(kept, str):
            failed += 1
            console.error(f"run {run.id}: not analysed again: {kept}")
            done.append({"id": run.id, "problem": kept})
            continue
        heard = kept.run
        if heard is not None and not (heard.quality.usable and (heard.timeline.engine_heard or heard.timeline.pulls)):
            status = runs.STATUS_NOTHING
        done.append(replace(kept, run=None))
        if not as_json:
            console.show("\n".join(_outcome(kept)))
    if as_json:
        show_plain(done)
    else:
        console.show(_in_all(len(chosen), failed))
    return STATUS_FAILED if failed else status


def _tried(store: Store, run: model.StoredRun, told: Told, label: str) -> model.StoredRun | str:
    """The run with its new result; what is wrong with it where there is none. A job record that cannot be written is
    none of the run's faults: nothing more can be kept then."""
    from enginelog.store import StoreNotWrittenError

    try:
        return analysed_again(store, run.id, told, label=label)
    except StoreNotWrittenError:
        raise
    except model.EnginelogError as wrong:
        return str(wrong).removeprefix(f"run {run.id}: ")
    except Exception as fault:  # one odd recording must not cost the others their night
        return f"fault in enginelog: {type(fault).__name__}: {fault} ('enginelog reanalyse {run.id}' alone says where)"


def _until(done: int, number: int) -> str:
    rest = "" if done == number else "; go on with the same call and --outdated"
    return f"{done} of {counted(number, 'recording')} done, and what was analysed again is kept{rest}"


def _outcome(kept: model.StoredRun) -> list[str]:
    """One run's line: what is heard now, and what was heard before where that was something else."""
    from enginelog import report
    from enginelog.report.run_line import figures

    bare = replace(kept, run=None)  # no earlier result is whole: like is held against like
    now, before = figures(kept), figures(replace(bare, analysis=kept.earlier[-1])) if kept.earlier else ""
    was = "as before" if figures(bare) == before else f"before: {before}"
    assert kept.run is not None  # asked for whole
    mark = report.answer(kept.run).label
    name = console.safe_line(kept.recording_name)
    text = f"{mark} Run {kept.id}, job {kept.job_id}, {kept.stage} ({name}): {now}. {begun_large(was)}."
    return textwrap.wrap(text, console.width(), subsequent_indent=" " * (len(mark) + 1), break_on_hyphens=False)


def _in_all(number: int, failed: int) -> str:
    if not number:
        return "Nothing to analyse again."
    if not failed:
        return f"{counted(number, 'recording')} analysed again; the earlier results stay."
    made = f"{number - failed} of {counted(number, 'recording')} analysed again; the earlier results stay"
    return f"{made}, and {failed} kept the one {'it' if failed == 1 else 'they'} had."
