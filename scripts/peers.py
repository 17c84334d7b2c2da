"""General-purpose trackers beside this program on the same frames: `python3 scripts/peers.py`.

Labelled frames of real recordings and made-up recordings of ordinary quality. The peers come with the extra `[peers]`
(`pip install -e ".[peers]"`); one that is not installed is left out with the reason. The real labels exist only where
such trackers agreed, so they are scored kindly there.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import measuring  # noqa: F401 (one thread each, before numpy is loaded)
from measuring.starting import ensure_environment

FIRST_SEED = 40_000


def options(arguments: list[str]) -> argparse.Namespace:
    """The command line, understood."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--made", type=int, default=40, help="made-up recordings (40)")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--no-real", action="store_true", help="made-up recordings only")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the tables there too")
    return parser.parse_args(arguments)


def parts(told: argparse.Namespace) -> list[str]:
    """The tables, in Markdown."""
    from measuring import real, side_by_side, trackers

    recordings = [] if told.no_real else side_by_side.real_recordings()
    made = side_by_side.made_recordings(told.made, told.first_seed)
    side_by_side.warm_up(one.engine for one in [*recordings, *made])
    results = side_by_side.compare([*recordings, *made])
    missing = [f"- left out: {name}: {reason}" for name, reason in trackers.absent().items()]
    out = ["\n".join(missing)] if missing else []
    if recordings:
        for group in ("real", "real, fold A", "real, fold B"):
            text = side_by_side.comparison(results, lambda one, group=group: one.group.startswith(group))
            out.append(f"### Labelled frames: {group}\n\n{text}")
    elif not told.no_real:
        out.append(f"### Labelled frames: real\n\nLeft out: {real.missing()}.")
    if made:
        seeds = f"seeds {told.first_seed} to {told.first_seed + len(made) - 1}, even firing"
        text = side_by_side.comparison(results, lambda one: one.group == "made up")
        out.append(f"### Made-up recordings, ordinary quality ({seeds})\n\n{text}")
    return out


def main(arguments: list[str]) -> int:
    """Print the tables."""
    told = options(arguments)
    ensure_environment("peers")
    from measuring.tables import provenance

    began = time.monotonic()
    text = "\n\n".join([provenance(arguments), *parts(told), f"In all {time.monotonic() - began:.0f} s."])
    print(text)
    if told.out:
        told.out.write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
