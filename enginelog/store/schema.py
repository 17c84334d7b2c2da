"""The tables, as numbered migrations. Append only: what has been released is never changed, a new step is added.

Money is INTEGER cents. A time is two columns, `<name>_utc` (ISO 8601, Z) and `<name>_zone` (offset of the writer's
clock). Numbers of rows are AUTOINCREMENT: the number on a paper tag never comes to mean another job. Large records lie
in a table of their own (`records`), so that lists do not read them.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from sqlite3 import Connection

APPLICATION_ID = 0x456E4C67  # "EnLg": tells a store from other SQLite files

Migration = tuple[str | Callable[[Connection], None], ...]

_TABLES: Migration = (
    """CREATE TABLE files (
        sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
        ending TEXT NOT NULL,
        bytes INTEGER NOT NULL CHECK (bytes >= 0),
        added_utc TEXT NOT NULL, added_zone TEXT NOT NULL)""",
    """CREATE TABLE machines (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        label TEXT NOT NULL CHECK (label <> ''),
        label_key TEXT NOT NULL UNIQUE,
        kind TEXT,
        strokes INTEGER NOT NULL CHECK (strokes IN (2, 4)),
        cylinders INTEGER NOT NULL CHECK (cylinders > 0),
        firing_angles_deg TEXT NOT NULL,
        rated_rpm REAL, idle_rpm REAL, blade_length_mm REAL, alternator_poles INTEGER,
        assumed TEXT NOT NULL,
        serial TEXT NOT NULL,
        cost_limit_cents INTEGER CHECK (cost_limit_cents >= 0),
        currency TEXT NOT NULL,
        note TEXT NOT NULL,
        added_utc TEXT NOT NULL, added_zone TEXT NOT NULL,
        dropped_utc TEXT, dropped_zone TEXT)""",
    """CREATE TABLE jobs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        machine_id INTEGER NOT NULL REFERENCES machines (id),
        opened_utc TEXT NOT NULL, opened_zone TEXT NOT NULL,
        complaint TEXT NOT NULL,
        oil_level TEXT NOT NULL, fuel_state TEXT NOT NULL, smell TEXT NOT NULL, damage TEXT NOT NULL,
        note TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('open', 'waiting', 'done', 'handed_back')),
        waiting_for TEXT NOT NULL,
        since_utc TEXT NOT NULL, since_zone TEXT NOT NULL,
        closed_utc TEXT, closed_zone TEXT,
        dropped_utc TEXT, dropped_zone TEXT)""",
    """CREATE TABLE handbacks (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job_id INTEGER NOT NULL REFERENCES jobs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        told_owner TEXT NOT NULL, watch TEXT NOT NULL, next_service TEXT NOT NULL,
        report_sha256 TEXT REFERENCES files (sha256))""",
    """CREATE TABLE events (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job_id INTEGER NOT NULL REFERENCES jobs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        what TEXT NOT NULL,
        detail TEXT NOT NULL)""",
    """CREATE TABLE checks (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job_id INTEGER NOT NULL REFERENCES jobs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        step TEXT NOT NULL,
        result TEXT NOT NULL CHECK (result IN ('pass', 'fail', 'not_checked')),
        note TEXT NOT NULL,
        reading REAL, unit TEXT NOT NULL,
        photo_sha256 TEXT REFERENCES files (sha256), photo_name TEXT NOT NULL,
        dropped_utc TEXT, dropped_zone TEXT)""",
    """CREATE TABLE work (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job_id INTEGER NOT NULL REFERENCES jobs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('part', 'fluid', 'labour')),
        text TEXT NOT NULL,
        cost_cents INTEGER NOT NULL CHECK (cost_cents >= 0),
        minutes INTEGER NOT NULL CHECK (minutes >= 0),
        quantity REAL NOT NULL CHECK (quantity > 0),
        dropped_utc TEXT, dropped_zone TEXT)""",
    """CREATE TABLE runs (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        job_id INTEGER NOT NULL REFERENCES jobs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        stage TEXT NOT NULL CHECK (stage IN ('before', 'during', 'after')),
        conditions TEXT NOT NULL,
        note TEXT NOT NULL,
        recording_name TEXT NOT NULL,
        recording_sha256 TEXT NOT NULL,
        recording_kept INTEGER NOT NULL CHECK (recording_kept IN (0, 1)),
        dropped_utc TEXT, dropped_zone TEXT)""",
    """CREATE TABLE analyses (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        run_id INTEGER NOT NULL REFERENCES runs (id),
        at_utc TEXT NOT NULL, at_zone TEXT NOT NULL,
        program_version TEXT NOT NULL,
        figures TEXT NOT NULL)""",
    """CREATE TABLE records (
        analysis_id INTEGER PRIMARY KEY REFERENCES analyses (id),
        data BLOB NOT NULL)""",
)

# One row a job with all its words, case folded, so that a search reads one small table.
_SEARCH: Migration = (
    "CREATE TABLE job_texts (job_id INTEGER PRIMARY KEY REFERENCES jobs (id), text TEXT NOT NULL)",
    lambda db: _fill_texts(db),
)

_INDEXES: Migration = (
    "CREATE INDEX jobs_by_machine ON jobs (machine_id, opened_utc)",
    "CREATE INDEX jobs_by_state ON jobs (state, since_utc)",
    "CREATE INDEX jobs_by_time ON jobs (opened_utc)",
    "CREATE INDEX handbacks_by_job ON handbacks (job_id)",
    "CREATE INDEX events_by_job ON events (job_id)",
    "CREATE INDEX checks_by_job ON checks (job_id)",
    "CREATE INDEX work_by_job ON work (job_id)",
    "CREATE INDEX runs_by_job ON runs (job_id)",
    "CREATE INDEX runs_by_recording ON runs (recording_sha256)",
    "CREATE INDEX analyses_by_run ON analyses (run_id)",
)

# Which job record this is, by chance: job 1 of another one is another machine.
_IDENTITY: Migration = (
    "CREATE TABLE identity (id TEXT PRIMARY KEY)",
    lambda db: _be_new(db),
)

MIGRATIONS: tuple[Migration, ...] = (_TABLES, _SEARCH, _INDEXES, _IDENTITY)
VERSION = len(MIGRATIONS)
READABLE_FROM = 3  # what came later, reading can do without: a store in a place that cannot be written stays as it is
WITH_IDENTITY = 4

# Every table, in an order in which each refers only to those before it.
TABLES = (
    *("files", "machines", "jobs", "handbacks", "events", "checks", "work", "runs", "analyses", "records"),
    *("job_texts", "identity"),
)


def _be_new(db: Connection) -> None:
    db.execute("INSERT INTO identity VALUES (?)", (new_identity(),))


def new_identity() -> str:
    """Sixteen hexadecimal digits that no other job record has."""
    return secrets.token_hex(8)


def _fill_texts(db: Connection) -> None:
    from enginelog.store.texts import refresh

    for (job_id,) in db.execute("SELECT id FROM jobs").fetchall():
        refresh(db, job_id)
