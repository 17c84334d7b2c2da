"""How well the speed is known once the ignition went off, on made-up recordings (unseen seeds from 10 000).

    python scripts/accuracy_stops.py [--count 60] [--first-seed 77000] [--jobs 2]

For each kind of recording and each stretch of time after the true cut, until the crank stands: frames; the share of
them in which a speed is told, and of these the share within 3 % of the crank's; first as the track of the sound has it,
then as it is told (`speed.coasted`). rises: stops in which the speed told rises by more than 2 % after the cut.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass

import numpy as np
from measuring.made import Case, scenario_of
from measuring.pool import each

from enginelog import limits, model, speed, synthesis, timeline

FIRST_SEED = 77_000
SEEDS_A_ROW = 100  # between the first seeds of two kinds of recording
ROWS = (("start,cut", "easy"), ("start,cut", "ordinary"), ("afterfire,cut", "ordinary"), ("start,cut", "hard"))
STRETCHES_S = ((0.0, 0.2), (0.2, 0.5), (0.5, 20.0))
NEAR, RISE = 0.03, 0.02


@dataclass(frozen=True)
class Stop:
    """What is told after one cut: (stretches, 3) frames, told, right; and whether the speed told rises."""

    counts: np.ndarray
    rises: bool


def stop_of(track: model.Track, story: model.Timeline, truth: synthesis.Truth) -> Stop:
    """Scores of one recording that was cut; where no engine was heard nothing is told."""
    rpm = np.where(story.turning(track.t_s), track.rpm, np.nan)
    since_s, told = track.t_s - truth.cut_s, np.isfinite(rpm)
    turning = track.t_s < (truth.standstill_s or truth.seconds)
    true = np.interp(track.t_s, truth.t_s, truth.rpm)
    right = told & (np.abs(rpm - true) < NEAR * true)
    rows = [turning & (since_s >= first) & (since_s < past) for first, past in STRETCHES_S]
    counts = np.array([(row.sum(), (row & told).sum(), (row & right).sum()) for row in rows])
    after = rpm[(since_s > -0.1) & turning & told]
    rises = len(after) > 0 and bool(np.any(after > (1 + RISE) * np.minimum.accumulate(after)))
    return Stop(counts, rises)


def read(case: Case) -> tuple[Stop, Stop]:
    """Make one recording: the stop as the track has it, and as it is told."""
    scenario = scenario_of(case)
    clip, truth = synthesis.make(scenario)
    track = speed.track(clip, scenario.engine, limits.load("speed"))
    settings = limits.load("timeline")
    story = timeline.build(timeline.listen(clip, settings), track, scenario.engine, settings)
    told = speed.coasted(track, story, limits.load("speed"))
    return stop_of(track, story, truth), stop_of(told, story, truth)


def row(name: str, stops: list[Stop]) -> str:
    """One line: told and right in each stretch, and the stops that rise."""
    frames, told, right = np.sum([stop.counts for stop in stops], axis=0).T
    shares = [
        f"{100 * a / max(n, 1):5.0f} {100 * b / max(a, 1):5.0f}" for n, a, b in zip(frames, told, right, strict=True)
    ]
    return f"{name:32s} {len(stops):4d}  {'   '.join(shares)}  {sum(stop.rises for stop in stops):5d}"


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60, help="recordings a row, up to 100")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, help="seed of the first recording (from 10 000)")
    parser.add_argument("--jobs", type=int, default=2, help="processes side by side")
    wanted = parser.parse_args(arguments)
    heads = ("to 0.2 s: told%, right%", "to 0.5 s", "later", "rises")
    print(f"{'':32s}    n  " + ", ".join(heads), flush=True)
    for number, (behaviours, hardness) in enumerate(ROWS):
        first = wanted.first_seed + SEEDS_A_ROW * number
        seeds = range(first, first + min(wanted.count, SEEDS_A_ROW))
        drawn = [Case(seed, "any", hardness, behaviours) for seed in seeds]
        found = each(read, drawn, wanted.jobs, f"{behaviours} {hardness}")
        for name, stops in zip(("track", "told"), zip(*found, strict=True), strict=True):
            print(row(f"{behaviours} {hardness}: {name}", list(stops)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
