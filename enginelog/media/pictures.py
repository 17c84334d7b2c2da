"""Whether a file is a picture, asked of a process of its own (`picture_worker`) that is bounded in memory and time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from enginelog.limits import LimitSet
from enginelog.model import UnreadableError

NO_PICTURE = 4  # exit status of the worker where it says why
TOO_MUCH = "it takes too much memory or time"


def worker_command(bounds: LimitSet) -> list[str]:
    """The process that reads a picture from standard input and writes a plain JPEG. bounds: topic `bench_page`."""
    limits = (
        bounds.value("photo_edge_px"),
        1e6 * bounds.value("photo_mpx"),
        1e6 * bounds.value("photo_memory_mb"),
        bounds.value("photo_s"),
    )
    return [sys.executable, "-P", "-m", "enginelog.media.picture_worker", *(str(int(each)) for each in limits)]


def why_refused(status: int | None, made: bytes, said: bytes) -> str:
    """Why the worker made nothing, in words; empty where it made a picture."""
    if status == 0 and made:
        return ""
    lines = said.decode("utf-8", "replace").strip().splitlines() if status == NO_PICTURE else []
    return lines[-1] if lines else TOO_MUCH


def check(path: Path, bounds: LimitSet, name: str) -> None:
    """Raise UnreadableError, with `name` in front, where the file is no picture that can be read."""
    with path.open("rb") as stream:
        try:
            if path.stat().st_size > 1e6 * bounds.value("photo_memory_mb"):
                raise UnreadableError(f"{name}: the photo is not taken: {TOO_MUCH}")
            done = subprocess.run(
                worker_command(bounds), stdin=stream, capture_output=True, timeout=2 * bounds.value("photo_s")
            )
            why = why_refused(done.returncode, done.stdout, done.stderr)
        except subprocess.TimeoutExpired:
            why = TOO_MUCH
    if why:
        raise UnreadableError(f"{name}: the photo is not taken: {why}")
