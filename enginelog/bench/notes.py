"""A job's notes one by one, each with a mark that tells whether it is still the same when its form comes back."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from enginelog.model import FOR_OWNER, Job


@dataclass(frozen=True)
class Note:
    """One line of the notes: its place among the lines, what it says, whether the owner reads it."""

    place: int
    text: str
    for_owner: bool
    mark: str


def notes_of(job: Job) -> tuple[Note, ...]:
    """The notes of a job, empty lines left out."""
    lines = enumerate(job.note.splitlines())
    return tuple(Note(place, line, line.startswith(FOR_OWNER), _mark(line)) for place, line in lines if line.strip())


def _mark(line: str) -> str:
    return hashlib.sha256(line.encode("utf-8", "replace")).hexdigest()[:16]
