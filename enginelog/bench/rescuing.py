"""When the server ends: recordings made by this machine's own microphone and never attached are kept as files.

What a phone sent the phone has still; of these there is no other copy.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from enginelog.bench.hearing import HEAD_BYTES
from enginelog.store import opening


def rescue(recorded: Iterable[tuple[int, Path]], store: Path | None) -> list[Path]:
    """Move recordings, each with its job, to where they stay; where they are now.

    store: the job record, None for the usual one. They go to the current folder as those of `listen`, or beside the job
    record where that cannot be written to. None is ever written over.
    """
    places = (Path.cwd(), (store or opening.default_path()).parent)
    return [_moved(job_id, path, places) for job_id, path in recorded if _sounds(path)]


def _sounds(path: Path) -> bool:
    return path.is_file() and path.stat().st_size > HEAD_BYTES


def _moved(job_id: int, path: Path, places: Iterable[Path]) -> Path:
    for place in places:
        for count in range(100):
            more = f"-{count}" if count else ""
            wanted = place / f"listen-job-{job_id}-{datetime.now():%Y%m%d-%H%M%S}{more}{path.suffix}"
            with contextlib.suppress(OSError):
                wanted.touch(mode=0o600, exist_ok=False)
                try:
                    shutil.copyfile(path, wanted)
                except OSError:
                    wanted.unlink(missing_ok=True)
                    raise
                return wanted
            if not wanted.exists():
                break  # nothing can be written there
    return _left(path)


def _left(path: Path) -> Path:
    """Out of the folder that is thrown away, as a last resort."""
    kept = path.parent.with_name(f"{path.parent.name}-kept{path.suffix}")
    with contextlib.suppress(OSError):
        path.rename(kept)
    return kept if kept.exists() else path
