"""What each cell of the tables may hold. SQLite takes a value of any kind into any column, so that is asked here, of
what comes from outside, and before a row is read as the program reads it."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from enginelog.model import Moment
from enginelog.store import texts
from enginelog.store.files import NAME
from enginelog.store.schema import TABLES

LONGEST_TEXT = 200_000
LARGEST_NUMBER = 1 << 62  # of a row: SQLite gives no number beyond 2**63 - 1, and there must be some left
_DERIVED = "job_texts"  # all words of a job, as many as they are
_UTC = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")
_ZONE = re.compile(r"[+-](?:[01][0-9]|2[0-3]):[0-5][0-9]")


def fits(value: Any, name: str, kind: str) -> bool:
    """Whether a column of this name and kind may hold a value; whether it may be empty is in the table itself."""
    if value is None:
        return name != "sha256"  # a key, which SQLite leaves empty where nothing forbids it
    if isinstance(value, str):
        return kind == "TEXT" and _text_fits(value, name)
    if isinstance(value, bool):
        return False
    if kind == "INTEGER" and isinstance(value, int):
        return 0 < value < LARGEST_NUMBER if name == "id" else -(1 << 63) <= value < 1 << 63
    return kind == "REAL" and isinstance(value, (int, float)) and abs(value) <= 1e300


def _text_fits(text: str, name: str) -> bool:
    if "\x00" in text or text != texts.storable(text) or len(text) > LONGEST_TEXT:
        return False
    if name.endswith("_zone"):
        return bool(_ZONE.fullmatch(text))
    if name.endswith("_utc"):
        return _is_time(text)
    if name == "ending":
        return bool(NAME.fullmatch("0" * 64 + text))
    if name.endswith("sha256"):
        return bool(NAME.fullmatch(text)) and len(text) == 64
    return True


def _is_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError:
        return False
    return bool(_UTC.fullmatch(text))


def is_moment(utc: object, zone: object) -> bool:
    """Whether two columns hold a time and its zone, in which it lies within the calendar."""
    if not isinstance(utc, str) or not isinstance(zone, str) or not _is_time(utc) or not _ZONE.fullmatch(zone):
        return False
    try:
        return Moment(utc, zone).local is not None
    except (ValueError, OverflowError):
        return False


def wrong(db: sqlite3.Connection, records: bool = True) -> Iterator[str]:
    """The cells that hold what they may not, one line each, of a store of any version; records: also those of bytes."""
    for table, number in db.execute("SELECT name, seq FROM sqlite_sequence"):
        if table not in TABLES or not isinstance(number, int) or not 0 <= number < LARGEST_NUMBER:
            yield f"the next number of {_shown(table)} is {_shown(number)}"
    here = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table in (name for name in TABLES if name in here):
        columns = {row[1]: row[2] for row in db.execute(f"PRAGMA table_info({table})")}
        asked = ", ".join(f"typeof({name}) = 'blob'" if kind == "BLOB" else name for name, kind in columns.items())
        for row in db.execute(f"SELECT rowid, {asked} FROM {table}"):
            values = dict(zip(columns, row[1:], strict=True))
            if not records:
                values = {name: True if kind == "BLOB" else values[name] for name, kind in columns.items()}
            for what in _wrong_in(values, columns, table):
                yield f"row {row[0]} of {table}: {what}"


def _wrong_in(values: dict[str, Any], columns: dict[str, str], table: str) -> Iterator[str]:
    sound = True
    for name, kind in columns.items():
        value = values[name]
        if kind == "BLOB":
            good, value = bool(value), "no record"
        elif table == _DERIVED and kind == "TEXT":
            good = isinstance(value, str)
        else:
            good = fits(value, name, kind)
        if not good:
            sound = False
            yield f"{name} is {_shown(value)}"
    if sound:
        yield from _wrong_times(values)


def _wrong_times(values: dict[str, Any]) -> Iterator[str]:
    """Times whose zone is missing, or that lie beyond the calendar in it."""
    for name in (each for each in values if each.endswith("_utc")):
        utc, zone = values[name], values[name.removesuffix("utc") + "zone"]
        if not (utc is None and zone is None) and not is_moment(utc, zone):
            yield f"{name} is {_shown(utc)} in the zone {_shown(zone)}"


def _shown(value: object) -> str:
    """A value for a message, not all of a long one."""
    return repr(value)[:60]
