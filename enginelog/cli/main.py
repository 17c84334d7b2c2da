"""The `enginelog` command: its group, and the one place where an error becomes a line and an exit status."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from enginelog import __version__, model
from enginelog.cli import console, job_commands, overview
from enginelog.cli.advise import advise
from enginelog.cli.bench import bench
from enginelog.cli.check import check
from enginelog.cli.compare import compare
from enginelog.cli.explain import explain
from enginelog.cli.formats import formats
from enginelog.cli.guide import guide
from enginelog.cli.hand_back import hand_back
from enginelog.cli.listen import listen

STATUS_INTERNAL = 1
STATUS_USAGE = 2
STATUS_UNREADABLE = 4
STATUS_STOPPED = 130
STATUS_READER_GONE = 141


class _Commands(click.Group):
    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        overview.write_commands(formatter, self.commands)

    def make_context(self, *arguments: Any, **named: Any) -> click.Context:
        with console.helping():
            return super().make_context(*arguments, **named)

    def invoke(self, ctx: click.Context) -> Any:
        with console.stopping(), console.helping():
            return super().invoke(ctx)


@click.group(cls=_Commands, context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 100})
@click.version_option(__version__, "--version", message="%(prog)s %(version)s")
def commands() -> None:
    """Turns a phone recording of a small engine into evidence of how it runs."""


commands.add_command(check)
commands.add_command(compare)
commands.add_command(guide)
commands.add_command(advise)
commands.add_command(explain)
commands.add_command(formats)
for each in job_commands.COMMANDS:
    commands.add_command(each)
commands.add_command(hand_back)
commands.add_command(bench)
commands.add_command(listen)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    argv: the arguments after the program's name; None takes those of the process.
    Every error ends as one line on standard error; ENGINELOG_DEBUG=1 adds the full trace.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    try:
        # args=None lets click expand wildcards on Windows, where the shell does not.
        status = commands.main(args=None if argv is None else arguments, prog_name="enginelog", standalone_mode=False)
    except Exception as error:  # the last line of defence: whatever happens, a line and a status
        if os.environ.get("ENGINELOG_DEBUG") == "1":
            traceback.print_exc()
        return _explain(error, arguments)
    return status if isinstance(status, int) else 0


def _explain(error: Exception, arguments: Sequence[str]) -> int:
    """Say what went wrong, on standard error, and return the exit status that belongs to it."""
    match error:
        case console.ReaderGone():
            console.silence_output()
            return STATUS_READER_GONE
        case console.Stopped() | click.Abort():
            console.error(f"stopped; {error or console.STOPPED}")
            return STATUS_STOPPED
        case click.UsageError():
            console.error(*_usage_lines(error, arguments))
            return STATUS_USAGE
        case model.UsageError():
            console.error(str(error))
            return STATUS_USAGE
        case model.UnreadableError():
            console.error(str(error))
            return STATUS_UNREADABLE
        case model.EnginelogError():
            console.error(str(error))
            return STATUS_INTERNAL
    console.error(_internal_line(error))
    return STATUS_INTERNAL


def _usage_lines(error: click.UsageError, arguments: Sequence[str]) -> list[str]:
    """The message of a wrong call: one line, or the help text where the command was called without anything."""
    message = error.format_message()
    if isinstance(error, click.MissingParameter):  # whose choices come a line each
        message = " ".join(message.split())
    if "\n" in message:
        return message.splitlines()
    command = error.ctx.command_path if error.ctx else "enginelog"
    dashed = [name for name in arguments if len(name) > 1 and name.startswith("-") and os.path.exists(name)]
    if isinstance(error, click.NoSuchOption) and dashed:
        return [f"a file name that begins with a dash goes after -- or as ./{dashed[0]}"]
    return [f"{message.rstrip('.')} (see {command} --help)"]


def _internal_line(error: Exception) -> str:
    """One line from which a fault of the program can be traced: kind, message, place, version."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return (
        f"fault in enginelog {__version__}: {type(error).__name__}: {error}{place}. "
        "Please report this line; ENGINELOG_DEBUG=1 shows the full trace"
    )
