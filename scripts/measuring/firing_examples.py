"""The recordings from which the classifiers of lost firings are learned, and what is seen of each."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from enginelog import limits, synthesis
from enginelog.analysis import tracked
from enginelog.firing import counting, cues, grid, locating
from enginelog.model import Clip, Engine, Track
from measuring import by_fault
from measuring.made import as_told, moved_as
from measuring.matching import FiringTruth, labels
from measuring.plain_engines import fitted_engine

FOLDS = 3
BEHAVIOURS = (
    *("steady", "misfire_random", "misfire_burst", "steady", "misfire_puffing", "own", "start", "hunting", "also_own"),
    *("settling", "steady", "own", "never_settles", "load_step", "misfire_random", "moved", "misfire_puffing"),
)
NONE_SHARE = 0.006  # up to which a slot counts as losing none
FAULT_SEED, HEALTHY_SEED, PLAIN_SEED = 5000, 6026, 7000
Chunks = list[tuple[cues.Cues, np.ndarray]]


def scenario_of(number: int) -> tuple[synthesis.Scenario, bool]:
    """Recording `number`, and whether its rated speed is told: all kinds and behaviours, a quarter of them hard."""
    rng = np.random.default_rng(number + 77)
    kind = list(synthesis.KINDS)[number % len(synthesis.KINDS)]
    behaviour = BEHAVIOURS[number % len(BEHAVIOURS)]
    hardness = "hard" if rng.random() < 0.28 else "ordinary"
    several, two_stroke = kind_of(kind)
    if behaviour in ("own", "also_own"):
        second = two_stroke and (not several or (behaviour == "own" and rng.random() < 0.5))
        single = "misfire_random" if behaviour == "own" else "misfire_burst"
        behaviour = "misfire_every_second" if second else ("misfire_cylinder" if several else single)
    if behaviour == "moved":
        behaviour = moved_as(kind)
    fixed = by_fault.PUFF if behaviour == "misfire_random" and rng.random() < 0.4 else {}
    seconds = float(rng.uniform(8, 13))
    made = synthesis.random_scenario(number, kind, hardness, behaviour, seconds=seconds, **fixed)
    return made, bool(rng.random() < 0.6)


def kind_of(kind: str) -> tuple[bool, bool]:
    """(several cylinders, two-stroke)."""
    engine = synthesis.random_scenario(0, kind).engine
    return engine.cylinders > 1, engine.strokes == 2


def seen_of(clip: Clip, track: Track, truth: FiringTruth, engine: Engine) -> Chunks:
    """The cues of each chunk of a recording, and which events were lost: 1, fired: 0, not known: -1."""
    settings = limits.load("firing")
    sound, grids = locating.lay(clip, track, engine, settings)
    shortest = float(np.diff(np.append(grid.places(engine), 1.0)).min())
    windows = [
        locating.see(sound, piece, engine.cylinders, shortest, settings)[0]
        for laid in grids
        for piece in locating.chunks(laid, engine.cylinders)
    ]
    if not windows:
        return []
    wanted = labels(truth, np.concatenate([one.t_s for one in windows]), engine)
    each = np.split(wanted, np.cumsum([len(one.t_s) for one in windows])[:-1])
    enough = max(8, engine.cylinders * settings.value("fewest_to_judge"))
    return [
        (cues.measure(one, engine, settings), lost)
        for one, lost in zip(windows, each, strict=True)
        if len(one.t_s) >= enough
    ]


@dataclass(frozen=True)
class Example:
    """One recording. name: in the cache; fold: third to which it belongs; group: what it is counted under; chunks: cues
    and labels; points: within which its share is right."""

    name: str
    fold: int
    group: str
    chunks: Chunks
    points: float = counting.POINTS

    @property
    def true_percent(self) -> float:
        """Share lost of the events whose truth is known."""
        known = np.concatenate([lost[lost >= 0] for _, lost in self.chunks])
        return 100 * float(np.mean(known == 1)) if len(known) else 0.0


def kept(path: Path, make: Callable) -> Chunks:
    """The chunks in `path`; made by make() -> (clip, truth, engine, track) where the file is not there."""
    if not path.exists():
        clip, truth, engine, track = make()
        path.write_bytes(pickle.dumps(seen_of(clip, track, truth, engine)))
    return pickle.loads(path.read_bytes())


def mixed(first: int, end: int, cache: Path) -> Iterator[Example]:
    """The mixture of all behaviours."""
    for number in range(first, end):
        scenario, rated = scenario_of(number)

        def make(scenario=scenario, rated=rated):
            clip, truth = synthesis.make(scenario)
            engine = as_told(scenario.engine, rated)
            return clip, truth, engine, tracked(clip, engine, limits.load("speed"), limits.load("firing"))

        points = by_fault.NEAR if scenario.misfires.puff[0] > 0.2 else counting.POINTS
        chunks = kept(cache / f"firing_{number:05d}.pkl", make)
        yield Example(f"{number}", number % FOLDS, f"mixed, {kind_name(scenario)}", chunks, points)


def faulty(count: int, cache: Path) -> Iterator[Example]:
    """The rows by fault, `count` of each; those of a seed, which share a machine, belong to the same third."""
    wanted = by_fault.cases([], range(FAULT_SEED, FAULT_SEED + count), "ordinary")
    wanted += by_fault.cases([], range(FAULT_SEED, FAULT_SEED + count // 2), "hard")
    for hardness in ("ordinary", "hard"):
        wanted += by_fault.cases(["healthy"], range(HEALTHY_SEED, HEALTHY_SEED + count // 2), hardness)
    for case in wanted:
        name = f"{case.hardness}_{case.row.replace('/', '-').replace(' ', '_')}_{case.kind}_{case.seed}"
        chunks = kept(cache / f"{name}.pkl", partial(by_fault.made, case))
        yield Example(name, case.seed % FOLDS, f"{case.hardness}, {case.row}", chunks, by_fault.ROWS[case.row].points)


def plain(count: int, cache: Path) -> Iterator[Example]:
    """Engines of the second maker, failing in all its ways."""
    for seed in range(PLAIN_SEED, PLAIN_SEED + count):
        made = fitted_engine(seed, faulty=True)

        def make(made=made):
            track = tracked(made.clip, made.engine, limits.load("speed"), limits.load("firing"))
            return made.clip, made, made.engine, track

        chunks = kept(cache / f"plain_{seed}.pkl", make)
        points = by_fault.NEAR if made.puffs else counting.POINTS
        yield Example(f"plain_{seed}", seed % FOLDS, f"plain, {'hard' if seed % 2 else 'clear'}", chunks, points)


def kind_name(made: synthesis.Scenario) -> str:
    """Hardness and kind of engine, in words."""
    several = "single" if made.engine.cylinders == 1 else "twin" if made.engine.cylinders == 2 else "three and four"
    return f"{made.hardness}, {'two-stroke ' if made.engine.strokes == 2 else ''}{several}"


# ---------------------------------------------------------------- ablations


def without_dip(read: cues.Cues) -> cues.Cues:
    """The crank's slowing after a lost firing left out."""
    return _blank(replace(read, slowing=np.zeros_like(read.slowing)), ("slowing_about", "slowing_after"))


def without_bands(read: cues.Cues) -> cues.Cues:
    """All bands as one: their mean window, and no cue of a group of bands."""
    mean = read.parts.reshape(len(read.parts), -1, cues.BINS).mean(1)
    single = [f"{name}_{k}" for name in ("pulse", "level") for k in range(1, 5)]
    return _blank(
        replace(read, parts=mean), (*single, "strongest_1", "strongest_2", "agree_12", "agree_23", "agree_13")
    )


def without_shape(read: cues.Cues) -> cues.Cues:
    """No envelope within the window: only how loud each band was."""
    level = read.parts.reshape(len(read.parts), -1, cues.BINS).mean(2)
    shaped = [
        name for name in cues.NAMES if name.startswith(("pulse", "change", "plain", "front", "strongest", "agree"))
    ]
    return _blank(replace(read, parts=np.repeat(level, cues.BINS, axis=1)), tuple(shaped))


def _blank(read: cues.Cues, names: tuple[str, ...]) -> cues.Cues:
    table = read.table.copy()
    table[:, [cues.NAMES.index(name) for name in names]] = 0.0
    return replace(read, table=table)


WITHOUT = {"dip": without_dip, "bands": without_bands, "shape": without_shape}
