"""What comes from outside is read in a process that can take no more than it is given."""

from __future__ import annotations

import contextlib
import os


def limit(memory_bytes: int, cpu_s: int) -> None:
    """Bind this process, where the system can: memory, processor time, no core file, and a low priority."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(5)
    try:
        import resource
    except ImportError:  # Windows: the caller's limit by the clock remains
        return
    wanted = {"RLIMIT_AS": memory_bytes, "RLIMIT_CPU": cpu_s, "RLIMIT_CORE": 0, "RLIMIT_FSIZE": 2_000_000_000}
    for name, value in wanted.items():
        kind = getattr(resource, name, None)
        if kind is not None:
            with contextlib.suppress(OSError, ValueError):
                resource.setrlimit(kind, (value, value))
