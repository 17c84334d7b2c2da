"""Runs the worked example of the job record in the README, and writes what the commands print now back into it.

    python3 scripts/readme_example.py            # say which commands print something else than the README shows
    python3 scripts/readme_example.py --write    # and put the new text there

The commands are those of the `console` blocks in the section "The job record", run in order on a new job record. In
what is shown a line of three dots stands for any lines.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from measuring.starting import ensure_environment

TOP = Path(__file__).resolve().parents[1]
README = TOP / "README.md"
SECTION = "\n## The job record\n"
DOTS = "..."
NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")


@dataclass(frozen=True)
class Call:
    """One command of the example: as the README writes it, its words, and what the README shows it prints."""

    written: str
    words: tuple[str, ...]
    shown: str


def calls(readme: str) -> list[Call]:
    """The commands of the example, in order."""
    section = readme.split(SECTION)[1].split("\n## ")[0]
    found = []
    for block in re.findall(r"```console\n(.*?)```", section, re.DOTALL):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            lines = part.splitlines(keepends=True)
            count = 1 + next(at for at, line in enumerate(lines) if not line.endswith("\\\n"))
            written = "".join(lines[:count])
            words = tuple(shlex.split(written.replace("\\\n", " ")))
            found.append(Call(written, words, "".join(lines[count:])))
    return found


def fits(shown: str, printed: str, within: float = 0.0) -> bool:
    """Whether the printed text is the shown one, word by word, a line of three dots standing for any words.

    within: how far numbers may differ, as a share: with 0.15, 3362 rpm fits 3355 rpm, but job 1 does not fit job 2.
    """
    before, dots, after = (part.split() for part in re.split(r"^(\.\.\.)$", f"{shown}\n...\n", flags=re.MULTILINE)[:3])
    words = printed.split()
    if shown.splitlines().count(DOTS) == 0:
        return _alike(before, words, within)
    rest = words[len(words) - len(after) :] if after else []
    return len(words) >= len(before) + len(after) and _alike(before + after, words[: len(before)] + rest, within)


def _alike(shown: list[str], printed: list[str], within: float) -> bool:
    return len(shown) == len(printed) and all(_same_word(*pair, within) for pair in zip(shown, printed, strict=True))


def _same_word(shown: str, printed: str, within: float) -> bool:
    if NUMBER.sub("#", shown) != NUMBER.sub("#", printed):
        return False
    pairs = zip(map(float, NUMBER.findall(shown)), map(float, NUMBER.findall(printed)), strict=True)
    return all(abs(one - other) <= within * max(one, other) for one, other in pairs)


def renewed(shown: str, printed: str) -> str:
    """The printed text, with as many lines at beginning and end as are shown around the dots."""
    lines, new = shown.splitlines(), printed.splitlines()
    if DOTS not in lines:
        return printed
    before = lines.index(DOTS)
    after = len(lines) - before - 1
    return "\n".join([*new[:before], DOTS, *new[len(new) - after :]]) + "\n"


def run(call: Call, folder: Path) -> str:
    """What a command of the example prints in this folder."""
    settings = os.environ | {"ENGINELOG_STORE": str(folder / "shed.enginelog")}
    program = "import sys; from enginelog.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", program, *call.words[1:]]
    done = subprocess.run(command, cwd=folder, env=settings, capture_output=True, text=True, encoding="utf-8")
    if done.returncode:
        raise SystemExit(f"{call.written}{done.stderr}")
    return done.stdout


def main() -> int:
    """Run the example; 0 where the README shows what is printed, or has been put right, else 1."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="put what is printed now into the README")
    write = parser.parse_args().write
    readme = README.read_text(encoding="utf-8")
    stale = 0
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "recordings_demo").symlink_to(TOP / "recordings_demo")
        for call in calls(readme):
            printed = run(call, Path(name))
            if fits(call.shown, printed):
                continue
            stale += 1
            print(f"prints something else now: {call.written}{printed}")
            readme = readme.replace(f"$ {call.written}{call.shown}", f"$ {call.written}{renewed(call.shown, printed)}")
    if write and stale:
        README.write_text(readme, encoding="utf-8")
    return 0 if write or not stale else 1


if __name__ == "__main__":
    ensure_environment()
    raise SystemExit(main())
