"""The list of commands that `enginelog --help` shows: by what somebody wants to do, each with its whole sentence."""

from __future__ import annotations

from collections.abc import Mapping

import click

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("A recording by itself", ("check", "compare", "listen", "formats")),
    ("What to record, what it means", ("guide", "advise", "explain")),
    ("A job, in its usual order", ("take-in", "attach", "tick", "work", "note", "job", "wait", "close", "hand-back",
                                   "reopen")),
    ("Machines and earlier jobs", ("jobs", "machines", "machine", "rename", "history", "files", "report", "reanalyse",
                                   "move")),
    ("On the phone or a wide screen", ("bench",)),
    ("Keeping the job record", ("backup", "restore", "verify", "export", "import", "drop", "purge")),
)  # fmt: skip
START = "Start with: enginelog check CLIP. The options of a command: enginelog COMMAND --help"
LONGEST = 200  # of a sentence; it wraps


def write_commands(formatter: click.HelpFormatter, commands: Mapping[str, click.Command]) -> None:
    """The commands in their groups; one that belongs to none goes under 'Other'."""
    grouped = {name for _, names in GROUPS for name in names}
    rest = tuple(name for name in commands if name not in grouped)
    width = max(map(len, commands))
    for title, names in (*GROUPS, ("Other", rest)):
        rows = [(f"{name:<{width}}", commands[name].get_short_help_str(LONGEST)) for name in names if name in commands]
        if rows:
            with formatter.section(title):
                formatter.write_dl(rows)
    formatter.write_paragraph()
    formatter.write_text(START)
