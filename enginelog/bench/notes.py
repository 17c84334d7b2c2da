"""A job's notes one by one, each with a mark that tells whether it is still the same when its form comes back."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from enginelog.model import Job


@dataclass(frozen=True)
class Note:
    """One line of the notes: its number, its place among the lines, what it says, whether the owner reads it."""

    id: str
    place: int
    text: str
    for_owner: bool
    mark: str


def notes_of(job: Job) -> tuple[Note, ...]:
    """The notes of a job that count."""
    return tuple(Note(each.id, each.number - 1, each.text, each.for_owner, mark_of(each.text)) for each in job.notes)


def mark_of(line: str) -> str:
    """What tells this text from another, in a form whose page may be older than the job record by now."""
    return hashlib.sha256(line.encode("utf-8", "replace")).hexdigest()[:16]
