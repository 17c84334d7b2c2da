"""Twins of which nobody told how they fire: what the analysis made of them, beside taking them all for even."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from enginelog import synthesis
from enginelog.model import Engine
from enginelog.speed import twins
from measuring import made
from measuring.pool import each
from measuring.tables import percent, table

KINDS = ("twin_360", "twin_270", "twin_180")  # in the order of twins.WAYS
EVEN = twins.WAYS[0]
RIGHT, SURE = 0.01, 0.5


@dataclass(frozen=True)
class Told:
    """What was said of one twin: how it was told, ratio of speed to truth (NaN: none), the same of the other speed,
    confidence, whether the firing angles used are the true ones."""

    case: made.Case
    how: str
    ratio: float
    other: float
    confidence: float
    way_right: bool

    @property
    def right(self) -> bool:
        return abs(self.ratio - 1) <= RIGHT

    @property
    def among(self) -> bool:
        """Whether the true speed is one of the two that are named."""
        return self.right or abs(self.other - 1) <= RIGHT

    @property
    def wrong_and_sure(self) -> bool:
        return np.isfinite(self.ratio) and not self.right and self.confidence >= SURE


def cases(runs: int, first_seed: int) -> list[made.Case]:
    """Every kind of twin with every behaviour but a moved throttle, ordinary and hard in turn."""
    behaviours = [name for name in made.BEHAVIOURS if name != made.MOVED]
    return [
        made.Case(first_seed + i, KINDS[i % 3], ("ordinary", "hard")[i // 3 % 2], behaviours[i // 6 % len(behaviours)])
        for i in range(runs)
    ]


def read(case: made.Case) -> list[Told]:
    """One recording analysed without its firing angles (and rated speed), and as an even twin."""
    scenario = made.scenario_of(case)
    clip, truth = synthesis.make(scenario)
    true_rpm = made.true_speed(truth)
    if not np.isfinite(true_rpm):
        return []
    plain, rated = (made.as_told(scenario.engine, told) for told in (False, True))
    asked = {"not told": _untold(plain), "not told, rated speed told": _untold(rated)}
    asked["taken for even"] = replace(plain, firing_angles_deg=EVEN)
    found = []
    for how, engine in asked.items():
        run = made.analysed(clip, engine)
        speed = run.measures.speed
        ratio, other = ((rpm or float("nan")) / true_rpm for rpm in (speed.rpm, speed.or_rpm))
        way_right = run.engine.firing_angles_deg == scenario.engine.firing_angles_deg
        found.append(Told(case, how, ratio, other, speed.confidence, way_right))
    return found


def _untold(engine: Engine) -> Engine:
    return replace(engine, firing_angles_deg=EVEN, assumed=("firing_angles_deg",))


HEAD = ("firing angles", "n", "speed told", "within 1 % %", "true one named %", "wrong and sure", "angles right %")


def row(name: str, told: Sequence[Told]) -> list[object]:
    """Of all: speeds told, share right, share with the true one among the two, count wrong and sure."""
    n = len(told)
    counts = [sum(test) for test in zip(*((one.right, one.among, one.way_right) for one in told), strict=True)]
    shares = [percent(count, n) for count in counts]
    wrong = sum(one.wrong_and_sure for one in told)
    return [name, n, sum(np.isfinite(one.ratio) for one in told), shares[0], shares[1], wrong, shares[2]]


def twins_table(runs: int, first_seed: int, jobs: int) -> str:
    """All twins by how they were told, then by kind where nothing was told, ordinary and hard apart."""
    told = [one for group in each(read, cases(runs, first_seed), jobs, "twins") for one in group]
    rows = []
    for hardness in ("ordinary", "hard"):
        own = [one for one in told if one.case.hardness == hardness]
        rows += [
            row(f"{hardness}, {how}", [one for one in own if one.how == how])
            for how in dict.fromkeys(one.how for one in own)
        ]
        rows += [
            row(f"- {kind}, not told", [one for one in own if one.case.kind == kind and one.how == "not told"])
            for kind in KINDS
        ]
    return table(HEAD, rows)
