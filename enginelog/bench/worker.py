"""Decodes and analyses one recording in a process of its own, which can take no more memory and time than it is given.

    python -P -m enginelog.bench.worker < order.json

The order: {"recording", "name", "result", "engine": {...}, "memory_bytes", "cpu_s"}. On standard output a line of JSON
each: {"share": 0.4} from time to time, {"error": "..."} where the recording cannot be read. Exit status 0 with the run
in the file `result`, 4 unreadable, 1 else.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Any


def main() -> int:
    """Do what the order on standard input says; the exit status."""
    order = json.loads(sys.stdin.read())
    limit(order["memory_bytes"], order["cpu_s"])
    from enginelog import analysis, model
    from enginelog.store import run_codec

    told: dict[str, Any] = {name: tuple(v) if isinstance(v, list) else v for name, v in order["engine"].items()}
    engine = model.Engine(**told)
    try:
        # Opened here and given as a stream, so that the decoders see no name from outside.
        with Path(order["recording"]).open("rb") as stream:
            run = analysis.analyse(
                stream, engine, name=order["name"], progress=lambda share: _say(share=round(share, 3))
            )
    except model.EnginelogError as failed:
        _say(error=str(failed))
        return 4
    except MemoryError:
        _say(error="it asks for more memory than it may have; send a shorter piece of it")
        return 1
    Path(order["result"]).write_bytes(run_codec.to_bytes(run))
    return 0


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


def _say(**what: Any) -> None:
    print(json.dumps(what), flush=True)


if __name__ == "__main__":
    sys.exit(main())
