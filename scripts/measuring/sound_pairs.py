"""Pairs of made-up recordings of one engine, made as sound and analysed whole: what comparing them says."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog import synthesis
from enginelog.compare import compare
from enginelog.compare.measures import CODES
from enginelog.compare.sample import without_slow
from enginelog.limits import load
from enginelog.model import Comparison, Run
from measuring import claims
from measuring.made import analysed, as_told

KINDS = ("mower", "tiller", "pump", "generator")
# Taken in turn. Their number (7) and that of kinds (4) have no common divisor: every kind meets every change.
CHANGES = (
    *(("steady", "steady"), ("misfire", "steady"), ("hunting", "hunting"), ("hunting", "steady")),
    *(("misfire", "misfire"), ("steady", "misfire"), ("settling", "settling")),
)


@dataclass(frozen=True)
class Pair:
    """One engine recorded twice from the same place, another take each time. true: the change of each measure that has
    one; 0 of all where nothing was changed."""

    seed: int
    kind: str
    change: tuple[str, str]
    runs: tuple[Run, Run]
    true: dict[str, float]

    @property
    def unchanged(self) -> bool:
        return self.change[0] == self.change[1]


def pair(seed: int, kind: str, change: tuple[str, str]) -> Pair:
    """Both recordings made, analysed, and their truth read off the crank."""
    runs, truths = [], []
    for take, behaviour in enumerate(change):
        scenario = replace(synthesis.random_scenario(seed, kind, "ordinary", behaviour), take=take)
        clip, truth = synthesis.make(scenario)
        run = analysed(clip, as_told(scenario.engine, True), f"{kind} {seed} {take}")
        runs.append(replace(run, clip=replace(run.clip, sha256=f"{kind} {seed} {take}")))
        truths.append(_true_values(scenario, truth))
    before, after = truths
    true = (
        dict.fromkeys(CODES, 0.0) if change[0] == change[1] else {name: after[name] - before[name] for name in before}
    )
    return Pair(seed, kind, change, (runs[0], runs[1]), true)


def _true_values(scenario: synthesis.Scenario, truth: synthesis.Truth) -> dict[str, float]:
    """What each measure would read of this take if it were heard without fault."""
    inside = (truth.t_s >= (truth.run_up_end_s or 0.0)) & (truth.t_s <= (truth.run_end_s or truth.seconds))
    t_s, rpm = truth.t_s[inside], truth.rpm[inside]
    size = round(load("findings").value("track_window_s") / float(truth.t_s[1] - truth.t_s[0]))
    smooth = np.convolve(rpm, np.ones(size) / size, mode="valid")
    off = 100 * (smooth / np.median(smooth) - 1)
    off = without_slow(t_s[size // 2 :][: len(off)], off, load("compare").value("slow_s"))
    speed = float(truth.speed_rpm or np.nan)
    return {
        "speed": speed,
        "misfire": 100 * float(truth.misfire_share or 0.0),
        "hunting": 100 * float(truth.hunting_swing_rpm or 0.0) / speed if scenario.speeds.waves else 0.0,
        "steadiness": load("compare").value("band_deviations") * float(np.std(off)),
    }


def cases(count: int, first_seed: int) -> list[tuple[int, str, tuple[str, str]]]:
    """Seed, kind and change of each pair, each kind and change in turn."""
    return [(first_seed + i, KINDS[i % len(KINDS)], CHANGES[i % len(CHANGES)]) for i in range(count)]


def said(one: Pair, found: Comparison, false: list[str]) -> str:
    """One pair in a line."""
    mark = f" FALSE {' '.join(false)}" if false else ""
    return f"  {one.seed} {one.kind} {' to '.join(one.change)}: {found.summary}{mark}"


def measure(count: int, first_seed: int) -> None:
    """Make `count` pairs, each kind and change in turn, and print what was said."""
    scores: dict[str, claims.Score] = {}
    unchanged, false, refused, hold = 0, 0, 0, []
    for seed, kind, change in cases(count, first_seed):
        one = pair(seed, kind, change)
        found = compare(*one.runs)
        mistaken = claims.note(scores, found, one.true)
        print(said(one, found, mistaken), flush=True)
        if not found.comparable:
            refused += 1
            continue
        hold.append(claims.all_hold(found, one.true))
        unchanged, false = unchanged + one.unchanged, false + bool(mistaken)
    print(f"as sound: {count} pairs, seeds from {first_seed}, {refused} not comparable")
    print(claims.table(scores))
    print(f"pairs without change: {unchanged}, any difference claimed in {false}")
    print(f"pairs in which all intervals hold: {claims.share(hold)} %")
