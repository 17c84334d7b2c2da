"""The report's folder: the page, the record, the tables and the main picture, each written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from enginelog import plots
from enginelog.model import Run
from enginelog.report.page import AudioExcerpt, to_html
from enginelog.report.record import json_pieces
from enginelog.report.tables import firing_csv_pieces, speed_csv_pieces


@dataclass(frozen=True)
class Written:
    """Where everything lies."""

    folder: Path
    report_html: Path
    run_json: Path
    speed_csv: Path
    firing_csv: Path
    speed_png: Path


def write_folder(run: Run, folder: str | os.PathLike[str], audio_excerpt: AudioExcerpt | None = None) -> Written:
    """Write report.html, run.json, speed.csv, firing.csv and speed.png into `folder`, which is made where missing.

    The names are fixed: nothing of the recording's name becomes part of a path. Everything is written to temporary
    files in the same folder, piece by piece, which are renamed once all are whole; after an error no temporary file is
    left, no empty folder that was made for it, and files from before are whole. OSError where the folder cannot be
    written.
    """
    folder = Path(folder)
    texts: dict[str, Iterable[str]] = {
        "report.html": [to_html(run, audio_excerpt)],
        "run.json": json_pieces(run),
        "speed.csv": speed_csv_pieces(run),
        "firing.csv": firing_csv_pieces(run),
    }
    contents: dict[str, Iterable[bytes]] = {
        name: (piece.encode("utf-8", "replace") for piece in pieces) for name, pieces in texts.items()
    }
    contents["speed.png"] = [main_picture(run)]
    write_into(folder, contents)
    return Written(folder, *(folder / name for name in contents))


def main_picture(run: Run) -> bytes:
    """Speed over time as PNG; the timeline, or a line of words, where no speed is known."""
    figure = (
        plots.speed_over_time(run) or plots.timeline_only(run) or plots.note("No speed is known of this recording.")
    )
    return plots.to_png(figure)


def write_into(folder: Path, contents: Mapping[str, bytes | Iterable[bytes]]) -> None:
    """As `write_all`, into a folder that is made where missing; after an error what was made of it is gone again."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_all(folder, contents)
    except BaseException:
        for each in missing:
            with contextlib.suppress(OSError):  # not made, or no longer empty: somebody else's
                each.rmdir()
        raise


def write_all(folder: Path, contents: Mapping[str, bytes | Iterable[bytes]]) -> None:
    """Write every file of `contents`, whole or in pieces, into `folder`: all to temporary files first, which are then
    renamed."""
    waiting: list[tuple[str, Path]] = []
    try:
        for name, data in contents.items():
            pieces = [data] if isinstance(data, bytes) else data
            waiting.append((_write_temporary(folder, name, pieces), folder / name))
        while waiting:
            os.replace(*waiting[0])
            waiting.pop(0)
    finally:
        for temporary, _ in waiting:
            Path(temporary).unlink(missing_ok=True)


def _write_temporary(folder: Path, name: str, pieces: Iterable[bytes]) -> str:
    """Write `pieces` to a new file beside the one it is to become; it is gone again where that fails."""
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=f".{name}.part", dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return temporary


def _umask() -> int:
    """The process's file mode mask (it can only be read by setting it)."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
