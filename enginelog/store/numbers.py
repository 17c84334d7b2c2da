"""Numbers as a store takes them: money in whole cents, minutes, readings."""

from __future__ import annotations

import math
import re

from enginelog.model import UsageError

MOST_CENTS = 100_000_000_00
MOST_MINUTES = 100_000
LARGEST_READING = 1e12


def whole(value: int | None, what: str, most: int, unit: str) -> int:
    """A whole number from 0 to `most`; UsageError else."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise UsageError(f"{what}: {value!r} given, a whole number from 0 to {most} {unit} expected")
    return value


def cents(value: int) -> int:
    """A cost in whole cents, not negative."""
    return whole(value, "cost", MOST_CENTS, "cents")


def minutes(value: int) -> int:
    """A time in whole minutes, not negative."""
    return whole(value, "time", MOST_MINUTES, "minutes")


def quantity(value: float) -> float:
    """A quantity above 0."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 1e6:
        raise UsageError(f"quantity: {value!r} given, a number above 0 and up to 1000000 expected")
    return float(value)


def reading(value: float | None) -> float | None:
    """A measured value: any finite number."""
    if value is None:
        return None
    bad = isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value)
    if bad or abs(value) > LARGEST_READING:
        raise UsageError(f"reading: {value!r} given, a finite number expected")
    return float(value)


def decimal(text: str) -> float:
    """A number as a user writes it (`650`, `0.15`, `6,5`, `-50`).

    UsageError where it is none, and where its mark may part thousands: '1.200' is 1200 to some and 1.2 to others.
    """
    found = re.fullmatch(r"[+-]?([0-9]{1,12})(?:[.,]([0-9]{1,12}))?", text.strip())
    if not found:
        raise UsageError(f"'{text}' given, a number such as 650 or 0.15 expected")
    before, after = found[1], found[2] or ""
    if len(after) == 3 and len(before) <= 3 and not before.startswith("0"):
        decimals = after.rstrip("0") or "0"
        raise UsageError(f"'{text}' given, which may be {before}{after} or {before}.{decimals}; write the one it is")
    return float(text.strip().replace(",", "."))


def money(text: str) -> int:
    """An amount as a user writes it (`12`, `12.5`, `12,50`) in cents; UsageError where it is none."""
    found = re.fullmatch(r"([0-9]{1,8})(?:[.,]([0-9]{1,2}))?", text.strip(), re.ASCII)
    if not found:
        raise UsageError(
            f"'{text}' given, an amount such as 12 or 12.50 expected: no sign of currency, not negative, at most two "
            "decimals"
        )
    return int(found[1]) * 100 + int((found[2] or "0").ljust(2, "0"))
