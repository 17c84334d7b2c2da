"""Moments as texts from outside say them: the clock of a phone in a file, that of the computer in a record."""

from __future__ import annotations

from datetime import UTC, datetime


def in_utc(stamp: str | None) -> datetime | None:
    """An ISO 8601 time with zone, in UTC. None where there is none, where it names no zone or is no time, and where
    UTC has no year for it."""
    try:
        at = datetime.fromisoformat(stamp or "")
        return at.astimezone(UTC) if at.tzinfo else None
    except (ValueError, OverflowError):
        return None
