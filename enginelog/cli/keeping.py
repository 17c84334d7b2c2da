"""Keeping the job record: `drop`, `purge`, `export`, `import`, `backup`, `restore`, `verify`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from enginelog import model
from enginelog.cli import console
from enginelog.cli.engine_options import Number
from enginelog.cli.store_options import STATUS_DONE, EntryNumber, opened, show_plain, store_options
from enginelog.model.wording import counted

if TYPE_CHECKING:
    from enginelog.store import Exported, Imported

STATUS_DAMAGED = 4
_NEWER = "a newer result of the run counts"
_CHANGED = "the content of this file has changed since it was kept"


@click.command()
@click.argument("kind", type=click.Choice(["job", "machine", "check", "work", "run", "note"]))
@click.argument("number", type=EntryNumber(), metavar="ID")
@click.option("--undo", is_flag=True, help="Bring it back.")
@click.option("--because", default="", metavar="TEXT", help="Why: 'wrong job'. It stays on record.")
@store_options
def drop(kind: str, number: str, undo: bool, because: str, place: Path | None, as_json: bool) -> int:
    """Mark a job, machine, check, work entry, run or note as dropped: it no longer counts, but is not deleted.

    A check, work entry, run or note is still listed by 'job', as taken back, with the time and the reason. ID is the
    number that 'job' shows it with; a note's is that of its job and its own, such as 3.2.
    """
    row, _, line = number.partition(".")
    if bool(line) != (kind == "note"):
        expected = "the number of a note such as 3.2" if kind == "note" else f"the number of a {kind} such as 12"
        raise model.UsageError(f"'{number}' given, {expected} expected")
    with opened(place) as store:
        store.drop_entry(kind, number, undo, because)
    if as_json:
        show_plain({"kind": kind, "id": number if line else int(row), "dropped": not undo})
    elif undo:
        console.show(f"{kind.capitalize()} {number}: brought back.")
    else:
        console.show(f"{kind.capitalize()} {number}: dropped; 'enginelog drop {kind} {number} --undo' brings it back.")
    return STATUS_DONE


@click.command()
@click.option(
    "--older-than",
    type=Number(0, 36_500, "days", whole=True),
    default=0,
    metavar="DAYS",
    help="Only what was dropped so many days ago or earlier.",
)
@click.option("--yes", is_flag=True, help="Do it: without this nothing is deleted.")
@store_options
def purge(older_than: int, yes: bool, place: Path | None, as_json: bool) -> int:
    """Delete for good what was dropped, and files nothing refers to any more."""
    if not yes:
        with opened(place) as store:
            loose = store.strays()
        said = (
            f"; it takes {counted(len(loose), 'file')} that no entry knows, too ('enginelog verify')" if loose else ""
        )
        raise model.UsageError(f"nothing deleted: purge cannot be undone{said}; make a backup, then give --yes")
    with opened(place) as store:
        gone = store.purge(older_than)
    if as_json:
        show_plain(gone)
        return STATUS_DONE
    counts = {"job": gone.jobs, "machine": gone.machines, "check": gone.checks, "work entry": gone.work,
              "note": gone.notes}  # fmt: skip
    named = [f"{count} x {name}" for name, count in (counts | {"run": gone.runs, "file": gone.files}).items() if count]
    console.show(
        f"Deleted: {', '.join(named)} ({gone.bytes / 1e6:z.1f} MB of files)." if named else "Nothing to delete."
    )
    return STATUS_DONE


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--no-files", is_flag=True, help="Leave recordings, photos and reports out.")
@store_options
def export_(folder: Path, no_files: bool, place: Path | None, as_json: bool) -> int:
    """Write everything into a new FOLDER: JSON without loss, CSV tables for a spreadsheet, and the files."""
    from enginelog import store as library

    with opened(place) as store:
        made = library.export_to(store, folder, with_files=not no_files)
    _name_gone(made.missing, "the export")
    for name in made.damaged:
        console.error(f"{name}: {_CHANGED}; it is in the export as it is: look in an earlier backup")
    shown = console.safe_name(str(folder))
    for line in made.unsound:
        console.error(f"{line}: written as it is")
    if made.unsound:
        without = "; no CSV tables were made" if made.without_tables else ""
        console.note(
            f"no import takes that{without}. Put it right in {shown}/record.json with a text editor (each row is a "
            f"line there, in the order of its number), then: enginelog import {shown} --store NEW"
        )
    _name_broken(made, "written")
    if as_json:
        show_plain(made)
    else:
        console.show(f"{shown}: {_all_of(made)} written.")
    return _status(made.missing, made.damaged, made.unsound, made.broken)


def _all_of(made: Exported | Imported) -> str:
    """How much was written or read: made.jobs, made.runs, made.files."""
    return f"{counted(made.jobs, 'job')}, {counted(made.runs, 'run')}, {counted(made.files, 'file')}"


def _name_broken(made: Exported | Imported, how: str) -> None:
    """Records of runs that cannot be read, which went along as they are."""
    for each in made.broken:
        console.error(f"{each.where}: {each.text}; {how} as it is")
    for each in made.older:
        console.note(f"{each.where}: {each.text.partition(';')[0]}; {how} as it is: {_NEWER}")


@click.command("import")
@click.argument("source", type=click.Path(path_type=Path))
@store_options
def import_(source: Path, place: Path | None, as_json: bool) -> int:
    """Read an exported folder, or its record.json, into an empty job record: all of it or nothing."""
    from enginelog import store as library

    with opened(place) as store:
        made = library.import_from(store, source)
    for name in made.missing:
        console.note(f"{name}: this file was not beside the document; its entries are there without it")
    for name in made.damaged:
        console.error(f"{name}: {_CHANGED}; its entries are there without it, and it stays where it lies")
    _name_broken(made, "read")
    if as_json:
        show_plain(made)
    else:
        console.show(f"{_all_of(made)} read.")
    return _status(made.damaged, made.broken)


@click.command()
@click.argument("target", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--replace", is_flag=True, help="Write over a file of this name.")
@store_options
def backup(target: Path, replace: bool, place: Path | None, as_json: bool) -> int:
    """Write the whole job record, recordings and all, into one zip FILE."""
    from enginelog import store as library

    with opened(place) as store:
        made = library.back_up(store, target, replace)
    _name_gone(made.missing, "the backup")
    for name in made.damaged:
        console.error(f"{name}: {_CHANGED}; it is in the backup as it is: look in an earlier one")
    if as_json:
        show_plain(made)
    else:
        shown = console.safe_name(str(target))
        console.show(f"{shown}: the job record and {counted(made.files, 'file')}, {made.bytes / 1e6:z.1f} MB.")
    return _status(made.missing, made.damaged)


def _name_gone(names: Sequence[str], of: str) -> None:
    for name in names:
        console.error(
            f"{name}: this file of the job record is gone or unreadable and not in {of}; look in an earlier backup"
        )


def _status(*wrong: Sequence[object]) -> int:
    """The exit status of what was done whole, but for files that are gone or damaged."""
    return STATUS_DAMAGED if any(wrong) else STATUS_DONE


@click.command()
@click.argument("source", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--replace", is_flag=True, help="Put the present job record aside and restore the backup in its place.")
@store_options
def restore(source: Path, replace: bool, place: Path | None, as_json: bool) -> int:
    """Put the job record of a backup FILE in place; one that is there is kept aside, and only with --replace."""
    from enginelog import store as library

    made = library.restore(source, place or library.default_path(), replace)
    for name in made.damaged:
        console.error(f"{name}: {_CHANGED}, before the backup was made; restored as it is: look in an earlier one")
    if as_json:
        show_plain(made)
        return _status(made.damaged)
    console.show(f"{console.safe_name(str(made.path))}: restored, with {counted(made.files, 'file')}.")
    if made.set_aside:
        console.show(f"The one before lies in {console.safe_name(str(made.set_aside))}.")
    return _status(made.damaged)


@click.command()
@store_options
def verify(place: Path | None, as_json: bool) -> int:
    """Read the whole job record and every file, and say whether anything is damaged (exit status 4) or not (0)."""
    with opened(place) as store:
        found, loose, left = store.verify(), store.strays(), store.left_of_restores()
        older = store.broken_records(counting=False)
        where = console.safe_name(str(store.path))
    if loose:
        console.note(
            f"no entry knows {counted(len(loose), 'file')} in {loose[0].parent}, such as {loose[0].name}: left over "
            "where attaching was broken off, but perhaps all there is where an older copy of the job record was put in "
            "place by hand; no backup holds it, and 'enginelog purge' deletes it"
        )
    for folder in left:
        console.note(f"{folder}: left by a restore that was killed, copies from a backup; the next restore deletes it")
    for each in older:
        console.note(f"{each.where}: {each.text.partition(';')[0]}, and stays as it is: {_NEWER}")
    if as_json:
        show_plain(found)
    elif not found:
        console.show(f"{where}: nothing wrong found.")
    for problem in found:
        console.error(f"{problem.where}: {problem.text}")
    return STATUS_DAMAGED if found else STATUS_DONE
