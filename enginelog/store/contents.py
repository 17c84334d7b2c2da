"""All that a store holds, row by row, for exports and backups."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any

from enginelog.model import BenchCheck, WorkEntry
from enginelog.store.base import one_of
from enginelog.store.entries import check_from, work_from
from enginelog.store.errors import explained
from enginelog.store.finding import Finding
from enginelog.store.schema import TABLES


class Contents(Finding):
    """Reading everything."""

    def all_checks(self) -> Iterator[BenchCheck]:
        """Every check that counts, in order of number."""
        yield from map(check_from, self._rows("SELECT * FROM checks WHERE dropped_utc IS NULL ORDER BY id"))

    def all_work(self) -> Iterator[WorkEntry]:
        """Every work entry that counts, in order of number."""
        yield from map(work_from, self._rows("SELECT * FROM work WHERE dropped_utc IS NULL ORDER BY id"))

    def all_rows(self, table: str) -> Iterator[dict[str, Any]]:
        """Every row of a table, dropped ones too, in order of its key; read one after the other."""
        name = one_of(table, TABLES, "table")
        with explained(self.path, self.files.folder):
            for row in self._db.execute(f"SELECT * FROM {name} ORDER BY 1"):
                yield dict(row)

    def copy_into(self, target: sqlite3.Connection) -> None:
        """Copy the whole database, as it is at one moment, into another; other programs may go on writing."""
        with explained(self.path, self.files.folder):
            self._db.backup(target)

    def count(self, table: str) -> int:
        """How many rows a table has, dropped ones too."""
        return int(self._rows(f"SELECT count(*) FROM {one_of(table, TABLES, 'table')}")[0][0])

    def next_numbers(self) -> dict[str, int]:
        """The highest number ever given in each table."""
        return {row["name"]: row["seq"] for row in self._rows("SELECT name, seq FROM sqlite_sequence ORDER BY name")}
