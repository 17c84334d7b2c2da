"""Rows by fault: what is claimed of each, over every kind of engine that can show it, singles and others apart.

Each row has recordings of all its kinds in turn. A share stated counts as right within what is claimed of that row.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from enginelog import firing, limits, synthesis
from enginelog.analysis import tracked
from enginelog.model import Clip, Engine, Track
from measuring.lost_firings import Counted, counted, table
from measuring.made import as_told
from measuring.matching import FiringTruth, labels
from measuring.pool import each

SECONDS = 12.0
ALL = tuple(synthesis.KINDS)
TWO_STROKES = tuple(kind for kind in ALL if synthesis.KINDS[kind].strokes == 2)
PUFF = {"misfires": {"puff": (0.25, 0.45)}, "colour": {"strength_spread": 0.15}}
WEAK = {"misfires": {"puff": (0.25, 0.45), "partial_share": 0.04}}
NEAR = 1.5  # points within which a share is right where a lost firing still puffs (the claim of that row)


@dataclass(frozen=True)
class Row:
    """One claim: how the engines behave, what is fixed of each recording, the kinds that can show it. points: within
    which a share is right, or 7 % of it."""

    behaviour: str
    kinds: tuple[str, ...] = ALL
    fixed: dict = field(default_factory=dict)
    points: float = 0.5


ROWS = {
    "healthy": Row("steady"),
    "random": Row("misfire_random"),
    "burst": Row("misfire_burst"),
    "puff": Row("misfire_random", ALL, PUFF, NEAR),
    "puff and weak burns": Row("misfire_random", ALL, WEAK, NEAR),
    "one cylinder, 270/450": Row("misfire_cylinder", ("twin_270",)),
    "one cylinder, 180/540": Row("misfire_cylinder", ("twin_180",)),
    "one cylinder, 360/360": Row("misfire_cylinder", ("twin_360",)),
    "every second, two-stroke": Row("misfire_every_second", TWO_STROKES),
}


@dataclass(frozen=True)
class Case:
    """One recording to be made. true_speed: judged with the true speed; cache: folder in which it is kept."""

    row: str
    kind: str
    seed: int
    hardness: str
    rated: bool = True
    true_speed: bool = False
    cache: Path | None = None

    @property
    def group(self) -> str:
        """Which part of its row it belongs to."""
        kind = synthesis.KINDS[self.kind]
        if kind.strokes == 2:
            return "two-strokes"
        return "singles" if len(kind.angles_deg) == 1 else "several cylinders"


def cases(names: Sequence[str], seeds: range, hardness: str, **how) -> list[Case]:
    """The recordings of the rows named (all if none is), their kinds in turn."""
    chosen = {name: row for name, row in ROWS.items() if not names or name in names}
    return [
        Case(name, row.kinds[i % len(row.kinds)], seed, hardness, **how)
        for name, row in chosen.items()
        for i, seed in enumerate(seeds)
    ]


def scenario_of(case: Case) -> synthesis.Scenario:
    """The recording described completely."""
    row = ROWS[case.row]
    return synthesis.random_scenario(case.seed, case.kind, case.hardness, row.behaviour, seconds=SECONDS, **row.fixed)


def made(case: Case) -> tuple[Clip, synthesis.Truth, Engine, Track]:
    """The recording, its truth, the engine as told and the speed as tracked; from the cache where it is there."""
    name = f"{case.hardness}_{case.row.replace('/', '-')}_{case.kind}_{case.seed}_{case.rated:d}.pkl"
    path = None if case.cache is None else case.cache / name.replace(" ", "_")
    if path is not None and path.exists():
        return pickle.loads(path.read_bytes())
    scenario = scenario_of(case)
    clip, truth = synthesis.make(scenario)
    engine = as_told(scenario.engine, case.rated)
    out = clip, truth, engine, tracked(clip, engine, limits.load("speed"), limits.load("firing"))
    if path is not None:
        path.write_bytes(pickle.dumps(out))
    return out


def track_of(truth: synthesis.Truth, seed: int) -> Track:
    """A speed track as the speed stage gives it: 20 frames a second, small errors, an occasional gap."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.025, truth.seconds, 0.05)
    rpm = np.mean([truth.speed_at(t + d) for d in np.linspace(-0.1, 0.1, 9)], axis=0)
    knots = np.arange(0, len(t) + 20, 10)
    rpm *= (
        1
        + 0.002 * rng.standard_normal(len(t))
        + 0.001 * np.interp(np.arange(len(t)), knots, rng.standard_normal(len(knots)))
    )
    running = np.zeros(len(t), bool)
    for span in truth.spans:
        if span.kind == "run":
            running |= (t > span.start_s) & (t < span.end_s)
    rpm[~running] = np.nan
    if rng.random() < 0.4 and len(t) > 60:
        start = rng.integers(10, len(t) - 25)
        rpm[start : start + rng.integers(2, 15)] = np.nan
    return Track(t, rpm, np.where(np.isfinite(rpm), 0.95, 0.0), 0.002 * rpm)


def read(case: Case) -> Counted:
    """Make one recording and count what is reported of it."""
    clip, truth, engine, track = made(case)
    if case.true_speed:
        track = track_of(truth, case.seed)
    return counted_in(case.row, clip, track, truth, engine, ROWS[case.row].points)


def counted_in(name: str, clip: Clip, track: Track, truth: FiringTruth, engine: Engine, points: float) -> Counted:
    """What is reported of the firings of one recording, whose share is right within `points`."""
    found = firing.locate(clip, track, engine, limits.load("firing"))
    return replace(counted(name, found, truth, labels(truth, found.t_s, engine), engine), points=points)


def measured(wanted: Sequence[Case], jobs: int) -> list[tuple[Case, Counted]]:
    """Each recording with what was counted."""
    return list(zip(wanted, each(read, wanted, jobs, "recordings by fault"), strict=True))


def shown(found: Sequence[tuple[Case, Counted]]) -> str:
    """The table, a row a fault and below it its singles, its two-strokes and its several cylinders."""
    rows = []
    for name in dict.fromkeys(case.row for case, _ in found):
        mine = [(case, one) for case, one in found if case.row == name]
        rows.append((name, [one for _, one in mine]))
        groups = list(dict.fromkeys(case.group for case, _ in mine))
        rows += [
            (f"- {group}", [one for case, one in mine if case.group == group]) for group in groups if len(groups) > 1
        ]
    return table(rows, [one for _, one in found])


def missed(found: Sequence[tuple[Case, Counted]]) -> str:
    """The recordings of which something wrong was stated with confidence, a line each, to look into."""
    return "\n".join(
        f"{case.row}, {case.kind}, seed {case.seed}: {one.percent} % told, {one.true_percent:.2f} % true"
        for case, one in found
        if one.confident_wrong
    )
