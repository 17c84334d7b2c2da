"""The pages that only show: jobs, one job, its clip page, takes, runs, machines, comparison."""

from __future__ import annotations

from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from enginelog import compare, model
from enginelog.advice.at_bench import as_step
from enginelog.advice.unheard import steps_here
from enginelog.bench.answers import answer
from enginelog.bench.desk import desk, go, number
from enginelog.bench.rendering import page
from enginelog.bench.takes import NoTakeError
from enginelog.compare import BeforeAfter
from enginelog.limits import bench as bench_rules
from enginelog.limits.bench import Step
from enginelog.limits.trade import knowledge
from enginelog.model import Job, JobRecord, Machine, UsageError
from enginelog.model.telling import (
    MACHINES,
    OFTEN_TWO_STROKE,
    TWINS_FIRE,
    analysed_otherwise,
    asked_about,
    told_otherwise,
    told_then,
)
from enginelog.report.cautions import cautions
from enginelog.report.comparison import (
    CHANGE_SIGNS,
    CHANGE_WORDS,
    change_word,
    faults_of,
    side_words,
    told_first,
    watches_of,
)
from enginelog.report.handback_sheet import sheet
from enginelog.report.handback_text import sheet_text
from enginelog.report.run_line import figures
from enginelog.report.suggesting import suggestion
from enginelog.store import moments, words

CONDITIONS = ("cold", "warm", "choke on", "no load", "under load", "blade on", "air filter off")
NOT_BACK = ("open", "waiting", "done")
MOST_JOBS = 100
MOST_AT_HAND = 5  # jobs of one machine whose recordings are looked through for an engine told otherwise


def home(request: Request) -> Response:
    """The jobs: those at hand first, or those a search finds."""
    text, every = request.query_params.get("text", "").strip(), request.query_params.get("all") == "1"
    with desk(request).store() as store:
        states = () if text or every else NOT_BACK
        found = store.jobs(text, states, limit=MOST_JOBS)
        machines = store.machines()[:MOST_JOBS]
        counted = store.count_jobs(text, states)
    return page(request, "home.html", jobs=found, text=text, every=every, machines=machines, counted=counted)


def new_job(request: Request) -> Response:
    """The form that takes a machine in."""
    with desk(request).store() as store:
        known = store.machines()
    chosen = request.query_params.get("label", "")
    return page(request, "new_job.html", machines=known, kinds=MACHINES, firing=TWINS_FIRE, chosen=chosen)


def job(request: Request) -> Response:
    """One job: what to do next, recordings, checks, work."""
    with desk(request).store() as store:
        record, gone = store.record(number(request)), store.taken_back(number(request))
        same = [each.job for each in store.jobs("", NOT_BACK, record.machine.id) if each.job.id != record.job.id]
    advice = suggestion(record)
    results = knowledge.results_of(record.checks)
    at_hand = record.job.state in ("open", "waiting")  # else the work is done: nothing is asked for by itself
    asked = _asked_for(request, advice.before if at_hand else None)
    steps = [(step, results.get(step.name), True) for step in asked]
    due = advice.next if at_hand and not asked else None
    here = steps_here(record.machine.engine)
    shown = [step for step in bench_rules.steps() if step in here or step.name in results]
    steps += [(step, results.get(step.name), step == due) for step in shown]
    takes, unsure = desk(request).takes.of_job(record.job.id), _strokes_unsure(record.machine)
    return page(
        request, "job.html", record=record, advice=advice, steps=steps, takes=takes, unsure=unsure, gone=gone,
        at_hand=at_hand, unlike=analysed_otherwise(record), reruns=desk(request).reruns.of_job(record.job.id),
        told_then=told_then(record), odd_dates=_odd_dates(request, record.job),
        at_hand_too=words.not_handed_back(same) if at_hand else "",
        largest=desk(request).settings.bound_bytes("largest_piece_mb"),
    )  # fmt: skip


def _odd_dates(request: Request, job: Job) -> list[str]:
    """What is mostly a slip about the time of the note just written down; nothing where the address names none."""
    try:
        noted = request.query_params.get("noted", "")
        return words.odd_dates(job, moments.given(noted)) + moments.clock_changed(noted)
    except UsageError:
        return []


def _asked_for(request: Request, before: Step | None) -> list[Step]:
    """The checks outside the bench checks' list to be ticked on this page: what is to be looked at first, and the one
    the page on what to check next has asked for."""
    wanted = knowledge.load().checks.get(request.query_params.get("check", ""))
    asked = [as_step(wanted)] if wanted and not wanted.bench else []
    return [each for each in asked if not before or each.name != before.name] + ([before] if before else [])


def _strokes_unsure(machine: Machine) -> bool:
    """Whether four strokes are only assumed of a machine that is often a two-stroke."""
    return "strokes" in machine.assumed and machine.kind in OFTEN_TWO_STROKE


def clip(request: Request) -> Response:
    """Choose or record a clip for a job."""
    with desk(request).store() as store:
        record = store.record(number(request), whole=False)
    stage = "after" if record.of_stage("before") else "before"
    return page(
        request, "clip.html", record=record, stage=stage, stages=model.STAGES, conditions=CONDITIONS,
        cautions=cautions(), largest=desk(request).settings.bound_bytes("largest_upload_mb"),
        endings=ENDINGS_ACCEPTED,
    )  # fmt: skip


ENDINGS_ACCEPTED = (
    "audio/*,video/*,.m4a,.mp4,.mov,.3gp,.aac,.wav,.flac,.ogg,.opus,.webm,.mp3,.amr,.aiff,.caf,.ts,.mts,.m2ts,.au,.snd"
)


def take(request: Request) -> Response:
    """A recording on its way, or its answer; where it is attached by now, its run."""
    became = desk(request).takes.became(request.path_params["take"])
    if became:
        return go(f"/runs/{became}")
    if became == 0:
        raise NoTakeError("this recording was thrown away")
    found = desk(request).takes.get(request.path_params["take"])
    with desk(request).store() as store:
        record = store.record(found.job_id, whole=False)
        known = store.runs_of_recording(found.run.clip.sha256) if found.run else ()
    shown = answer(found.run) if found.run else None
    unlike = told_otherwise(found.run.engine, record.machine.engine) if found.run else ()
    return page(
        request, "take.html", take=found, record=record, shown=shown, known=known, stages=model.STAGES,
        conditions=CONDITIONS, place=desk(request).workshop.place(found), unlike=unlike,
    )  # fmt: skip


def run(request: Request) -> Response:
    """A recording of the job record, and its answer."""
    with desk(request).store() as store:
        stored = store.run(number(request))
        record = store.record(stored.job_id, whole=False)
        others = store.jobs("", ("open", "waiting", "done"), limit=MOST_JOBS)
        gone = [each for each in store.taken_back(stored.job_id) if (each.kind, each.entry.id) == ("run", stored.id)]
    if stored.run is None:
        raise UsageError(f"run {stored.id} has no analysis")
    earlier = [(each, figures(replace(stored, analysis=each, run=None))) for each in reversed(stored.earlier)]
    unlike = told_otherwise(stored.run.engine, record.machine.engine)
    return page(
        request, "run.html", stored=stored, record=record, shown=answer(stored.run), gone=gone, earlier=earlier,
        unlike=unlike, others=[each for each in others if each.job.id != stored.job_id],
    )  # fmt: skip


def comparison(request: Request) -> Response:
    """A job's before against its after."""
    with desk(request).store() as store:
        record = store.record(number(request))
    return _compared(request, record, compare.of_job(record), f"/jobs/{record.job.id}/before-after.svg?")


def two_runs(request: Request) -> Response:
    """Any two recordings of one machine, the first as before."""
    first, second = pair_of(request)
    with desk(request).store() as store:
        before, after = store.counting_pair(first, second)
        record = store.record(after.job_id, whole=False)
    found = BeforeAfter(before, after, compare.of_pair(before, after, told=asked_about(record)))
    return _compared(request, record, found, f"/compare.svg?before={first}&after={second}&")


def pair_of(request: Request) -> tuple[int, int]:
    """The numbers of the two runs to compare, from the address; UsageError where they are none."""
    told = [request.query_params.get(name, "") for name in ("before", "after")]
    if not all(each.isascii() and each.isdigit() and len(each) < 16 for each in told):
        raise UsageError("two recordings expected: before=NUMBER and after=NUMBER")
    return int(told[0]), int(told[1])


def _compared(request: Request, record: JobRecord, found: BeforeAfter, picture: str) -> Response:
    rows = told_first(found.comparison) if found.comparison else []
    told, silent = ([row for row in rows if (row.verdict == "cannot_tell") == unsure] for unsure in (False, True))
    return page(
        request, "compare.html", record=record, found=found, told=told, silent=silent, signs=CHANGE_SIGNS,
        changes=CHANGE_WORDS, change_word=change_word, tones=TONES, picture=picture, faults_of=faults_of,
        stopped=found.comparison is not None and found.comparison.stopped,
        side_words=side_words, watches_of=watches_of,
    )  # fmt: skip


def hand_back(request: Request) -> Response:
    """What goes back with the machine: the form, the papers, the text to paste."""
    with desk(request).store() as store:
        record = store.record(number(request))
    found = sheet(record)
    takes = desk(request).takes.of_job(record.job.id)
    return page(request, "hand_back.html", record=record, sheet=found, message=sheet_text(found), takes=takes)


TONES = {"better": "ok", "worse": "fault", "mixed": "watch", "same": "unknown", "changed": "unknown",
         "cannot_tell": "unknown"}  # fmt: skip


def machines(request: Request) -> Response:
    """All machines remembered."""
    with desk(request).store() as store:
        found = store.machines()
    return page(request, "machines.html", machines=found)


def machine(request: Request) -> Response:
    """One machine over the seasons."""
    with desk(request).store() as store:
        history = store.history(number(request), changes=True)
        at_hand = [visit.job.id for visit in history.visits if visit.job.state != "handed_back"][-MOST_AT_HAND:]
        unlike = [(job_id, found) for job_id in at_hand if (found := analysed_otherwise(store.record(job_id)))]
    runs = [run for visit in reversed(history.visits) for run in reversed(visit.runs)]
    unsure = _strokes_unsure(history.machine)
    return page(
        request, "machine.html", history=history, runs=runs, kinds=MACHINES, firing=TWINS_FIRE, unsure=unsure,
        unlike=unlike,
    )  # fmt: skip
