"""`enginelog take-in` opens a job; `enginelog machines` lists the machines remembered."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from enginelog import model
from enginelog.cli import console, job_text
from enginelog.cli.engine_options import AS_OPTIONS, engine_from, engine_options, hints
from enginelog.cli.store_options import (
    STATUS_DONE,
    Money,
    at_option,
    opened,
    show_plain,
    show_table,
    store_options,
)

if TYPE_CHECKING:
    from enginelog.store import Store

_LAYOUT = ("strokes", "cylinders", "firing_angles_deg")


@click.command("take-in")
@click.argument("label")
@engine_options
@click.option("--complaint", default="", metavar="TEXT", help="What the owner says is wrong.")
@click.option("--oil", default="", metavar="TEXT", help="Oil level as seen.")
@click.option("--fuel", default="", metavar="TEXT", help="State of the fuel as seen.")
@click.option("--smell", default="", metavar="TEXT", help="What it smells of.")
@click.option("--damage", default="", metavar="TEXT", help="Damage as seen.")
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@click.option("--serial", metavar="TEXT", help="Serial number of the machine.")
@click.option("--cost-limit", type=Money(), metavar="AMOUNT", help="What a job on this machine may cost.")
@click.option("--currency", metavar="CODE", help="Three letters; EUR where nothing was said before.")
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

    about = {"serial": serial, "cost_limit_cents": cost_limit, "currency": currency}
    with opened(place) as store, store.transaction():
        known = known_machine(store, label)
        fields = engine_fields(known, told) | {name: value for name, value in about.items() if value is not None}
        machine = store.remember(label, **fields)
        earlier = store.history(label).visits if known else ()
        seen = model.TakeIn(oil_level=oil, fuel_state=fuel, smell=smell, damage=damage)
        job = store.take_in(machine, complaint, seen, note, at)
        record = store.record(job.id)
    advice = report.suggestion(record)
    for line in hints(machine.engine):
        console.note(line)
    if as_json:
        show_plain(record)
        return STATUS_DONE
    console.show("\n".join(job_text.job_lines(record, advice)))
    if earlier:
        console.show(_earlier_line(machine, job, [visit.job for visit in earlier]))
    return STATUS_DONE


def _earlier_line(machine: model.Machine, new: model.Job, jobs: list[model.Job]) -> str:
    """How many jobs there were, and which of them are not handed back yet: a second one is mostly a slip."""
    count, label = len(jobs), shlex.quote(job_text.shown(machine.label))
    line = f"{count} earlier job{'s'[: count > 1]} on this machine: enginelog history {label}"
    at_hand = [str(job.id) for job in jobs if job.state != "handed_back"]
    if not at_hand:
        return line
    return f"{line}\nNot handed back yet: job {', '.join(at_hand)}. If this one is a slip: enginelog drop job {new.id}"


@click.command()
@click.argument("text", nargs=-1)
@click.option("--dropped", is_flag=True, help="List the dropped ones instead.")
@store_options
def machines(text: tuple[str, ...], dropped: bool, place: Path | None, as_json: bool) -> int:
    """List the machines remembered; with TEXT, those whose label, kind, serial or note holds its words."""
    with opened(place) as store:
        found = store.machines(" ".join(text), dropped)
    if as_json:
        show_plain(found)
        return STATUS_DONE
    rows = [(each.id, each.label, job_text.machine_facts(each)) for each in found]
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


def known_machine(store: Store, label: str) -> model.Machine | None:
    """The machine remembered under this label, None where there is none."""
    from enginelog.store import NotInStoreError

    try:
        return store.machine(label)
    except NotInStoreError:
        return None


def engine_fields(
    known: model.Machine | None, told: dict[str, Any], named: Mapping[str, str] = AS_OPTIONS
) -> dict[str, Any]:
    """The fields of the machine that are changed: what is told, on top of what is known.

    told: the keywords of `engine_from`, None where nothing is told. named: what its errors call them.
    """
    if known is not None:
        told = {name: _before(known, told, name) if value is None else value for name, value in told.items()}
    engine = engine_from(**told, named=named)
    fields = {name: getattr(engine, name) for name in (*_LAYOUT, "rated_rpm", "idle_rpm", "blade_length_mm")}
    return fields | {
        "kind": engine.machine,
        "alternator_poles": engine.alternator_poles,
        "assumed": engine.assumed,
    }


def _before(known: model.Machine, told: dict[str, Any], name: str) -> Any:
    """What was told of the machine earlier under this option; None where it was only assumed, or no longer fits."""
    renamed = {"firing_angles": "firing_angles_deg", "machine": "kind", "poles": "alternator_poles"}
    field = renamed.get(name, name)
    # Angles belong to a number of strokes and cylinders: a new layout asks for new ones, new ones tell their number.
    new_layout = told.get("strokes") is not None or told.get("cylinders") is not None
    if field in known.assumed or (name == "firing_angles" and new_layout):
        return None
    if name == "cylinders" and told.get("firing_angles") is not None:
        return None
    value = getattr(known, field)
    return str(value) if name == "strokes" else value
