"""Run records from files, as `check --json` prints them."""

from __future__ import annotations

import codecs
import json
import sys
from collections.abc import Mapping
from typing import Any, BinaryIO

from enginelog import model
from enginelog.cli import console

MOST_BYTES = 200_000_000
STATUS_ANALYSED = 0
STATUS_NOTHING = 3


def status_of(record: Mapping[str, Any]) -> int:
    """The exit status `check` has for such a recording: 3 where it is unusable or no engine was heard running."""
    return STATUS_ANALYSED if record["engine_heard"] and record["quality"]["usable"] else STATUS_NOTHING


def read_text(path: str) -> str:
    """The text of a file, or of standard input for `-`. UnreadableError where it cannot be read.

    It is UTF-8, or what its byte order mark says: editors write that before UTF-8, and `>` of a Windows shell UTF-16.
    """
    if path == "-":
        if sys.stdin is None or sys.stdin.isatty():
            raise model.UsageError("'-' reads a run record from standard input, but none is piped in")
        return _decoded(_bounded(sys.stdin.buffer, "standard input"), "standard input")
    shown = console.safe_name(path)
    try:
        with open(path, "rb") as stream:
            return _decoded(_bounded(stream, shown), shown)
    except OSError as failed:
        raise model.UnreadableError(f"{shown}: cannot be read: {failed.strerror or failed}") from failed


def _bounded(stream: BinaryIO, shown: str) -> bytes:
    """All of a file or of a stream, which need not end; UnreadableError where it is too large for a run record."""
    data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise model.UnreadableError(f"{shown}: larger than {MOST_BYTES // 1_000_000} MB, no run record")
    return data


def _decoded(data: bytes, shown: str) -> str:
    utf16 = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return data.decode("utf-16" if utf16 else "utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise model.UnreadableError(f"{shown}: no text; a run record as 'check --json' prints it is expected") from None


def records_in(path: str) -> list[dict[str, Any]]:
    """The run records of a file: one document, or an array of them. UnreadableError where it holds anything else."""
    from enginelog import report

    text = read_text(path)
    try:
        if text.lstrip().startswith("["):
            return [report.from_json(json.dumps(each)) for each in json.loads(text)]
        return [report.from_json(text)]
    except (report.RecordError, json.JSONDecodeError, RecursionError) as wrong:
        raise model.UnreadableError(f"{console.safe_name(path)}: no run record: {wrong}") from None
