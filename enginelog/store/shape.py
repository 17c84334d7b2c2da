"""The tables and indexes of a store, as its migrations make them, and nothing else.

A file from outside may bring triggers, views or tables of its own that work on entries unseen (SQLite's documentation,
"Defense Against The Dark Arts"). So what is there is compared, word for word, with what its version has.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from functools import cache

from enginelog.store.schema import MIGRATIONS, VERSION

_Things = dict[tuple[str, str], tuple[str, str]]


def strange(db: sqlite3.Connection, version: int) -> str | None:
    """What the database has that a store of this version (from 0) has not, or lacks, or has otherwise; None: nothing.

    Reads nothing but the list of what is there, so that nothing of it comes to work.
    """
    made, there = _made(version), _things(db)
    if made and not there:
        return "its tables are gone"
    for kind, name in there.keys() - made.keys():
        return f"it has the {kind[:20]} {name[:60]!r}, which enginelog does not make"
    for kind, name in made.keys() - there.keys():
        return f"its {kind} '{name}' is gone"
    for kind, name in made:
        if made[kind, name] != there[kind, name]:
            return f"its {kind} '{name}' is not as enginelog makes it"
    return None


def at_work(db: sqlite3.Connection, version: int) -> str | None:
    """What of a store must not be opened: triggers and views that are not of its version, tables that are gone; None:
    nothing.

    Less is asked than by `strange`: whoever has looked at an own store with another program, which may leave indexes
    and statistics there, is not kept out of it.
    """
    made, there = _made(version), _things(db)
    if made and not there:
        return "its tables are gone"
    for kind, name in there.keys() - made.keys():
        if kind in ("trigger", "view"):
            return f"it has the {kind} {name[:60]!r}, which enginelog does not make"
        if (kind, name) in _made(VERSION):
            return f"it has the {kind} '{name}', which its version, {version}, has not"
    gone = [name for kind, name in made.keys() - there.keys() if kind == "table"]
    return f"its table '{min(gone)}' is gone" if gone else None


def without_aids(db: sqlite3.Connection, version: int) -> None:
    """Take away the indexes and statistics that are none of this version's: they hold nothing of their own."""
    for kind, name in _things(db).keys() - _made(version).keys():
        if kind == "index" and not name.startswith("sqlite_autoindex"):
            quoted = name.replace('"', '""')
            db.execute(f'DROP INDEX IF EXISTS "{quoted}"')
        elif kind == "table" and name.startswith("sqlite_stat"):
            db.execute(f"DROP TABLE {name}")


def _things(db: sqlite3.Connection) -> _Things:
    """What there is, by kind and name: the table it belongs to, and the words it was made with."""
    rows = db.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name")
    found: _Things = {}
    for kind, name, table, made_with in rows:
        twice = "again " * ((str(kind), str(name)) in found)
        found[str(kind), f"{twice}{name}"] = str(table), " ".join(str(made_with).split())
    return found


@cache
def _made(version: int) -> _Things:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        db.row_factory = sqlite3.Row
        for migration in MIGRATIONS[:version]:
            for piece in migration:
                piece(db) if callable(piece) else db.execute(piece)
        return _things(db)
