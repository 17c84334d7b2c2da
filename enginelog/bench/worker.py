"""Decodes and analyses one recording in a process of its own, which can take no more memory and time than it is given.

    python -P -m enginelog.bench.worker < order.json

The order: {"recording", "name", "result", "engine": {...}, "ran", "memory_bytes", "cpu_s"}. On standard output a line
of JSON each: {"share": 0.4} from time to time, {"error": "..."} where the recording cannot be read. Exit status 0 with
the run in the file `result`, 4 unreadable, 1 else.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from enginelog.media import bounded


def main() -> int:
    """Do what the order on standard input says; the exit status."""
    order = json.loads(sys.stdin.read())
    bounded.limit(order["memory_bytes"], order["cpu_s"])
    from enginelog import analysis, model
    from enginelog.store import run_codec

    told: dict[str, Any] = {name: tuple(v) if isinstance(v, list) else v for name, v in order["engine"].items()}
    engine = model.Engine(**told)
    try:
        # Opened here and given as a stream, so that the decoders see no name from outside.
        with Path(order["recording"]).open("rb") as stream:
            run = analysis.analyse(
                stream, engine, order["name"], lambda share: _say(share=round(share, 3)), order["ran"]
            )
    except model.EnginelogError as failed:
        _say(error=str(failed))
        return 4
    except MemoryError:
        _say(error="it asks for more memory than it may have; send a shorter piece of it")
        return 1
    Path(order["result"]).write_bytes(run_codec.to_bytes(run))
    return 0


def _say(**what: Any) -> None:
    print(json.dumps(what), flush=True)


if __name__ == "__main__":
    sys.exit(main())
