"""`enginelog machine` shows a machine and changes what is known of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from enginelog import model
from enginelog.cli import console, job_text, told_anew
from enginelog.cli.engine_options import AS_OPTIONS, engine_options, hints
from enginelog.cli.store_options import (
    STATUS_DONE,
    machine_options,
    opened,
    show_plain,
    store_options,
    told_of_machine,
)
from enginelog.model.wording import money


@click.command()
@click.argument("label")
@engine_options
@machine_options
@store_options
def machine(
    label: str,
    serial: str | None,
    cost_limit: int | None,
    currency: str | None,
    place: Path | None,
    as_json: bool,
    **told: Any,
) -> int:
    """Show what is known of the machine called LABEL; what is told with it is changed.

    Recordings analysed before stay as they are: 'enginelog reanalyse' reads them again with the new layout. What was
    handed back stays as it was judged, since another engine may have been fitted, unless it is named there.
    """
    from enginelog.store import engine_fields, words

    given = told_of_machine(serial, cost_limit, currency)
    changes = bool(given) or any(value is not None for value in told.values())
    with opened(place) as store:
        with store.transaction():
            known = store.machine(label)
            now = store.remember(label, **engine_fields(known, told, AS_OPTIONS), **given) if changes else known
        visits = store.history(now.id).visits
        stale = told_anew.at_hand(store, now, visits) if now.engine != known.engine else []
        other = words.relabelled(known, now, sum(visit.cost_cents for visit in visits))
        other += told_anew.change_notes(store, known, now, visits)
    if changes:
        console.notes([*hints(now.engine), *other])
    if as_json:
        show_plain(now)
        return STATUS_DONE
    console.show("\n".join(_lines(now, stale)))
    return STATUS_DONE


def _lines(machine: model.Machine, stale: list[str]) -> list[str]:
    from enginelog.store import words

    limit = machine.cost_limit_cents
    lines = [f"{job_text.shown(machine.label)}"] + job_text.field("Machine", words.machine_facts(machine))
    lines += job_text.field("Cost limit", "" if limit is None else money(limit, machine.currency))
    return lines + told_anew.to_do(stale)
