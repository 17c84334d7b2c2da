"""The job record as CSV tables, safe to open in a spreadsheet.

Encoding UTF-8 with a byte order mark, by which spreadsheets know it. Every text is quoted, so that no separator of
another country splits it. A text that a spreadsheet would take for a formula (beginning with = + - @, their wide forms,
tab, carriage return or line feed) gets an apostrophe in front; numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from enginelog.model import Machine, Moment, RunFigures
from enginelog.model.wording import as_told
from enginelog.store.finding import JobLine
from enginelog.store.front import Store

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_FIGURES = ("heard", "usable", "pulls", "rpm", "rpm_low", "rpm_high", "misfire_percent", "misfire_low", "misfire_high",
            "hunting_swing_percent", "seconds_to_run", "rundown_s", "worst", "or_rpm", "speed_confidence",
            "held_rpm", "pulls_low", "pulls_high")  # fmt: skip


def safe_cell(value: Any) -> Any:
    """A value as it may stand in a cell: texts that would be formulas with an apostrophe in front."""
    if isinstance(value, str) and value.lstrip(" ").startswith(FORMULA_STARTS):
        return f"'{value}"
    return value


def csv_text(rows: Iterable[dict[str, Any]], columns: tuple[str, ...]) -> str:
    """Rows as CSV (RFC 4180), a first line of names, without the byte order mark."""
    target = io.StringIO()
    writer = csv.writer(target, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([safe_cell(row[name]) for name in columns])
    return target.getvalue()


def csv_tables(store: Store) -> dict[str, str]:
    """Every table by its file name."""
    machines = {each.id: each for each in store.machines()}
    jobs = store.jobs(limit=None)
    labels = {line.job.id: line.label for line in jobs}
    makers: dict[str, tuple[tuple[str, ...], Callable[[], Iterator[dict[str, Any]]]]] = {
        "machines.csv": (_MACHINE, lambda: (_machine(each) for each in machines.values())),
        "jobs.csv": (_JOB, lambda: (_job(line) for line in reversed(jobs))),
        "checks.csv": (_CHECK, lambda: _checks(store, labels)),
        "work.csv": (_WORK, lambda: _work(store, labels, {line.job.id: line.currency for line in jobs})),
        "runs.csv": (_RUN, lambda: _runs(store, machines)),
    }
    return {name: csv_text(rows(), columns) for name, (columns, rows) in makers.items()}


_MACHINE = ("machine", "label", "kind", "strokes", "cylinders", "firing_angles_deg", "rated_rpm", "idle_rpm",
            "blade_length_mm", "alternator_poles", "serial", "cost_limit", "currency", "note", "assumed")  # fmt: skip


def _machine(each: Machine) -> dict[str, Any]:
    plain = {name: getattr(each, name) for name in _MACHINE if hasattr(each, name)}
    limit = each.cost_limit_cents
    return plain | {
        "machine": each.id,
        "firing_angles_deg": " ".join(map(as_told, each.firing_angles_deg)),
        "assumed": " ".join(each.assumed),
        "cost_limit": None if limit is None else limit / 100,
    }


_JOB = ("job", "machine", "label", "state", "opened", "complaint", "oil_level", "fuel_state", "smell", "damage",
        "note", "waiting_for", "since", "closed", "handed_back", "told_owner", "watch", "next_service", "checks",
        "runs", "cost", "currency")  # fmt: skip


def _job(line: JobLine) -> dict[str, Any]:
    job, back = line.job, line.job.handback
    seen = {name: getattr(job.seen, name) for name in ("oil_level", "fuel_state", "smell", "damage")}
    handed = {name: getattr(back, name) if back else "" for name in ("told_owner", "watch", "next_service")}
    return seen | handed | {
        "job": job.id, "machine": job.machine_id, "label": line.label, "state": job.state, "opened": _time(job.opened),
        "complaint": job.complaint, "note": "\n".join(each.text for each in job.notes),
        "waiting_for": job.waiting_for, "since": _time(job.since),
        "closed": _time(job.closed), "handed_back": _time(back.at if back else None), "checks": line.checks,
        "runs": line.runs, "cost": line.cost_cents / 100, "currency": line.currency,
    }  # fmt: skip


_CHECK = ("check", "job", "label", "at", "step", "result", "note", "reading", "unit", "photo")


def _checks(store: Store, labels: dict[int, str]) -> Iterator[dict[str, Any]]:
    for each in store.all_checks():
        if each.job_id in labels:
            plain = {name: getattr(each, name) for name in ("step", "result", "note", "reading", "unit")}
            about = {"check": each.id, "job": each.job_id, "label": labels[each.job_id], "photo": each.photo_name}
            yield plain | about | {"at": _time(each.at)}


_WORK = ("work", "job", "label", "at", "kind", "text", "quantity", "cost", "currency", "minutes")


def _work(store: Store, labels: dict[int, str], currencies: dict[int, str]) -> Iterator[dict[str, Any]]:
    for each in store.all_work():
        if each.job_id in labels:
            plain = {name: getattr(each, name) for name in ("kind", "text", "quantity", "minutes")}
            about = {"work": each.id, "job": each.job_id, "label": labels[each.job_id], "at": _time(each.at)}
            yield plain | about | {"cost": each.cost_cents / 100, "currency": currencies[each.job_id]}


_RUN = ("run", "job", "label", "at", "stage", "conditions", "note", "recording", "sha256", "kept", "program_version",
        "analyses", *_FIGURES)  # fmt: skip


def _runs(store: Store, machines: dict[int, Machine]) -> Iterator[dict[str, Any]]:
    for machine in machines.values():
        for visit in store.history(machine.id).visits:
            for each in visit.runs:
                measured = each.analysis.figures if each.analysis else RunFigures()
                figures = {name: _shown(getattr(measured, name)) for name in _FIGURES}
                yield figures | {
                    "run": each.id, "job": each.job_id, "label": machine.label, "at": _time(each.at),
                    "stage": each.stage, "conditions": ", ".join(each.conditions), "note": each.note,
                    "recording": each.recording_name, "sha256": each.recording_sha256,
                    "kept": _shown(each.recording_kept), "program_version": each.program_version,
                    "analyses": len(each.earlier) + 1,
                }  # fmt: skip


def _shown(value: Any) -> Any:
    if isinstance(value, tuple):
        return " ".join(f"{one:z.0f}" for one in value)
    if isinstance(value, float):
        return round(value, 3)  # as fine as any figure is known
    return ("yes" if value else "no") if isinstance(value, bool) else value


def _time(at: Moment | None) -> str:
    """The time as the writer's clock showed it, with its zone."""
    return "" if at is None else at.local.isoformat(sep=" ")
