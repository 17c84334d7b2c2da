"""Writing to the terminal: safe for names from anywhere, for narrow encodings and for readers that go away.

Where there is no standard output or no standard error (closed by whoever called, or a program without a console),
nothing is written to it, as Python's own `print` does; all else goes on.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from typing import TextIO

import click

from enginelog import model

# Control characters (a name with an escape sequence could drive the terminal), line and paragraph separators,
# marks that turn the writing direction round, and halves of characters (names that are no valid UTF-8).
_UNSAFE = "\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff"
# What a narrow encoding may lack, in plain letters: with "?" in its place a difference would lose its sign.
_PLAIN = {"\u2212": "-", "\u2013": "-", "\u2014": "-", "\u00d7": "x", "\u00b0": " deg", "\u00a0": " "}
_UNSAFE_TEXT = re.compile(f"[{_UNSAFE}]")
_UNSAFE_LINE = re.compile(f"[{_UNSAFE}\t\n]")


class ReaderGone(Exception):
    """Whoever read our standard output has closed it (as `head` does)."""


class Stopped(Exception):
    """Ctrl-C was pressed; the text says what was kept. (click would turn KeyboardInterrupt into its own message.)"""


STOPPED = "what was finished is kept, and nothing is half written"


@contextlib.contextmanager
def stopping(what: Callable[[], str] = lambda: STOPPED) -> Iterator[None]:
    """Turn Ctrl-C into Stopped with a line that says what was kept, which is asked for only then."""
    try:
        yield
    except KeyboardInterrupt as stop:
        raise Stopped(what()) from stop


def safe_text(text: str) -> str:
    """The text with unsafe characters shown as escapes (`\\x1b`, `\\u202e`); line ends and tabs stay."""
    return _UNSAFE_TEXT.sub(_escape, text)


def safe_line(text: str) -> str:
    """The text on one line: as `safe_text`, and line ends and tabs become spaces."""
    return _UNSAFE_LINE.sub(lambda found: " " if found[0] in "\t\n" else _escape(found), text.strip())


def safe_name(name: str) -> str:
    """A file name as it can be shown: unsafe characters, line ends and tabs among them, become escapes."""
    return _UNSAFE_LINE.sub(_escape, name)


def safe_json(text: str) -> str:
    """JSON text with unsafe characters inside its strings as JSON escapes; the document's meaning stays the same."""
    return _UNSAFE_TEXT.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def show(text: str) -> None:
    """Print text and a line end on standard output, in its own encoding; what that cannot show becomes plain letters
    that mean the same, or `?`."""
    stream = sys.stdout
    if stream is None:
        return
    with _writing():
        stream.write(_fitting(safe_text(text), stream.encoding or "utf-8") + "\n")
        stream.flush()


def width() -> int:
    """Columns that text on standard output may use: the terminal's, 40 to 100; 80 where it is none."""
    if not at_terminal():
        return 80
    return min(max(shutil.get_terminal_size().columns, 40), 100)


def show_json(text: str) -> None:
    """Print JSON and a line end on standard output: always UTF-8, whatever the terminal's encoding (RFC 8259, 8.1)."""
    if sys.stdout is None:
        return
    with _writing():
        sys.stdout.flush()
        sys.stdout.buffer.write((safe_json(text) + "\n").encode("utf-8"))
        sys.stdout.buffer.flush()


def note(line: str) -> None:
    """Print one line on standard error that is worth knowing but no error."""
    _to_errors(f"note: {safe_line(line)}")


def notes(lines: Iterable[str]) -> None:
    """As `note`, each of several."""
    for line in lines:
        note(line)


def at_terminal() -> bool:
    """Whether standard output is read on a terminal, and not by another program or kept in a file."""
    return _is_terminal(sys.stdout)


def can_ask() -> bool:
    """Whether somebody is there to read a question and to answer it: a terminal on both sides."""
    return _is_terminal(sys.stdin) and _is_terminal(sys.stderr)


def error(*lines: str) -> None:
    """Print an error on standard error: one line that begins with the program's name, or several as they are."""
    if len(lines) == 1:
        _to_errors(f"enginelog: {safe_line(lines[0])}")
    else:
        for line in lines:
            _to_errors(safe_text(line))


def silence_output() -> None:
    """Send the rest of standard output nowhere, so that Python's own flush at exit does not complain."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextlib.contextmanager
def progress(label: str, after_s: float = 1.0) -> Iterator[Callable[[float], None]]:
    """Yield a function that takes the share done, 0..1, and shows a bar on standard error.

    Shown only where standard error is a terminal and the work has gone on for `after_s` seconds.
    """
    if not _is_terminal(sys.stderr):
        yield lambda share: None
        return
    with contextlib.ExitStack() as stack:
        yield _late_bar(label, after_s, stack)


def _late_bar(label: str, after_s: float, stack: contextlib.ExitStack) -> Callable[[float], None]:
    begun = time.monotonic()
    update: Callable[[float], None] | None = None

    def tell(share: float) -> None:
        nonlocal update
        if update is None and time.monotonic() - begun >= after_s:
            update = _start_bar(label, stack)
        if update is not None:
            update(share)

    return tell


def _start_bar(label: str, stack: contextlib.ExitStack) -> Callable[[float], None]:
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    bar = stack.enter_context(Progress(*columns, console=Console(stderr=True), transient=True))
    task = bar.add_task(escape(safe_name(label)), total=1.0)
    return lambda share: bar.update(task, completed=min(max(share, 0.0), 1.0))


@contextlib.contextmanager
def _writing() -> Iterator[None]:
    """Turn a failed write to standard output into ReaderGone or a line for the user."""
    try:
        yield
    except OSError as failed:
        raise _not_written(failed) from failed


@contextlib.contextmanager
def helping() -> Iterator[None]:
    """As for all that is shown, of what click writes by itself: help texts and the version. Other errors pass."""
    try:
        yield
    except OSError as failed:
        frames = traceback.extract_tb(failed.__traceback__)
        if frames and frames[-1].filename == click.utils.__file__:
            raise _not_written(failed) from failed
        raise


def _not_written(failed: OSError) -> Exception:
    # Windows reports a closed pipe as EINVAL.
    if failed.errno in (errno.EPIPE, errno.EINVAL):
        return ReaderGone()
    silence_output()
    return model.EnginelogError(f"cannot write to standard output: {failed.strerror}")


def _to_errors(line: str) -> None:
    stream = sys.stderr
    if stream is None:
        return
    with contextlib.suppress(OSError):  # nobody is left to be told
        stream.write(_fitting(line, stream.encoding or "utf-8") + "\n")
        stream.flush()


def _fitting(text: str, encoding: str) -> str:
    """The text as the encoding can show it."""
    return "".join(_shown(letter, encoding) for letter in text)


def _shown(letter: str, encoding: str) -> str:
    try:
        letter.encode(encoding)
    except UnicodeEncodeError:
        return _PLAIN.get(letter, letter).encode(encoding, "replace").decode(encoding)
    return letter


def _is_terminal(stream: TextIO | None) -> bool:
    return stream is not None and stream.isatty()


def _escape(found: re.Match[str]) -> str:
    code = ord(found[0])
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
