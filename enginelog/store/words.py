"""Machines, jobs, bench checks and work in words, each on one line: for the terminal and the bench page alike.

What was written by its user stands in them as it was written: whoever shows a line makes it safe to be shown.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from enginelog import limits
from enginelog.limits.bench import units
from enginelog.limits.trade import knowledge
from enginelog.model import BenchCheck, Job, JobRecord, Machine, Moment, WorkEntry
from enginelog.model.wording import as_told, begun_small, counted, money, one_line
from enginelog.store import moments

if TYPE_CHECKING:
    from collections.abc import Iterable

    from enginelog.store.contents import TakenBack


_STATES = {"open": "open", "waiting": "waiting", "done": "done", "handed_back": "handed back"}


def state(job: Job) -> str:
    """The state of a job in words."""
    waiting = f" for {one_line(job.waiting_for)}" if job.state == "waiting" and job.waiting_for else ""
    given_up = "" if job.not_mended is None else f", {one_line(job.waiting_for)}"
    dropped = ", dropped" if job.dropped else ""
    return f"{_STATES[job.state]}{waiting}{given_up}{dropped}"


def not_handed_back(jobs: Iterable[Job]) -> str:
    """Which of these jobs are not handed back yet, so that another one of the same machine is mostly a slip; empty
    where all are."""
    at_hand = [str(job.id) for job in jobs if job.state != "handed_back"]
    return f"Not handed back yet: job {', '.join(at_hand)}." if at_hand else ""


def machine_facts(machine: Machine) -> str:
    """The layout of a machine on one line."""
    parts = [
        machine.kind or "kind not told",
        f"{'two' if machine.strokes == 2 else 'four'}-stroke{_assumed(machine, 'strokes')}",
        f"{counted(machine.cylinders, 'cylinder')}{_assumed(machine, 'cylinders')}",
    ]
    parts += [f"rated {as_told(machine.rated_rpm)} rpm"] if machine.rated_rpm else []
    parts += [f"idle {as_told(machine.idle_rpm)} rpm"] if machine.idle_rpm else []
    parts += [f"blade {as_told(machine.blade_length_mm)} mm"] if machine.blade_length_mm else []
    parts += [f"{machine.alternator_poles} poles"] if machine.alternator_poles else []
    parts += [f"serial {one_line(machine.serial)}"] if machine.serial else []
    return ", ".join(parts)


def _assumed(machine: Machine, name: str) -> str:
    return " (assumed)" if name in machine.assumed else ""


def check_title(check: BenchCheck) -> str:
    """What a check on record is called, as on paper; by the name under which it is kept where nobody knows it."""
    return begun_small(knowledge.check_titles().get(check.step, check.step.replace("_", " ")))


def check_line(check: BenchCheck) -> str:
    """One bench check: title, result, reading, note. A trial is set apart: its result is no fault."""
    reading = "" if check.reading is None else f", {as_told(check.reading)} {one_line(check.unit)}".rstrip()
    photo = f" (photo {one_line(check.photo_name)})" if check.photo_sha256 else ""
    note = f": {one_line(check.note)}" if check.note else ""
    between = ": " if knowledge.is_trial(check.step) else " "
    result = knowledge.result_words(check.step, check.result)
    return f"{check_title(check)}{between}{result}{reading}{note}{photo}"


def reading_doubts(check: BenchCheck) -> str:
    """What is odd about a check's reading, which is kept all the same; empty where nothing is."""
    found = units.doubts(check.step, check.reading, check.unit, check.result)
    return f"{'; '.join(found)}: kept as written; is it a slip?" if found else ""


def work_line(entry: WorkEntry, currency: str) -> str:
    """One entry of work: what, how much of it, cost, minutes."""
    count = f"{as_told(entry.quantity)} x " if entry.quantity != 1 else ""
    text = f"{entry.kind} {count}{one_line(entry.text)}".strip()
    cost = f", {money(entry.cost_cents, currency)}" if entry.cost_cents else ""
    return f"{text}{cost}" + (f", {entry.minutes} min" if entry.minutes else "")


def misgivings(job: Job, at: Moment) -> list[str]:
    """What is mostly a slip about an entry of this time for this job, a line each: the entry stands all the same."""
    lines = _before_take_in(job, at)
    if job.state == "handed_back":
        since = (job.since or job.opened).local_date
        lines.append(
            f"job {job.id} was handed back {since}: this is not on the page its owner has; is another "
            f"job meant? If not: enginelog reopen {job.id}, and hand it back again"
        )
    return lines


def odd_dates(job: Job, at: Moment) -> list[str]:
    """What is mostly a slip about this time itself: before the job was taken in, or still to come."""
    return _before_take_in(job, at) + still_to_come(at)


def still_to_come(at: Moment) -> list[str]:
    """A line where a time is later than now; none else."""
    return [f"{at.local:%Y-%m-%d %H:%M} is still to come by this machine's clock"] if moments.to_come(at) else []


def clock_behind(job: Job) -> list[str]:
    """A line where this machine's clock shows a time before the last change of the job; none else."""
    last = max(job.opened, job.since or job.opened, key=lambda each: each.utc)
    if not moments.to_come(last):
        return []
    shown, then = (f"{each.local:%Y-%m-%d %H:%M}" for each in (moments.now(), last))
    what = "taken in" if last.utc == job.opened.utc else f"{state(replace(job, waiting_for=''))} since"
    return [
        f"by this machine's clock it is {shown}, but job {job.id} was {what} {then}: set the clock, for what is "
        "written down until then bears a wrong time"
    ]


def _before_take_in(job: Job, at: Moment) -> list[str]:
    """A line where a time is before the day on which the job was taken in; none else."""
    if at.local_date >= job.opened.local_date:
        return []
    return [f"dated {at.local_date}, before job {job.id} was taken in ({job.opened.local_date})"]


def relabelled(before: Machine, now: Machine, cost_cents: int) -> list[str]:
    """A line that amounts on record read in another currency from now on; none where none do."""
    if before.currency == now.currency or not cost_cents:
        return []
    return [
        f"the costs of this machine's jobs, {money(cost_cents)} in all, were written down in {before.currency} and "
        f"stand in {now.currency} now: nothing is converted; if that is a slip, give --currency {before.currency}"
    ]


def taken_back_when(gone: TakenBack) -> str:
    """When an entry was taken back, and why where that was said: '2026-04-11 10:20, wrong job'."""
    why = one_line(gone.why)
    return f"{gone.at.local:%Y-%m-%d %H:%M}" + (f", {why}" if why else "")


def spent(record: JobRecord) -> str:
    """Cost and time so far, against the machine's limit."""
    currency, left = record.machine.currency, record.left_cents
    text = f"{money(record.cost_cents, currency)}, {record.minutes} min"
    if left is None:
        return text
    limit = money(record.machine.cost_limit_cents or 0, currency)
    back = record.job.state == "handed_back"
    if left < 0:
        return f"{text}; {money(-left, currency)} past the limit of {limit}{'' if back else ': ask the owner first'}"
    warned = _limit_near(record) and not back
    ask = ": ask the owner before it is passed" if warned else ""
    if left == 0 and record.cost_cents:
        return f"{text}; the limit of {limit} is reached{ask}"
    near = ", which is nearly reached" if warned else ""
    return f"{text}; {money(left, currency)} left of the limit of {limit}{near}{ask}"


def limit_warning(record: JobRecord) -> str:
    """That the costs are near the agreed limit or past it, as a sentence; empty where they are not."""
    left, currency = record.left_cents, record.machine.currency
    if left is None or not _limit_near(record):
        return ""
    limit = money(record.machine.cost_limit_cents or 0, currency)
    if left < 0:
        return f"{money(-left, currency)} past the limit of {limit}: ask the owner before anything more is done."
    said = f"{money(left, currency)} left of the limit of {limit}" if left else f"The limit of {limit} is reached"
    return f"{said}: ask the owner before it is passed."


def _limit_near(record: JobRecord) -> bool:
    """Whether the costs are near the limit or past it; never where nothing was spent."""
    most = record.machine.cost_limit_cents
    share = limits.load("job_record").value("limit_near_percent") / 100
    return most is not None and record.cost_cents > 0 and record.cost_cents >= share * most
