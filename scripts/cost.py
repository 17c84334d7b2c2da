"""Measures what an analysis costs: `python3 scripts/cost.py [--hours 1,6]`.

Time: one minute of 48 kHz M4A, all stages without pictures, against decoding that file alone and against librosa's
pYIN; the best of several rounds in which all take turns. Memory: the peak of a fresh process for a minute and for
hours.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import measuring  # noqa: F401 (one thread each, before numpy is loaded)
from measuring.starting import ensure_environment

SEED = 60_000


def hours_of(text: str) -> tuple[float, ...]:
    """`--hours` as numbers; "0" or nothing leaves the long recordings out."""
    try:
        hours = tuple(float(part) for part in text.split(",") if part.strip())
    except ValueError:
        hours = (-1.0,)
    if any(not 0 <= hour <= 24 for hour in hours):
        raise argparse.ArgumentTypeError(f"{text!r} given; numbers from 0 to 24 expected, such as 1,6")
    return tuple(hour for hour in hours if hour > 0)


def options(arguments: list[str]) -> argparse.Namespace:
    """The command line, understood."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=hours_of, default=(1.0, 6.0), metavar="H,H", help="long recordings (1,6)")
    parser.add_argument("--repeats", type=int, default=5, help="rounds of the time measurement (5)")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--no-pyin", action="store_true", help="leave librosa's pYIN out (it takes minutes)")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the tables there too")
    return parser.parse_args(arguments)


def time_table(minute: Path, told: argparse.Namespace) -> str:
    """Decoding, the whole analysis, its stages and pYIN, each with its ratio to decoding."""
    from measuring import expense
    from measuring.tables import number, table

    from enginelog import analysis

    works = {
        "decoding alone": lambda: expense.decode(minute),
        "**all stages, decoding included**": lambda: analysis.analyse(str(minute), expense.ENGINE),
    }
    for work in works.values():
        work()  # what is loaded at the first call is not timed
    least = expense.alternating(works, told.repeats)
    decoding, whole = least["decoding alone"], least["**all stages, decoding included**"]
    rows = [[name, one.process_s, one.wall_s] for name, one in least.items()]
    stages = expense.stage_times(minute, told.repeats)
    rows += [[f"of it: {name}", one, None] for name, one in stages.items()]
    rows.append(["of it: the rest", whole.process_s - decoding.process_s - sum(stages.values()), None])
    reason = "left out on request" if told.no_pyin else _pyin_row(minute, rows)
    lines = [
        [name, number(1000 * process_s, 0), number(1000 * wall_s, 0) if wall_s else "-"]
        + [number(process_s / decoding.process_s), number(process_s / whole.process_s, 2)]
        for name, process_s, wall_s in rows
    ]
    head = ("one minute", "processor ms", "clock ms", "over decoding", "over all stages")
    return table(head, lines) + (f"\n\npYIN: {reason}." if reason else "")


def _pyin_row(minute: Path, rows: list) -> str | None:
    """Add pYIN's time, measured once; or the reason why it is left out."""
    from measuring import expense, side_by_side, trackers

    from enginelog import media

    name = next(name for name in trackers.PEERS if name.startswith("pYIN"))
    if name in trackers.absent():
        return trackers.absent()[name]
    side_by_side.warm_up()
    clip, _ = media.read(str(minute))
    x, (low, high) = trackers.at_8_khz(clip.samples, clip.rate_hz), trackers.search_range(expense.ENGINE)
    one = expense.spent(lambda: trackers.pyin(x, trackers.RATE_HZ, low, high))
    rows.append([f"{name}, at 8 kHz, once", one.process_s, one.wall_s])
    return None


def memory_table(minute: Path, told: argparse.Namespace) -> str:
    """Peak memory of a fresh process for the minute and for each length in hours."""
    from measuring import expense
    from measuring.tables import number, table

    rows = []
    for minutes in (1, *(round(60 * hours) for hours in told.hours)):
        path = minute if minutes == 1 else minute.with_name(f"{minutes}.m4a")
        if minutes > 1:
            expense.write_long(minute, path, minutes)
        found = expense.peak_memory(path)
        if minutes > 1:
            path.unlink()
        name = f"{minutes} min"
        rows.append([name, found, "-", "-"] if isinstance(found, str) else [name, *(number(part, 0) for part in found)])
        print(f"measured: {name}", file=sys.stderr, flush=True)
    return table(("recording", "peak MB", "seconds of sound", "clock s"), rows)


def main(arguments: list[str]) -> int:
    """Print the tables."""
    told = options(arguments)
    ensure_environment()
    from measuring import expense
    from measuring.tables import provenance

    began, parts = time.monotonic(), [provenance(arguments)]
    with tempfile.TemporaryDirectory(prefix="enginelog-cost-") as folder:
        minute = Path(folder) / "minute.m4a"
        expense.write_minute(minute, told.seed)
        parts.append("### Time\n\n" + time_table(minute, told))
        parts.append("### Memory\n\n" + memory_table(minute, told))
    parts.append(f"Seed {told.seed}. In all {time.monotonic() - began:.0f} s.")
    print("\n\n".join(parts))
    if told.out:
        told.out.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
