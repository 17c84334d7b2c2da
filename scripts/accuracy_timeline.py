"""How well the timeline finds what happened, on made-up recordings it was not fitted on (seeds from 10 000).

    python scripts/accuracy_timeline.py [--count 100] [--first-seed 71000] [--jobs 2] [--real FOLDER]

Prints, for each kind of recording, a row a claim: told: share of the recordings in which it is told; right: share of
those told that are right; wrong: share of all recordings in which it is told wrongly; of all: share told rightly.
Claims: engine heard or not (always told); pulls of the last start counted exactly; least: no more pulls called sure
than there were (always told); start and cut within 0.3 s; run-down within 0.3 s or 15 %; bangs: each one told within
0.1 s of a true one. A recording counts where it has the thing, or where the thing is told. With --real also the real
recordings, both halves apart.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import timeline_examples
from measuring.made import Case, scenario_of
from measuring.pool import each

from enginelog import limits, model, speed, synthesis, timeline
from enginelog.model.course import before_run
from enginelog.timeline import starts

FIRST_SEED = 71_000
SEEDS_A_ROW = 1000  # between the first seeds of two kinds of recording, so that no two share one
LATE = "pulled late"  # as "start"
ROWS = (
    *(("start,cut", "ordinary"), ("start,cut", "hard"), ("pulls_only", "ordinary"), ("pulls_only", "hard")),
    *(("stall,cut", "ordinary"), ("stall,cut", "hard"), (None, "ordinary"), (None, "hard")),
    *(("afterfire,cut", "ordinary"), ("start,cut", "easy"), ("pulls_only", "easy")),
    *((LATE, "ordinary"), (LATE, "hard")),
)
LATER_S = (5.0, 40.0)  # how much longer the place is heard before the first pull of LATE
NEAR_S, NEAR_SHARE = 0.3, 0.15
BANG_S = 0.1
NAMES = ("heard", "pulls", "least", "start", "cut", "run-down", "bangs")


@dataclass(frozen=True)
class Sound:
    """One recording without an engine, and what it is taken for."""

    seed: int
    kind: str
    strokes: int


def timeline_of(clip: model.Clip, engine: model.Engine) -> model.Timeline:
    """Timeline of one short recording, through the speed stage as in the analysis."""
    heard = timeline.listen(clip, limits.load("timeline"))
    track = speed.track(clip, engine, limits.load("speed"))
    return timeline.build(heard, track, engine, limits.load("timeline"))


def judged(found: model.Timeline, truth: synthesis.Truth) -> dict[str, bool | None]:
    """Each claim right or wrong, None where withheld; names are missing where there is nothing to tell and nothing is
    told."""
    of_start = pulls_of_start(truth)
    pulls = found.pulls == of_start if found.pulls_sure else None
    out: dict[str, bool | None] = {"heard": found.engine_heard == truth.engine_heard, "pulls": pulls}
    out["least"] = found.pulls_least <= len(truth.pulls)
    start_s = truth.run_start_s if of_start else None
    for name, told, true in (("start", found.start_s, start_s), ("cut", found.cut_s, truth.cut_s)):
        if told is not None or true is not None:
            out[name] = None if told is None else true is not None and abs(told - true) <= NEAR_S
    true_s = truth.rundown_s if truth.cut_s is not None else None
    if found.rundown_s is not None or true_s is not None:
        out["run-down"] = None if found.rundown_s is None else near(found.rundown_s, true_s)
    if found.pops or truth.pops:
        near_one = [any(abs(pop.at_s - true_s) <= BANG_S for true_s in truth.pops) for pop in found.pops]
        out["bangs"] = all(near_one) if near_one else None
    return out


def pulls_of_start(truth: synthesis.Truth) -> int:
    """How many pulls the last start truly took, false starts and all; of a recording without a run: all of them."""
    own = starts.since(truth.spans, starts.begun_s(truth.spans, limits.load("timeline")))
    return sum(span.kind == "pull" for span in before_run(own))


def near(told_s: float, true_s: float | None) -> bool:
    """Whether a run-down time is right."""
    return true_s is not None and abs(told_s - true_s) <= max(NEAR_S, NEAR_SHARE * true_s)


def read(case: Case) -> dict[str, bool | None]:
    """Make one recording and judge what is said of it."""
    scenario = pulled_late(case) if case.behaviour == LATE else scenario_of(case)
    clip, truth = synthesis.make(scenario)
    return judged(timeline_of(clip, scenario.engine), truth)


def pulled_late(case: Case) -> synthesis.Scenario:
    """A start whose first pull comes LATER_S later."""
    made = scenario_of(replace(case, behaviour="start"))
    more_s = float(np.random.default_rng(case.seed).uniform(*LATER_S))
    pulls = tuple(replace(pull, at_s=pull.at_s + more_s) for pull in made.pulls)
    return replace(made, pulls=pulls, seconds=made.seconds + more_s)


def row(name: str, claims: list[bool | None], of: int) -> str:
    """One line: how often a claim was told, how often rightly and wrongly."""
    told = [right for right in claims if right is not None]
    right = f"{100 * sum(told) / len(told):6.1f}" if told else "     -"
    wrong, both = 100 * (len(told) - sum(told)) / of, 100 * sum(told) / len(claims)
    return f"{name:44s} {len(claims):5d} {100 * len(told) / len(claims):6.1f} {right} {wrong:6.1f} {both:6.1f}"


def engine_rows(behaviours: str | None, hardness: str, first: int, count: int, jobs: int, worst: bool) -> None:
    """Make and judge `count` recordings of one kind, and print its rows."""
    cases = [Case(seed, "any", hardness, behaviours) for seed in range(first, first + count)]
    claims: dict[str, list[bool | None]] = defaultdict(list)
    for case, found in zip(cases, each(read, cases, jobs, f"{behaviours} {hardness}"), strict=True):
        for name, right in found.items():
            claims[name].append(right)
            if worst and right is False:
                print(f"  seed {case.seed}: {name} wrong", flush=True)
    for name in NAMES:
        if name in claims:
            print(row(f"{behaviours or 'usual mix'} {hardness}: {name}", claims[name], count), flush=True)


def hear(sound: Sound) -> tuple[bool, bool, bool]:
    """(engine heard, with confidence of 0.5 or more, pulls told) of one sound without an engine."""
    clip = synthesis.make_other(sound.seed, sound.kind, 8.0, "hard" if sound.seed % 2 else "ordinary")
    engine = timeline_examples.FOUR if sound.strokes == 4 else timeline_examples.TWO
    found = timeline_of(clip, engine)
    return found.engine_heard, found.engine_heard and found.confidence >= 0.5, found.pulls > 0 and found.pulls_sure


def other_rows(first: int, count: int, jobs: int) -> None:
    """False alarms of each kind of sound, taken for a four-stroke and a two-stroke."""
    seeds = range(first, first + count)
    sounds = [Sound(seed, kind, strokes) for kind in synthesis.OTHER_KINDS for seed in seeds for strokes in (4, 2)]
    found = each(hear, sounds, jobs, "other sounds")
    print(f"{'other sounds':24s} {'n':>5s} {'heard':>6s} {'surely':>6s} {'pulls':>6s}")
    for kind in (*synthesis.OTHER_KINDS, "all"):
        some = [one for sound, one in zip(sounds, found, strict=True) if kind in (sound.kind, "all")]
        print(f"{kind:24s} {len(some):5d} " + " ".join(f"{sum(column):6d}" for column in zip(*some, strict=True)))


def real_rows(folder: Path, cache: Path) -> None:
    """One line for each real recording and engine layout it was taken for."""
    for fold_a, name in ((True, "fitted on"), (False, "not fitted on")):
        print(f"real recordings {name}:")
        for example in timeline_examples.real_examples(folder, fold_a, cache):
            found = timeline.build(example.activity, example.track, example.engine, limits.load("timeline"))
            answer = "heard" if found.engine_heard else f"not heard: {found.reason}"
            pulls = found.pulls_words if found.pulls_sure else f"withheld: {found.pulls_reason}"
            print(f"  {example.name:44s} {answer} (confidence {found.confidence:.2f}, pulls {pulls})")


def options() -> argparse.ArgumentParser:
    """The words of the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100, help="recordings a row")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, help="seed of the first recording (from 10 000)")
    parser.add_argument("--rows", type=int, default=len(ROWS), help="kinds of recording, the first ones of all")
    parser.add_argument("--jobs", type=int, default=2, help="processes side by side")
    parser.add_argument("--others", type=int, default=10, help="recordings of each kind of other sound")
    parser.add_argument("--real", type=Path, help="folder of the real recordings")
    parser.add_argument("--cache", type=Path, default=Path("build/timeline"), help="where tracks of these are kept")
    parser.add_argument("--worst", action="store_true", help="name each recording that went wrong")
    return parser


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    told = options().parse_args(arguments)
    print(f"{'':44s} {'n':>5s} {'told%':>6s} {'right%':>6s} {'wrong%':>6s} {'of all':>6s}", flush=True)
    for number, (behaviours, hardness) in enumerate(ROWS[: told.rows]):
        engine_rows(behaviours, hardness, told.first_seed + SEEDS_A_ROW * number, told.count, told.jobs, told.worst)
    if told.others:
        other_rows(told.first_seed + SEEDS_A_ROW * len(ROWS), told.others, told.jobs)
    if told.real:
        told.cache.mkdir(parents=True, exist_ok=True)
        real_rows(told.real, told.cache)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
