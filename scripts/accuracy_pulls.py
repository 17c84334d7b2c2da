"""How well the speed of a pull and its compression strokes are told, on made-up recordings with known truth.

    python scripts/accuracy_pulls.py [--seeds 31000:31020] [--kinds mower,pump] [--hardness ordinary]

Recordings of pulls that lead to nothing, through the real speed and timeline stages. Each true pull is held against the
pull of the timeline that begins within half a second. The speed of a pull is that between its compression strokes
(median interval), told and true alike: what the ignition gets to see, and some 15 % more than the mean over the rope,
which begins at rest. Columns: n: true pulls; found: share found; told: share of those found of which a speed is told;
of those told: rpm: median of told over true; in 20 %: within that of it; wrong: told farther off, of all found; exact,
by one: compression strokes counted rightly, or off by one at most (singles alone).
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from enginelog import limits, speed, synthesis, timeline
from enginelog.model import Engine, Span

KINDS = ("mower", "pump", "generator", "tiller", "saw", "trimmer", "twin_270", "twin_360", "four")


@dataclass(frozen=True)
class Pulled:
    """What a pull really was: crank speed between its strokes (NaN with fewer than two), strokes."""

    rpm: float
    compressions: int


def between_strokes_rpm(truth: synthesis.Truth, engine: Engine, start_s: float, end_s: float) -> float:
    """Crank speed from the median interval between the exhaust openings from `start_s` to `end_s`; NaN with fewer than
    two intervals."""
    t_s = np.arange(start_s, end_s, 0.001)
    turns = np.interp(t_s, truth.t_s, truth.turns)
    cycles = np.arange(np.floor(turns[0] / engine.revs_per_cycle), turns[-1] / engine.revs_per_cycle + 1)
    place = cycles[:, None] * engine.revs_per_cycle + np.array(engine.firing_angles_deg) / 360.0
    place = np.sort(place[(place >= turns[0]) & (place <= turns[-1])])
    if len(place) < 3:
        return float("nan")
    return float(60.0 * np.median(np.diff(place) / np.diff(np.interp(place, turns, t_s))))


def pulls(kind: str, hardness: str, seed: int) -> list[tuple[Pulled, Span | None]]:
    """Each true pull with the one heard."""
    made = synthesis.random_scenario(seed, kind, hardness, "pulls_only")
    clip, truth = synthesis.make(made)
    track = speed.track(clip, made.engine, limits.load("speed"))
    settings = limits.load("timeline")
    line = timeline.build(timeline.listen(clip, settings), track, made.engine, settings)
    heard = [span for span in line.spans if span.kind == "pull"]
    out = []
    for asked, true in zip(made.pulls, truth.pulls, strict=True):
        rope_s = min(true.end_s, true.start_s + asked.seconds)
        rpm = between_strokes_rpm(truth, made.engine, true.start_s, rope_s)
        near = (span for span in heard if abs(span.start_s - true.start_s) < 0.5)
        out.append((Pulled(rpm, true.compressions), next(near, None)))
    return out


def line(name: str, found: list[tuple[Pulled, Span | None]]) -> str:
    """One row of the table."""
    heard = [(true, span) for true, span in found if span is not None]
    told = [(true, span) for true, span in heard if span.rpm is not None and np.isfinite(true.rpm)]
    ratio = np.array([span.rpm / true.rpm for true, span in told])
    off = np.array([abs(span.compressions - true.compressions) for true, span in told if span.compressions is not None])
    part = lambda some, of: f"{np.sum(some) / of:7.2f}" if of else "      -"  # noqa: E731
    return (
        f"{name:24s} {len(found):4d} {part(len(heard), len(found))} {part(len(told), len(heard))} "
        f"{np.median(ratio) if len(ratio) else np.nan:7.2f} {part(np.abs(ratio - 1) <= 0.2, len(ratio))} "
        f"{part(np.abs(ratio - 1) > 0.2, len(heard))} "
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
        f"{'':24s}    n "
        + " ".join(f"{head:>7s}" for head in ("found", "told", "rpm", "in 20 %", "wrong", "exact", "by one"))
    )
    every = []
    for kind in given.kinds.split(","):
        found = [pair for seed in range(first, end) for pair in pulls(kind, given.hardness, seed)]
        every += found
        print(line(f"{kind} {given.hardness}", found), flush=True)
    print(line("all", every))


if __name__ == "__main__":
    main()
