"""Handing a machine back with the page that goes along: the record as it will be, the page of it, then the entry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from enginelog.model import Handback, JobRecord, Moment
from enginelog.store import moments
from enginelog.store.front import Store

Wishes = tuple[str, str, str]  # what the owner is told, what to watch, when the next service is due


def hand_back_with(
    store: Store, number: int, wishes: Wishes, page: Callable[[JobRecord], str], at: Moment | None = None
) -> JobRecord:
    """Mark the job as handed back, with the owner's page as it stands then; the record after it.

    page: makes the owner's page (HTML) of a record; the store keeps it and knows nothing else of it.
    """
    record = store.record(number)
    at = at or store.present(record.job)
    planned = as_handed_back(record, wishes, at)
    kept = page(planned).encode("utf-8", "replace")
    store.hand_back(number, *wishes, report=kept, report_name="hand-back.html", at=at)
    return store.record(number)


def as_handed_back(record: JobRecord, wishes: Wishes, at: Moment | None = None) -> JobRecord:
    """The record as it will be once handed back."""
    drafted = as_drafted(record, wishes, at)
    return replace(drafted, job=replace(drafted.job, state="handed_back"))


def as_drafted(record: JobRecord, wishes: Wishes, at: Moment | None = None) -> JobRecord:
    """The record with what the owner is to be told, its job in the state in which it is: papers of it are a draft."""
    return replace(record, job=replace(record.job, handback=Handback(at or moments.now(), *wishes)))
