"""Checks that failed and have not passed since: what is not put right, as far as is written down, when a machine goes
back.
"""

from __future__ import annotations

from enginelog.limits.trade import knowledge
from enginelog.model import BenchCheck, JobRecord
from enginelog.model.wording import joined


def open_checks(record: JobRecord) -> tuple[BenchCheck, ...]:
    """The newest of each check that failed and has not passed since, in order of time; a skip says nothing."""
    newest = {check.step: check for check in record.checks if check.result != "not_checked"}
    return tuple(check for check in newest.values() if check.result == "fail")


def hurts(check: BenchCheck) -> bool:
    """Whether whoever uses the machine while this check fails can be hurt."""
    known = knowledge.load().checks
    return any(each.hurts for each in known.values() if check.step in (each.name, each.bench))


def unsafe_titles(record: JobRecord, titles: dict[str, str]) -> str:
    """What failed that can hurt and has not passed since, in a row; empty where nothing has."""
    found = dict.fromkeys(_title(check, titles) for check in open_checks(record) if hurts(check))
    return joined(list(found))


def asked_first(record: JobRecord, titles: dict[str, str]) -> tuple[str, ...]:
    """A line for whoever hands back: which checks failed and have not passed since. None once all have."""
    found = list(dict.fromkeys(_title(check, titles) for check in open_checks(record)))
    if not found:
        return ()
    many = len(found) > 1
    return (
        f"{joined(found)} failed, and {'have' if many else 'has'} not passed since: put right? Then check again and "
        "tick as passed; else tell the owner.",
    )


def _title(check: BenchCheck, titles: dict[str, str]) -> str:
    title = titles.get(check.step, check.step.replace("_", " "))
    return f"{title[:1].lower()}{title[1:]}"
