"""The machines of a store: remembered by their label, so that next season's job starts from the last one."""

from __future__ import annotations

import difflib
import json
import re
import sqlite3
from dataclasses import fields, replace
from typing import Any

from enginelog.model import Machine, UsageError
from enginelog.model.wording import counted
from enginelog.store import numbers, texts
from enginelog.store.base import Base, certain, moment_in, when
from enginelog.store.errors import NotInStoreError

_PLAIN = (
    *("label", "kind", "strokes", "cylinders", "rated_rpm", "idle_rpm", "blade_length_mm", "alternator_poles"),
    *("serial", "cost_limit_cents", "currency", "note"),
)
_LISTS = ("firing_angles_deg", "assumed")
CHANGEABLE = frozenset(each.name for each in fields(Machine)) - {"id", "added", "dropped", "label"}


class Machines(Base):
    """Adding, changing and finding machines."""

    def add_machine(self, machine: Machine) -> Machine:
        """Remember a machine (its `id` and `added` are given here); UsageError where its label is taken."""
        values = row_of(replace(machine, label=texts.new_label(machine.label)))
        with self.transaction() as db:
            if db.execute("SELECT 1 FROM machines WHERE label_key = ?", (values["label_key"],)).fetchone():
                raise UsageError(f"a machine '{values['label']}' is known already; choose another label")
            number = self._insert("machines", values | when("added", machine.added or self._clock()))
        return self.machine(number)

    def remember(self, label: str, **told: Any) -> Machine:
        """The machine of this label, new where it is not known, with what is told now changed.

        told: fields of `Machine`; those left out keep what is known. A dropped machine comes back.
        """
        unknown = set(told) - CHANGEABLE
        if unknown:
            raise UsageError(
                f"{', '.join(sorted(unknown))}: no field of a machine; {', '.join(sorted(CHANGEABLE))} are"
            )
        with self.transaction():
            known = self._by_label(label)
            if known is None:
                return self.add_machine(Machine(label=label, **told))
            return self.change_machine(replace(known, **told, dropped=None))

    def change_machine(self, machine: Machine) -> Machine:
        """Write down a changed machine, known by its `id`; UsageError where its new label is another machine's."""
        values = row_of(machine)
        with self.transaction() as db:
            if self._one("machines", machine.id, "machine")["label"] != values["label"]:
                texts.new_label(machine.label)
            taken = db.execute("SELECT id FROM machines WHERE label_key = ?", (values["label_key"],)).fetchone()
            if taken and taken[0] != machine.id:
                raise UsageError(f"a machine '{values['label']}' is known already; choose another label")
            self._update("machines", machine.id, values | when("dropped", machine.dropped))
            for (job_id,) in db.execute("SELECT id FROM jobs WHERE machine_id = ?", (machine.id,)).fetchall():
                self._refresh(job_id)
        return self.machine(machine.id)

    def machine(self, label_or_id: str | int) -> Machine:
        """The machine of this label or number; NotInStoreError, naming labels like it, where there is none."""
        if isinstance(label_or_id, int):
            return machine_from(self._one("machines", label_or_id, "machine"))
        found = self._by_label(label_or_id)
        if found is None:
            raise NotInStoreError(f"no machine '{label_or_id}' in {self.path}{self._alike(label_or_id)}")
        return found

    def known_machine(self, label: str) -> Machine | None:
        """The machine remembered under this label, None where there is none."""
        return self._by_label(label)

    def machines(self, text: str = "", dropped: bool = False) -> tuple[Machine, ...]:
        """The machines whose label, kind, serial or note holds every word of `text`, by label."""
        words = texts.folded(text).split()
        rows = self._rows("SELECT * FROM machines WHERE (dropped_utc IS NOT NULL) = ? ORDER BY label_key", dropped)
        found = (machine_from(row) for row in rows)
        return tuple(each for each in found if all(word in _searchable(each) for word in words))

    def _by_label(self, label: str) -> Machine | None:
        rows = self._rows("SELECT * FROM machines WHERE label_key = ?", texts.label_key(texts.checked_label(label)))
        return machine_from(rows[0]) if rows else None

    def _alike(self, label: str) -> str:
        known = {row["label_key"]: row["label"] for row in self._rows("SELECT label, label_key FROM machines")}
        near = difflib.get_close_matches(texts.label_key(label), known, n=3, cutoff=0.5)
        return (
            f"; did you mean {' or '.join(repr(known[key]) for key in near)}?" if near else "; see 'enginelog machines'"
        )


def machine_from(row: sqlite3.Row) -> Machine:
    """The machine of a row."""
    lists: dict[str, Any] = {
        "firing_angles_deg": texts.listed(row["firing_angles_deg"], float, f"the firing angles of machine {row['id']}"),
        "assumed": texts.listed(row["assumed"], str, f"what was assumed of machine {row['id']}"),
    }
    plain = {name: row[name] for name in _PLAIN}
    return Machine(**plain, **lists, id=row["id"], added=certain(row, "added"), dropped=moment_in(row, "dropped"))


def _searchable(machine: Machine) -> str:
    return texts.folded("\n".join((machine.label, machine.kind or "", machine.serial, machine.note)))


def row_of(machine: Machine) -> dict[str, Any]:
    """The row of a machine, without number and times; UsageError where a field cannot be."""
    label = texts.checked_label(machine.label)
    limit = machine.cost_limit_cents
    return {
        "label": label,
        "label_key": texts.label_key(label),
        "kind": None if machine.kind is None else texts.checked(machine.kind, "kind", texts.LONGEST_LINE),
        **_engine_row(machine),
        "serial": texts.checked(machine.serial, "serial number", texts.LONGEST_LINE),
        "cost_limit_cents": None if limit is None else numbers.cents(limit),
        "currency": _currency(machine.currency),
        "note": texts.checked(machine.note, "note"),
    }


def _engine_row(machine: Machine) -> dict[str, Any]:
    if machine.strokes not in (2, 4):
        raise UsageError(f"strokes: {machine.strokes!r} given, 2 or 4 expected")
    angles = len([numbers.reading(angle) for angle in machine.firing_angles_deg])
    if not 1 <= machine.cylinders <= 12 or angles != machine.cylinders:
        raise UsageError(
            f"cylinders: {machine.cylinders!r} given with {counted(angles, 'firing angle')};"
            " 1 to 12 with an angle each expected"
        )
    speeds = ("rated_rpm", "idle_rpm", "blade_length_mm")
    return {
        "strokes": machine.strokes,
        "cylinders": machine.cylinders,
        "alternator_poles": machine.alternator_poles,
        **{name: numbers.reading(getattr(machine, name)) for name in speeds},
        **{name: json.dumps(list(getattr(machine, name))) for name in _LISTS},
    }


def _currency(text: str) -> str:
    code = text.strip().upper()
    if not re.fullmatch("[A-Z]{3}", code):
        raise UsageError(f"currency: '{text}' given, its three letters expected, such as EUR or GBP (ISO 4217)")
    return code
