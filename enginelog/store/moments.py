"""The clock of the store, and dates as a user gives them."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

from enginelog.model import Moment, UsageError

EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)  # another zone's today may be our tomorrow
CLOCKS_DIFFER = timedelta(minutes=10)


def moment(when: datetime) -> Moment:
    """The moment of a time; a time without zone is taken as the computer's local time."""
    aware = when if when.tzinfo else when.astimezone()
    offset = aware.utcoffset() or timedelta()
    minutes = round(offset.total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    zone = f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    return Moment(aware.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), zone)


def now() -> Moment:
    """The present time with the computer's local zone; UsageError where that is none, as by a slip in TZ."""
    try:
        return moment(datetime.now().astimezone())
    except ValueError:
        told = os.environ.get("TZ", "")
        raise UsageError(
            f"this machine's time zone cannot be (TZ in the environment is '{told}'): less than 24 hours from UTC "
            "expected; put TZ right or leave it out"
        ) from None


def given(text: str) -> Moment:
    """A date or a time as a user writes it (ISO 8601; without zone it is local); UsageError where it cannot be one."""
    expected = "a date such as 2026-04-12 or 2026-04-12T09:20 expected, from 1990 on and no more than a day ahead"
    try:
        when = datetime.fromisoformat(text.strip())
        when = when if when.tzinfo else when.astimezone()
        in_range = EARLIEST <= when <= datetime.now(UTC) + AHEAD
    except (ValueError, OverflowError, OSError):
        in_range = False
    if not in_range:
        now()  # a time zone that cannot be lets no local time through, and says so
        raise UsageError(f"'{text}' given, {expected}")
    return moment(when)


def clock_changed(text: str) -> list[str]:
    """A line where a time without a zone does not exist by this computer's clock, or comes twice, as on the days on
    which it is put forward and back; none else. text: as `given` takes it."""
    try:
        told = datetime.fromisoformat(text.strip())
        first, second = (told.replace(fold=fold).astimezone() for fold in (0, 1))
    except (ValueError, OverflowError, OSError):
        return []
    if told.tzinfo is not None or first.utcoffset() == second.utcoffset():
        return []
    shown, meant = f"{told:%Y-%m-%d %H:%M}", moment(told.replace(fold=0))
    if first.replace(tzinfo=None) != told:  # the first reading of it is another time: it was left out
        return [
            f"{shown} does not exist by this machine's clock, which was put forward then; kept as "
            f"{meant.local:%H:%M} ({meant.zone})"
        ]
    return [
        f"{shown} comes twice by this machine's clock, which was put back then; the first is taken ({meant.zone}): for "
        f"the second, give its zone: {told:%Y-%m-%dT%H:%M}{moment(told.replace(fold=1)).zone}"
    ]


def to_come(given: Moment) -> bool:
    """Whether a moment is later than now by more than clocks differ, which `given` lets in for a day."""
    return given.local > datetime.now(UTC) + CLOCKS_DIFFER
