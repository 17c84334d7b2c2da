"""`enginelog take-in` opens a job; `enginelog machines` lists the machines remembered."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from enginelog import model
from enginelog.cli import console, job_text, told_anew
from enginelog.cli.engine_options import AS_OPTIONS, engine_options, hints
from enginelog.cli.store_options import (
    STATUS_DONE,
    at_option,
    machine_options,
    opened,
    show_plain,
    store_options,
    told_of_machine,
)
from enginelog.cli.tables import show_table
from enginelog.model.wording import counted


@click.command("take-in")
@click.argument("label")
@engine_options
@click.option("--complaint", default="", metavar="TEXT", help="What the owner says is wrong.")
@click.option("--oil", default="", metavar="TEXT", help="Oil level as seen.")
@click.option("--fuel", default="", metavar="TEXT", help="State of the fuel as seen.")
@click.option("--smell", default="", metavar="TEXT", help="What it smells of.")
@click.option("--damage", default="", metavar="TEXT", help="Damage as seen.")
@click.option("--note", default="", metavar="TEXT", help="Anything else; for the bench, not for the owner.")
@machine_options
@at_option
@store_options
def take_in(
    label: str,
    complaint: str,
    oil: str,
    fuel: str,
    smell: str,
    damage: str,
    note: str,
    serial: str | None,
    cost_limit: int | None,
    currency: str | None,
    at: model.Moment | None,
    place: Path | None,
    as_json: bool,
    **told: Any,
) -> int:
    """Open a job for the machine called LABEL.

    A machine is remembered by its label: next time its layout need not be told again, and what is told anew changes it.
    """
    from enginelog import report
    from enginelog.store import engine_fields, words

    about = told_of_machine(serial, cost_limit, currency)
    with opened(place) as store:
        with store.transaction():
            known = store.known_machine(label)
            fields = engine_fields(known, told, AS_OPTIONS) | about
            machine = store.remember(label, **fields)
            earlier = store.history(label).visits if known else ()
            seen = model.TakeIn(oil_level=oil, fuel_state=fuel, smell=smell, damage=damage)
            job = store.take_in(machine, complaint, seen, note, at)
            record = store.record(job.id)
        before = known or machine
        changed = told_anew.change_notes(store, before, machine, earlier)
        stale = told_anew.at_hand(store, machine, earlier) if changed else []
    advice = report.suggestion(record)
    other = words.relabelled(before, machine, sum(visit.cost_cents for visit in earlier)) + changed
    console.notes([*hints(machine.engine), *other])
    if as_json:
        show_plain(record)
        return STATUS_DONE
    console.show("\n".join(job_text.job_lines(record, advice)))
    if earlier:
        console.show("\n".join(told_anew.to_do(stale) + [_earlier_line(machine, job, [each.job for each in earlier])]))
    return STATUS_DONE


def _earlier_line(machine: model.Machine, new: model.Job, jobs: list[model.Job]) -> str:
    """How many jobs there were, and which of them are not handed back yet: a second one is mostly a slip."""
    from enginelog.store import words

    label = shlex.quote(job_text.shown(machine.label))
    line = f"{counted(len(jobs), 'earlier job')} on this machine: enginelog history {label}"
    at_hand = words.not_handed_back(jobs)
    return f"{line}\n{at_hand} If this one is a slip: enginelog drop job {new.id}" if at_hand else line


@click.command()
@click.argument("text", nargs=-1)
@click.option("--dropped", is_flag=True, help="List the dropped ones instead.")
@store_options
def machines(text: tuple[str, ...], dropped: bool, place: Path | None, as_json: bool) -> int:
    """List the machines remembered; with TEXT, those whose label, kind, serial or note holds its words."""
    from enginelog.store import words

    with opened(place) as store:
        found = store.machines(" ".join(text), dropped)
    if as_json:
        show_plain(found)
        return STATUS_DONE
    rows = [(each.id, each.label, words.machine_facts(each)) for each in found]
    show_table(("no.", "label", "machine"), rows, "No machines." if not text else "No machine fits.")
    return STATUS_DONE


@click.command()
@click.argument("label")
@click.argument("new_label", metavar="NEW")
@store_options
def rename(label: str, new_label: str, place: Path | None, as_json: bool) -> int:
    """Give the machine called LABEL the label NEW; its jobs go with it."""
    with opened(place) as store:
        changed = store.change_machine(replace(store.machine(label), label=new_label))
    if as_json:
        show_plain(changed)
    else:
        console.show(f"Machine {changed.id}: {job_text.shown(changed.label)}.")
    return STATUS_DONE
