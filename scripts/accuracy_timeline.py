"""How well the timeline finds what happened, on made-up recordings it was not fitted on (seeds from 10 000).

    python scripts/accuracy_timeline.py [--count 100] [--others 10] [--real FOLDER] [--worst]

Prints one row for each kind of recording: engine heard, pulls counted exactly, start and cut within 0.3 s, run-down
within 0.3 s or 15 % (of those told), and how often it was told. With --real also the real ones, both halves apart.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
import timeline_examples

from enginelog import limits, model, speed, synthesis, timeline

FIRST_SEED = 10_000
ROWS = (
    *(("start,cut", "easy"), ("start,cut", "ordinary"), ("start,cut", "hard")),
    *(("pulls_only", "easy"), ("pulls_only", "ordinary"), ("pulls_only", "hard")),
    *(("stall,cut", "ordinary"), ("afterfire,cut", "ordinary"), (None, "ordinary"), (None, "hard")),
)


def timeline_of(clip: model.Clip, engine: model.Engine) -> model.Timeline:
    """Timeline of one short recording, through the speed stage as in the analysis."""
    heard = timeline.listen(clip, limits.load("timeline"))
    track = speed.track(clip, engine, limits.load("speed"))
    return timeline.build(heard, track, engine, limits.load("timeline"))


def judged(found: model.Timeline, truth: synthesis.Truth) -> dict[str, bool]:
    """What is right, by name; names are missing where the recording has no such thing."""
    runs = [span for span in found.spans if span.kind == "run"]
    out = {"heard": found.engine_heard == truth.engine_heard, "pulls": found.pulls == len(truth.pulls)}
    if truth.run_start_s is not None and truth.pulls:
        out["start"] = any(abs(span.start_s - truth.run_start_s) <= 0.3 for span in runs)
    if truth.cut_s is not None:
        out["cut"] = any(abs(span.end_s - truth.cut_s) <= 0.3 for span in runs)
    if truth.cut_s is not None and truth.rundown_s is not None:
        out["rundown told"] = found.rundown_s is not None
        if found.rundown_s is not None:
            out["rundown"] = abs(found.rundown_s - truth.rundown_s) <= max(0.3, 0.15 * truth.rundown_s)
    if truth.pops:
        out["pops"] = len(found.pops) == len(truth.pops)
    elif truth.engine_heard:
        out["no pops"] = not found.pops
    return out


def engine_row(behaviours: str | None, hardness: str, count: int, worst: bool) -> str:
    """Shares of right answers over `count` seeds of one kind of recording."""
    right: dict[str, list[bool]] = defaultdict(list)
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        scenario = synthesis.random_scenario(seed, "any", hardness, behaviours)
        clip, truth = synthesis.make(scenario)
        found = timeline_of(clip, scenario.engine)
        for name, value in judged(found, truth).items():
            right[name].append(value)
            if worst and not value:
                print(f"  seed {seed} {scenario.kind}: {name} wrong", flush=True)
    shares = "  ".join(f"{name} {100 * np.mean(values):.0f} % of {len(values)}" for name, values in right.items())
    return f"{behaviours or 'usual mix':14s} {hardness:9s} {shares}"


def other_row(kind: str, count: int) -> str:
    """False alarms of one kind of sound, taken for a four-stroke and a two-stroke."""
    found = []
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        clip = synthesis.make_other(seed, kind, 8.0, "hard" if seed % 2 else "ordinary")
        found += [timeline_of(clip, engine) for engine in (timeline_examples.FOUR, timeline_examples.TWO)]
    heard = sum(one.engine_heard for one in found)
    sure = sum(one.engine_heard and one.confidence >= 0.5 for one in found)
    return (
        f"{kind:16s} heard {heard} of {len(found)} (surely {sure})  pulls counted in {sum(o.pulls > 0 for o in found)}"
    )


def real_rows(folder: Path, cache: Path) -> None:
    """One line for each real recording and engine layout it was taken for."""
    for fold_a, name in ((True, "fitted on"), (False, "not fitted on")):
        print(f"real recordings {name}:")
        for example in timeline_examples.real_examples(folder, fold_a, cache):
            found = timeline.build(example.activity, example.track, example.engine, limits.load("timeline"))
            answer = "heard" if found.engine_heard else f"not heard: {found.reason}"
            print(f"  {example.name:44s} {answer} (confidence {found.confidence:.2f}, pulls {found.pulls})")


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100, help="recordings a row")
    parser.add_argument("--others", type=int, default=10, help="recordings of each kind of other sound")
    parser.add_argument("--real", type=Path, help="folder of the real recordings")
    parser.add_argument("--cache", type=Path, default=Path("build/timeline"), help="where tracks of these are kept")
    parser.add_argument("--worst", action="store_true", help="name each recording that went wrong")
    told = parser.parse_args(arguments)
    for behaviours, hardness in ROWS:
        print(engine_row(behaviours, hardness, told.count, told.worst), flush=True)
    for kind in synthesis.OTHER_KINDS if told.others else ():
        print(other_row(kind, told.others), flush=True)
    if told.real:
        told.cache.mkdir(parents=True, exist_ok=True)
        real_rows(told.real, told.cache)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
