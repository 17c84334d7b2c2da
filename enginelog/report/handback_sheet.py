"""What a hand-back says, in plain words, before it becomes a page, a PDF or a message."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cache

from enginelog.compare import FOR_THE_BENCH, BeforeAfter, of_job
from enginelog.compare.dates import newest
from enginelog.compare.left_open import said_open
from enginelog.limits.trade.cautions import in_short
from enginelog.limits.trade.knowledge import is_trial, result_words
from enginelog.model import (
    BenchCheck,
    Comparison,
    Difference,
    Engine,
    Finding,
    JobRecord,
    Run,
    StoredRun,
    WorkEntry,
    wording,
)
from enginelog.model.telling import TOLD, asked_about, otherwise_note, told_otherwise
from enginelog.model.wording import as_told, begun_large, joined
from enginelog.report import words
from enginelog.report.advice_page import machine_cautions
from enginelog.report.cautions import Caution, cautions
from enginelog.report.comparison import told_first
from enginelog.report.dangers import Danger, standing
from enginelog.report.facts import facts, limit_of
from enginelog.report.handback_answer import NOT_MENDED, Top, not_mended, top_of, with_mended, with_unsafe
from enginelog.report.handback_open import asked_first, check_title, unsafe_titles
from enginelog.report.handback_pictures import Drawing, drawings
from enginelog.report.hurting import counts, is_danger
from enginelog.report.judged import beside, judged, limit_words, row_name
from enginelog.report.made_when import NOT_SO, before_the_last_work
from enginelog.report.owner_words import for_owner, is_in_doubt, said_by_another
from enginelog.report.shown_mended import shown_mended
from enginelog.report.suggesting import recorded_too_early, suggestion

AUDIENCES = ("owner", "bench")
RESULTS = {"pass": "passed", "fail": "failed", "not_checked": "not checked", "mended": "put right"}
NOTES = ("Note", "Notes")  # one, several
DRAFT = "Draft: the machine is not handed back yet, and what stands here may still change."
STILL_OPEN = "Heard {} the work, and not shown to be put right: "
MENDED = "it passed when checked again"
FINE = ("strength", "timing", "misfire_cylinder", "dip", "droop", "recovery", "rundown")
KINDS = {"part": "Part", "fluid": "Fluid", "labour": "Labour"}


@dataclass(frozen=True)
class CheckRow:
    """One bench check: what, its result (pass, fail, not_checked, or mended: passed since), reading and note."""

    title: str
    result: str
    detail: str


@dataclass(frozen=True)
class WorkRow:
    """One line of work: its kind, what, how much of it, its cost and time in words (empty where none)."""

    kind: str
    text: str
    quantity: str
    cost: str
    minutes: str

    @property
    def named(self) -> str:
        """What it is, with how many of it."""
        name = self.text or self.kind
        return f"{self.quantity} × {name}" if self.quantity else name


@dataclass(frozen=True)
class LimitRow:
    """One measure of the run after, with its limit and verdict; judged: what was held against the limit, where that is
    not the value itself. measured: the value is a figure."""

    label: str
    value: str
    judged: str
    limit: str
    verdict: str
    source: str
    measured: bool


@dataclass(frozen=True)
class Sheet:
    """One hand-back. Texts of the user are as they were written; whoever renders them makes them safe.

    measures: differences in the order of reading. left_open: what was to be watched before and is not shown to be gone,
    which the text of `top` says too. asked: what whoever hands back is asked first, on no paper of the
    owner: about checks that failed, and of the notes those that ask whether something is a slip. draft: says that the
    machine is not handed back yet; empty where it is. mended: what could hurt and is shown to be put right. own_care:
    the cautions for its kind alone, in short. drawings: draws the pictures when called, once.
    """

    audience: str
    title: str
    over: str
    about: str
    draft: str
    top: Top
    mended: tuple[str, ...]
    complaint: str
    seen: tuple[tuple[str, str], ...]
    checks: tuple[CheckRow, ...]
    suggestion: str
    work: tuple[WorkRow, ...]
    totals: tuple[tuple[str, str], ...]
    drawings: Callable[[], tuple[Drawing, ...]]
    measures: tuple[Difference, ...]
    left_open: str
    notes: tuple[str, ...]
    asked: tuple[str, ...]
    limits: tuple[LimitRow, ...]
    watch: tuple[str, ...]
    told: str
    next_service: str
    cautions: tuple[Caution, ...]
    own_care: str
    facts: tuple[tuple[str, str], ...]


def sheet(
    record: JobRecord,
    audience: str = "owner",
    history: Sequence[StoredRun] = (),
    others: Collection[int] = (),
    pair: BeforeAfter | None = None,
) -> Sheet:
    """The hand-back of a job for its owner (short) or for the bench (all of it).

    record: with its runs whole. history: runs of the machine over the years with their figures, for the trend; may
    hold those of this job too. pair: what `of_job` gives of the record, where it is at hand. ValueError for another
    audience.
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience {audience!r} given, one of {', '.join(AUDIENCES)} expected")
    pair = pair or of_job(record)
    full = audience == "bench"
    after = pair.after.run if pair.after else None
    otherwise = otherwise_note(asked_about(record), pair.before, pair.after)
    notes = pair.comparison.notes if pair.comparison else (*pair.notes, *otherwise)
    asked = tuple(note for note in notes if note.endswith("?"))
    unsafe, stands, mended = unsafe_titles(record), standing(record), shown_mended(record)
    top = with_mended(top_of(record, pair, full), mended, after, bool(stands))
    back = record.job.handback
    made = record.job.state == "handed_back"
    return Sheet(
        audience=audience,
        title=record.machine.label,
        over=f"Job {record.job.id}: {'' if made else 'draft of the '}hand-back" + (", for the bench" if full else ""),
        about=_about(record),
        draft="" if made else DRAFT,
        top=with_unsafe(not_mended(record.job, top), unsafe, bool(stands)),
        mended=tuple(each.said for each in mended),
        complaint=record.job.complaint,
        seen=_seen(record, full),
        checks=_checks(record, full),
        suggestion=_suggestion(record) if full else "",
        work=tuple(_work(entry, record.machine.currency) for entry in record.work),
        totals=_totals(record, full),
        drawings=cache(lambda: drawings(pair, history if full else (), full, others)),
        measures=_measures(pair.comparison, full),
        left_open=_left_open(pair.comparison),
        notes=tuple(note for note in notes if full or note not in (*asked, *FOR_THE_BENCH)),
        asked=(*asked_first(record), *_again(record), *asked),
        limits=_limits(after) if full and after else (),
        watch=(
            *((NOT_MENDED.format(unsafe),) if unsafe else ()),
            *_watch(back.watch if back else "", _as_it_goes(record, pair), stands, full),
        ),
        told=back.told_owner if back else "",
        next_service=back.next_service if back else "",
        cautions=_cautions(record.machine.kind),
        own_care=in_short(machine_cautions(record.machine.kind)),
        facts=_facts(record, pair) if full else (),
    )


def _cautions(kind: str | None) -> tuple[Caution, ...]:
    """The usual cautions as they fit the machine, then its own."""
    own = (Caution(one.title, one.short, one.text, one.source) for one in machine_cautions(kind))
    return (*cautions(kind), *own)


def _as_it_goes(record: JobRecord, pair: BeforeAfter) -> Run | None:
    """The run that shows the machine as it goes: that after the work, or a newer one where no work was done since; else
    the last made, of a job with work of those during it that are no older than that."""
    if pair.newer is not None:
        return None if before_the_last_work(record, pair.newer) else pair.newer.run
    if pair.after is not None:
        return pair.after.run
    during = [each for each in record.of_stage("during") if not before_the_last_work(record, each)]
    left = newest(during if record.work else [*record.of_stage("before"), *during])
    return left.run if left else None


def _again(record: JobRecord) -> tuple[str, ...]:
    """Asked where nothing was recorded since the last entry of work."""
    early = recorded_too_early(record)
    return (f"{begun_large(early)}: record it again after the work? {NOT_SO}",) if early else ()


def money(cents: int, currency: str) -> str:
    """Cents as an amount with two decimals and its currency."""
    return wording.money(cents, currency, words.GAP, "\u2212")


def duration(minutes: int) -> str:
    """Minutes as '45 min', '2 h', '1 h 20 min'."""
    hours, rest = divmod(minutes, 60)
    parts = ([f"{hours}{words.GAP}h"] if hours else []) + ([f"{rest}{words.GAP}min"] if rest or not hours else [])
    return " ".join(parts)


def _about(record: JobRecord) -> str:
    machine, job = record.machine, record.job
    parts = [machine.kind or "", f"serial {machine.serial}" if machine.serial else ""]
    parts.append(f"taken in {job.opened.local_date}")
    if job.handback and job.state == "handed_back":
        parts.append(f"handed back {job.handback.at.local_date}")
    return ", ".join(part for part in parts if part)


# ---------------------------------------------------------------- measures and what to watch


def _measures(comparison: Comparison | None, full: bool) -> tuple[Difference, ...]:
    """All for the bench; for the owner those with a verdict, the finer ones only where they changed."""
    if comparison is None:
        return ()
    found = told_first(comparison)
    if full:
        return tuple(found)
    told = [one for one in found if one.verdict != "cannot_tell"]
    return tuple(one for one in told if one.verdict != "same" or one.code not in FINE)


def _left_open(comparison: Comparison | None) -> str:
    """What was to be watched before and is not shown to be gone, as a sentence; faults stand in the answer itself."""
    if comparison is None:
        return ""
    return said_open(tuple(code for code in comparison.left_open if code not in comparison.before.faults))


def _limits(run: Run) -> tuple[LimitRow, ...]:
    """The measures of the run after the work that have a limit, then what has one without being a measure, as on the
    run's page."""
    if not run.quality.usable:
        return ()
    rows, found = [], facts(run)
    for fact in found:
        finding = limit_of(run, fact)
        if finding is not None and finding.limit is not None:
            value, limit = (fact.value, judged(run, fact, finding)), limit_words(run, finding)
            rows.append(LimitRow(fact.label, *value, limit, finding.verdict, finding.source or "not said", fact.known))
    for own in beside(run, found):
        said, source = words.measured(own) or words.CANNOT_TELL, own.source or "not said"
        rows.append(
            LimitRow(row_name(own), said, "", limit_words(run, own), own.verdict, source, own.value is not None)
        )
    return tuple(rows)


def _watch(written: str, after: Run | None, stands: Sequence[Danger], full: bool) -> tuple[str, ...]:
    """What the mechanic wrote, then what the recording of it as it goes (after) still shows; plainly where not for the
    bench.

    What can hurt stands before both, also what was heard before or during the work and no recording since has shown to
    be gone.
    """
    first = [each.said(full) for each in stands if each.stored.stage == "after"]
    for stage in ("before", "during"):
        left = [each.said(full) for each in stands if each.stored.stage == stage]
        first += [f"{STILL_OPEN.format(stage)}{' '.join(left)}"] if left else []
    said = (*first, *words.lines_of(written))
    if after is None:
        return said
    amiss = [one for one in _amiss(after) if not is_danger(after, one) and (full or not said_by_another(after, one))]
    return (*said, *(_own(after, one, full) for one in amiss))


def _amiss(run: Run) -> list[Finding]:
    """What a recording that counts shows to be amiss, the worst first, and whether the highest speed, where that was
    held against its limit, keeps it or not was not told."""
    found = words.ranked(run.measures.findings) if counts(run) else []
    return [finding for finding in found if finding.verdict in ("fault", "watch") or is_in_doubt(finding)]


def _own(run: Run, finding: Finding, full: bool) -> str:
    own = f"{words.title(finding.code, finding.of)}: {words.sentence(finding.text)}"
    return own if full else for_owner(run, finding)


# ---------------------------------------------------------------- what was written down


def _seen(record: JobRecord, full: bool) -> tuple[tuple[str, str], ...]:
    """What was seen at take-in, and notes: all for the bench, for the owner only those marked as for the owner."""
    seen = record.job.seen
    named = (("Oil", seen.oil_level), ("Fuel", seen.fuel_state), ("Smell", seen.smell), ("Damage", seen.damage))
    notes = tuple(each.text.strip() for each in record.job.notes) if full else record.job.notes_for_owner
    note = ((NOTES[min(len(notes), 2) - 1], "\n".join(notes)),) if notes else ()
    return tuple((name, text) for name, text in named if text.strip()) + note


def _checks(record: JobRecord, full: bool) -> tuple[CheckRow, ...]:
    """All for the bench; for the owner those that failed, and whether the same check, made again, passed; no trials,
    whose failing is no fault."""
    if full:
        return tuple(_check(one, full) for one in record.checks)
    newest = {one.step: one.result for one in record.checks}
    rows = [(one, _check(one, full)) for one in record.checks if one.result == "fail" and not is_trial(one.step)]
    return tuple(
        replace(row, result="mended", detail=f"{row.detail}; {MENDED}".removeprefix("; "))
        if newest[one.step] == "pass"
        else row
        for one, row in rows
    )


def _check(check: BenchCheck, full: bool) -> CheckRow:
    reading = "" if check.reading is None else f"{as_told(check.reading)}{words.GAP}{check.unit}".strip()
    photo = f"photo {check.photo_name}" if check.photo_sha256 and full else ""
    detail = "; ".join(part for part in (reading, check.note.strip(), photo) if part)
    result = result_words(check.step, check.result) if is_trial(check.step) else check.result  # which is no fault
    return CheckRow(check_title(check.step), result, detail)


def _suggestion(record: JobRecord) -> str:
    if not record.checks or record.job.state == "handed_back":
        return ""
    return suggestion(record).text


def _work(entry: WorkEntry, currency: str) -> WorkRow:
    return WorkRow(
        KINDS.get(entry.kind, entry.kind),
        entry.text,
        "" if entry.quantity == 1 else as_told(entry.quantity),
        money(entry.cost_cents, currency) if entry.cost_cents else "",
        duration(entry.minutes) if entry.minutes else "",
    )


def _totals(record: JobRecord, full: bool) -> tuple[tuple[str, str], ...]:
    currency = record.machine.currency
    rows = [("Cost", money(record.cost_cents, currency))] if record.cost_cents else []
    rows += [("Time", duration(record.minutes))] if record.minutes else []
    left = record.left_cents
    if left is not None and (record.cost_cents or full):
        limit = money(record.machine.cost_limit_cents or 0, currency)
        state = f"{money(left, currency)} left" if left >= 0 else f"{money(-left, currency)} past it"
        rows.append(("Limit", f"{limit}; {state}"))
    return tuple(rows)


def _facts(record: JobRecord, pair: BeforeAfter) -> tuple[tuple[str, str], ...]:
    """For the bench: the engine, and where the recordings and figures come from."""
    rows = [("Engine", words.engine_words(record.machine.engine))]
    for name, one in (("Before", pair.before), ("After", pair.after)):
        if one is not None and one.run is not None:
            told = f"; {', '.join(one.conditions)}" if one.conditions else ""
            when = words.recorded(one.run)
            made = f"recorded {when} by its file; " if when else ""
            text = (
                f"{one.recording_name or one.run.clip.name}, {made}run {one.id}, entered for {one.at.local_date}{told}"
            )
            engine = _analysed_as(one.run.engine, record.machine.engine)
            rows.append((name, f"{text}; analysed by enginelog {one.run.program_version}{engine}"))
            rows.append((f"{name}: hash", f"SHA-256 {one.run.clip.sha256}"))
    return tuple(rows)


def _analysed_as(then: Engine, now: Engine) -> str:
    """The engine that a recording was analysed with, where it is told otherwise now; empty else."""
    fields = joined([TOLD[name] for name in told_otherwise(then, now)])
    return f" as {words.engine_words(then)}, before it was told otherwise ({fields})" if fields else ""
