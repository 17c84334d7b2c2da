"""How well the speed of a pull and its compression strokes are told, on made-up recordings with known truth.

    python scripts/accuracy_pulls.py [--seeds 31000:31020] [--kinds mower,pump] [--hardness ordinary]

Recordings of pulls that lead to nothing, through the real speed and timeline stages. Each true pull is held against the
pull of the timeline that begins within half a second. Columns: n: true pulls; found: share found; told: share of those
found of which a speed is told; of those told: rpm: median of told over true (mean of the crank while the rope drives);
in 20 %: within that of it; exact, by one: compression strokes counted rightly, or off by one at most (singles alone).
"""

from __future__ import annotations

import argparse

import numpy as np

from enginelog import limits, speed, synthesis, timeline
from enginelog.model import Span

KINDS = ("mower", "pump", "generator", "tiller", "saw", "trimmer", "twin_270", "twin_360", "four")


def pulls(kind: str, hardness: str, seed: int) -> list[tuple[synthesis.PullTruth, Span | None]]:
    """Each true pull with the one heard."""
    made = synthesis.random_scenario(seed, kind, hardness, "pulls_only")
    clip, truth = synthesis.make(made)
    track = speed.track(clip, made.engine, limits.load("speed"))
    settings = limits.load("timeline")
    line = timeline.build(timeline.listen(clip, settings), track, made.engine, settings)
    heard = [span for span in line.spans if span.kind == "pull"]
    return [(true, next((s for s in heard if abs(s.start_s - true.start_s) < 0.5), None)) for true in truth.pulls]


def line(name: str, found: list[tuple[synthesis.PullTruth, Span | None]]) -> str:
    """One row of the table."""
    heard = [(true, span) for true, span in found if span is not None]
    told = [(true, span) for true, span in heard if span.rpm is not None]
    ratio = np.array([span.rpm / true.rpm for true, span in told])
    off = np.array([abs(span.compressions - true.compressions) for true, span in told if span.compressions is not None])
    part = lambda some, of: f"{np.sum(some) / of:7.2f}" if of else "      -"  # noqa: E731
    return (
        f"{name:24s} {len(found):4d} {part(len(heard), len(found))} {part(len(told), len(heard))} "
        f"{np.median(ratio) if len(ratio) else np.nan:7.2f} {part(np.abs(ratio - 1) <= 0.2, len(ratio))} "
        f"{part(off == 0, len(off))} {part(off <= 1, len(off))}"
    )


def main() -> None:
    """Measure the kinds asked for and print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seeds", default="31000:31010", help="first:end of the seeds")
    options.add_argument("--kinds", default=",".join(KINDS), help="kinds of engine, with commas")
    options.add_argument("--hardness", default="ordinary", choices=synthesis.HARDNESS)
    given = options.parse_args()
    first, end = (int(x) for x in given.seeds.split(":"))
    print(
        f"{'':24s}    n " + " ".join(f"{head:>7s}" for head in ("found", "told", "rpm", "in 20 %", "exact", "by one"))
    )
    every = []
    for kind in given.kinds.split(","):
        found = [pair for seed in range(first, end) for pair in pulls(kind, given.hardness, seed)]
        every += found
        print(line(f"{kind} {given.hardness}", found), flush=True)
    print(line("all", every))


if __name__ == "__main__":
    main()
