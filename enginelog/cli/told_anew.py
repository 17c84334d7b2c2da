"""A machine whose engine is told otherwise: which recordings were judged with what was told before, and what follows.

Whether it was told wrongly then or another engine was fitted, nobody but who tells it knows. So what a job at hand
holds is offered to be analysed again, and what was handed back stays as it was judged unless it is asked for by name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from enginelog import model
from enginelog.cli import job_text
from enginelog.model.telling import then_and_now, told_otherwise, told_then
from enginelog.model.wording import joined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from enginelog.store import Store, Visit


def change_notes(store: Store, before: model.Machine, now: model.Machine, visits: Sequence[Visit]) -> list[str]:
    """What is told otherwise of a machine's engine from now on, and which jobs, handed back, stay as they were judged;
    nothing where it is told as before, or no recording was judged yet. visits: the jobs of its history."""
    changed = then_and_now(before.engine, now.engine)
    recorded = [visit for visit in visits if visit.runs]
    if not changed or not recorded:
        return []
    lines = [f"{job_text.shown(now.label)} is told otherwise from now on: {'; '.join(changed)}"]
    back = [visit for visit in recorded if visit.job.state == "handed_back"]
    stay = {visit.job.id: runs for visit in back if (runs := _unlike(store, visit, now.engine))}
    if stay:
        unlike = [str(run.id) for each in stay.values() for run in each]
        named = [f"--job {number}" for number in stay]
        verb, many = ("stays", "") if len(stay) == 1 else ("stay", "s")
        lines.append(
            f"job{many} {joined(list(map(str, stay)))}, handed back, {verb} as judged with what was told then "
            f"(run{'s'[: len(unlike) > 1]} {joined(unlike)}), as is right where another engine was fitted since; "
            f"where it was told wrongly then: enginelog reanalyse {' '.join(named)}"
        )
    return lines


def at_hand(store: Store, machine: model.Machine, visits: Sequence[Visit]) -> list[str]:
    """The numbers of the runs of its jobs at hand that were analysed with the engine as it was told before. visits: the
    jobs of its history."""
    there = [visit for visit in visits if visit.job.state != "handed_back"]
    return [str(run.id) for visit in there for run in _unlike(store, visit, machine.engine)]


def to_do(runs: Sequence[str]) -> list[str]:
    """That runs at hand were analysed with what was told before, and what analyses them again; nothing for none."""
    many = len(runs) > 1
    return job_text.field(
        "To do",
        f"run{'s'[:many]} {', '.join(runs)} {'were' if many else 'was'} analysed with what was told before; "
        f"analyse again with the new layout: {job_text.again_command(runs)}"
        if runs
        else "",
    )


def judged_lines(record: model.JobRecord) -> list[str]:
    """Of a job handed back, with its runs whole: which were judged with what was told of the engine then, and how that
    was; nothing where it is told so still."""
    return job_text.field("Told then", ". ".join(told_then(record)))


def history_lines(store: Store, visit: Visit, now: model.Machine) -> list[str]:
    """As `judged_lines`, of a job in a machine's history."""
    runs = _unlike(store, visit, now.engine)
    return job_text.field("  Told then", ". ".join(told_then(model.JobRecord(visit.job, now, runs=tuple(runs)))))


def again_notes(run: model.StoredRun, now: model.Engine) -> list[str]:
    """Of a run of a job handed back, whole, asked for by name: that it was judged with another engine, and how that
    comes back; nothing where it was not."""
    changed = then_and_now(run.run.engine, now) if run.run is not None else []
    if not changed:
        return []
    return [
        f"job {run.job_id} is handed back, and run {run.id} was judged with what was told of the engine then "
        f"({'; '.join(changed)}); as it was told then: enginelog reanalyse {run.id} --as-then"
    ]


def _unlike(store: Store, visit: Visit, now: model.Engine) -> list[model.StoredRun]:
    """The runs of a job, whole, that were analysed with the engine told otherwise than it is now. One whose record is
    damaged, which 'verify' says, is left out."""
    from enginelog.store import StoreUnreadableError

    found = []
    for each in visit.runs:
        try:
            run = store.run(each.id)
        except StoreUnreadableError:
            continue
        if run.run is not None and told_otherwise(run.run.engine, now):
            found.append(run)
    return found
