"""What is asked at the hand-back: checks that failed and have not passed since, recordings that another machine has."""

from __future__ import annotations

from collections.abc import Iterable

from enginelog.limits.trade import knowledge
from enginelog.model import BenchCheck, JobRecord
from enginelog.model.wording import begun_large, begun_small, joined


def check_title(step: str) -> str:
    """How a check is called: in the table of bench checks, else among the trade's checks, else as it was written."""
    return knowledge.check_titles().get(step, begun_large(step.replace("_", " ")))


def open_checks(record: JobRecord) -> tuple[BenchCheck, ...]:
    """The newest of each check that failed and has not passed since, in the order first made; a skip says nothing, and
    a trial's failing is no fault."""
    newest = {check.step: check for check in record.checks if check.result != "not_checked"}
    return tuple(check for check in newest.values() if check.result == "fail" and not knowledge.is_trial(check.step))


def hurts(check: BenchCheck) -> bool:
    """Whether whoever uses the machine while this check fails can be hurt."""
    known = knowledge.load().checks
    return any(each.hurts for each in known.values() if check.step in (each.name, each.bench))


def unsafe_titles(record: JobRecord) -> str:
    """What failed that can hurt and has not passed since, in a row; empty where nothing has."""
    return joined(_titles(check for check in open_checks(record) if hurts(check)))


def asked_first(record: JobRecord) -> tuple[str, ...]:
    """Lines for whoever hands back: which checks failed and have not passed since, and which recordings may be another
    machine's."""
    found = _titles(open_checks(record))
    many = len(found) > 1
    failed = (
        f"{joined(found)} failed, and {'have' if many else 'has'} not passed since: put right? Then check again and "
        "tick as passed; else tell the owner."
    )
    foreign = (
        f"Run {here} is the same recording as run {there} of {label}: of which machine is it? Take it back where it is"
        " not."
        for here, there, label in record.elsewhere
    )
    return (*([failed] if found else []), *foreign)


def _titles(checks: Iterable[BenchCheck]) -> list[str]:
    """What the checks are called within a sentence, each once."""
    return list(dict.fromkeys(begun_small(check_title(check.step)) for check in checks))
