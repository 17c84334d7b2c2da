"""From the CLIP arguments to the recordings they mean, and from a recording to the folder of its report."""

from __future__ import annotations

import os
import re
import stat
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import click

from enginelog import model
from enginelog.cli import console
from enginelog.cli.formats import ENDINGS
from enginelog.model.wording import printable

STDIN = "-"
STDIN_NAME = "standard input"
DEFAULT_OUT = Path("enginelog-reports")

# Characters that Windows refuses in names, and those no file system likes.
_NOT_IN_NAMES = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]+')
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
# File systems allow 255 bytes a name; 40 characters are at most 160 bytes of UTF-8, and leave room in the path.
_LONGEST_STEM = 40

ran_option = click.option(
    "--ran",
    is_flag=True,
    help="An engine did run in it: tell of it even where the sound alone would be taken for no engine.",
)
ADD_RAN = "if an engine did run, add --ran"
TOLD_IN_VAIN = "that one ran was told, but nothing here repeats itself as firing does"


class NewPlace(click.Path):
    """Where something is to be written: a name that is not empty and not another option."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; fails where the name is empty, or begins as an option does: then its own was forgotten."""
        name = str(value)
        if not name.strip():
            self.fail("an empty name given; the name of a place to write to expected", param, ctx)
        if name.startswith("--"):
            self.fail(f"'{name}' given, a name expected; one that begins with dashes goes as ./{name}", param, ctx)
        return super().convert(value, param, ctx)


def why_nothing(run: model.Run, ran: bool) -> str:
    """Why there is nothing to analyse, and that it can be told that an engine ran, or that it was told in vain."""
    if not run.quality.usable and run.quality.problems:
        return run.quality.problems[0].text.rstrip(".")
    reason = run.timeline.reason or "no engine was heard running by itself"
    if not run.quality.usable or run.timeline.pulls:
        return reason
    return f"{reason}; {TOLD_IN_VAIN if ran else ADD_RAN}"


def not_written(what: str, folder: Path, failed: OSError) -> str:
    """Why files could not be written into a folder, and what to do. what: 'the report', 'the files'.

    A table that is open in another program locks its file on some systems.
    """
    why = failed.strerror or str(failed)
    why += " (or one of its files is open in another program)" if isinstance(failed, PermissionError) else ""
    return f"{console.safe_name(str(folder))}: {what} cannot be written: {why}; choose a folder with --out"


@dataclass(frozen=True)
class Source:
    """One recording to read: a file, or standard input where `path` is None. `name` is how it is shown, spelt
    as in its record.

    `path` stays as given: made a Path, `./-` would turn into `-`, which the library takes for standard input.
    listed: found in a folder, not named by the user, who may well mean a pipe.
    """

    path: str | None
    name: str
    listed: bool = False

    def open(self) -> str | BinaryIO:
        """What the library is given: the path, or the byte stream of standard input (UsageError at a terminal).

        UnreadableError for a pipe, a device or the like that a folder holds: reading it might never end.
        """
        if self.path is not None:
            if self.listed and not may_be_plain(self.path):
                raise model.UnreadableError(f"{self.name}: could not be read: it is no plain file (a pipe or a device)")
            return self.path
        if sys.stdin is None or sys.stdin.isatty():
            raise model.UsageError("'-' reads a recording from standard input, but none is piped in: use '< CLIP'")
        return sys.stdin.buffer


def means_several(arguments: tuple[str, ...]) -> bool:
    """True where the call asks for several recordings: more than one argument, or a folder."""
    return len(arguments) > 1 or any(name != STDIN and os.path.isdir(name) for name in arguments)


def sources(argument: str) -> list[Source]:
    """The recordings one argument means: itself, or those directly in a folder, sorted by name.

    Hidden files and sub-folders are left out. UnreadableError where a folder cannot be listed or holds none.
    """
    if argument == STDIN:
        return [Source(None, STDIN_NAME)]
    if not os.path.isdir(argument):  # Path.is_dir raises for a name that is too long, and "" would mean "."
        return [Source(argument, printable(os.path.basename(argument) or argument or "''"))]
    found = _recordings_in(Path(argument))
    if not found:
        raise model.UnreadableError(
            f"{argument}: no recordings directly in this folder; 'enginelog formats' lists the endings looked for"
        )
    return [Source(str(entry), printable(entry.name), listed=True) for entry in found]


def _recordings_in(folder: Path) -> list[Path]:
    try:
        entries = sorted(folder.iterdir())
    except OSError as failed:
        raise model.UnreadableError(f"{folder}: the folder cannot be listed: {failed.strerror}") from failed
    return [
        entry
        for entry in entries
        if entry.suffix.lower() in ENDINGS and not entry.name.startswith(".") and not entry.is_dir()
    ]


def may_be_plain(path: str) -> bool:
    """Whether a path is no pipe, no device or the like; a folder, or what cannot be asked, opening it says better."""
    try:
        mode = os.stat(path).st_mode
        return stat.S_ISREG(mode) or stat.S_ISDIR(mode)
    except (OSError, ValueError):
        return True


def report_folder(clip: model.ClipInfo, out: Path | None, several: bool) -> Path:
    """Where the report of a recording goes.

    One recording with `--out`: that folder itself. Otherwise a folder of its own, named after the recording and the
    first 8 digits of its hash, in `--out` or in `enginelog-reports`.
    """
    if out is not None and not several:
        return out
    return (DEFAULT_OUT if out is None else out) / f"{_safe_stem(clip.name)}-{clip.sha256[:8]}"


def _storable(letter: str) -> str:
    """The letter, or `_` where names of files here cannot hold it."""
    try:
        os.fsencode(letter)
    except UnicodeEncodeError:
        return "_"
    return letter


def _safe_stem(name: str) -> str:
    """The file's name without its ending, as every file system takes it; letters of any script stay where this one
    has them."""
    stem = _NOT_IN_NAMES.sub("_", "".join(map(_storable, Path(name).stem))).strip(" .-")[:_LONGEST_STEM].strip(" .")
    return f"_{stem}" if _RESERVED.fullmatch(stem) else stem or "clip"
