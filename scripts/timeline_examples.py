"""The recordings that the timeline's classifiers are fitted on and measured with, as the timeline hears them."""

from __future__ import annotations

import csv
import pickle
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from measuring.found_engines import AIR, engines_in, played_on
from measuring.found_sounds import drawn_from, found_sound, speakers
from measuring.made import as_told, cases, scenario_of
from measuring.near_sounds import (
    blower,
    electric_motor,
    hum,
    humming_fan,
    music,
    noise,
    notes,
    power_drill,
    rotor,
    wind,
)
from measuring.others import TOLD
from measuring.plain_engines import PlainEngine, fitted_engine, soft_engine
from measuring.plain_others import DRONE, FITTED_KINDS, plain_other
from measuring.real import FOLD_A

from enginelog import limits, media, speed, synthesis, timeline
from enginelog.dsp.signals import resample
from enginelog.model import Clip, Engine, Span, Track
from enginelog.timeline.activity import Activity

FOLDS = 3
FOUR, TWO, CAR = TOLD.values()
SEVERAL = (CAR, Engine(4, 2, (0.0, 270.0)), Engine(4, 3, (0.0, 240.0, 480.0)), Engine(4, 2, (0.0, 360.0)))
ENGINES = (
    *(("start,cut", "ordinary"), ("pulls_only", "ordinary"), ("start,cut", "hard"), ("stall,cut", "ordinary")),
    *((None, "ordinary"), ("pulls_only", "hard"), (None, "hard"), ("start,afterfire,cut", "ordinary")),
    ("start,cut", "easy"),
)
ONLY_PULLS = (("pulls_only", "ordinary"), ("start", "ordinary"), ("pulls_only", "hard"), ("pulls_only", "easy"))

NEAREST = ("electric_motor", "blower", "wind", "music", "notes", "ticks")  # most often taken for an engine
NEAREST_WEIGHT, REAL_WEIGHT, VARIANT_WEIGHT, BENCH_WEIGHT = 2, 32, 8, 4  # real recordings are few


@dataclass(frozen=True)
class PlainTruth:
    """What there is to tell of a plain engine: nobody pulls a starter."""

    spans: tuple[Span, ...]
    seconds: float
    pulls: tuple = ()


@dataclass(frozen=True)
class Example:
    """One recording as the timeline sees it. truth None: no engine. track None: only for the pull classifier.

    weight: as how many made-up recordings it counts.
    """

    name: str
    engine: Engine
    activity: Activity
    track: Track | None
    truth: synthesis.Truth | PlainTruth | None
    real_engine: bool = False
    weight: int = 1

    @property
    def started(self) -> bool:
        """Whether a real engine may be heard to be started, at a moment that nobody wrote down."""
        return self.real_engine and "startup" in self.name

    @property
    def fold(self) -> int:
        """Examples of one recording share a fold."""
        return zlib.crc32(self.name.split("@")[0].encode()) % FOLDS


def made_up(rounds: int, base: int, cache: Path) -> Iterator[Example]:
    """Engines, pulls and other sounds of seeds from `base`."""
    for number in range(rounds):
        for place, (behaviours, hardness) in enumerate(ENGINES):
            yield from engine_example(base + number * len(ENGINES) + place, behaviours, hardness, True, cache)
        for place, kind in enumerate(("saw", "trimmer")):
            seed = base + 3000 + 2 * number + place
            yield from engine_example(seed, "revving" if number % 2 else "start,revving", "ordinary", True, cache, kind)
        yield from more_others(8, base + number * 8, cache)


def whole_runs(count: int, base: int, hardness: str, cache: Path) -> Iterator[Example]:
    """Every kind of engine with every behaviour in turn: without these, rough runs are taken for no engine."""
    for case in cases(count, base, hardness):
        name = f"engine_{case.seed}_{case.kind}_{case.behaviour.replace(',', '-')}_{hardness}"

        def make(name=name, case=case) -> list[Example]:
            scenario = scenario_of(case)
            clip, truth = synthesis.make(scenario)
            return [example(name, clip, as_told(scenario.engine, False), truth, True)]

        yield from kept(cache, name, make)


def more_others(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Sounds without an engine, all kinds in turn, every second round hard."""
    kinds = synthesis.OTHER_KINDS
    for seed in range(base, base + count):
        hardness = "hard" if seed // len(kinds) % 2 else "ordinary"
        yield from other_examples(seed, kinds[seed % len(kinds)], hardness, cache)


def starts(rounds: int, base: int, cache: Path) -> Iterator[Example]:
    """More pulls, with and without a start: what happens at the edges of a run is rare among whole runs."""
    for number in range(rounds):
        for place, hardness in enumerate(("ordinary", "hard", "ordinary", "easy")):
            only = place < 2 or number % 2
            seed = base + 4 * number + place
            yield from engine_example(seed, "pulls_only" if only else "start,cut", hardness, True, cache)


def pulls_and_no_run(count: int, base: int, hardness: str, cache: Path) -> Iterator[Example]:
    """Pulls and no run, in a recording as long as a run's, in which none is to be heard."""
    for seed in range(base, base + count):
        yield from engine_example(seed, "pulls_only", hardness, True, cache)


def buried_starts(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Starts whose pulls lie near or under the noise: a starter is some 20 dB less loud than the run it leads to."""
    kinds = (("start,cut", "ordinary"), ("start,cut", "hard"), ("start,cut", "ordinary"), ("stall,cut", "hard"))
    for number in range(count):
        yield from engine_example(base + number, *kinds[number % len(kinds)], True, cache)


def pulls_alone(rounds: int, base: int, cache: Path) -> Iterator[Example]:
    """More pulls, without a track, for the pull classifier alone."""
    for number in range(rounds):
        for place, (behaviours, hardness) in enumerate(ONLY_PULLS):
            yield from engine_example(
                base + 5000 + number * len(ONLY_PULLS) + place, behaviours, hardness, False, cache
            )


def engine_example(
    seed: int, behaviours: str | None, hardness: str, tracked: bool, cache: Path, kind: str = "any"
) -> Iterator[Example]:
    """One made-up engine; `tracked`: with its speed track."""
    name = f"engine_{seed}_{(behaviours or 'mix').replace(',', '-')}_{hardness}"

    def make() -> list[Example]:
        scenario = synthesis.random_scenario(seed, kind, hardness, behaviours)
        clip, truth = synthesis.make(scenario)
        return [example(name, clip, scenario.engine, truth, tracked)]

    yield from kept(cache, name, make)


def other_examples(seed: int, kind: str, hardness: str, cache: Path) -> Iterator[Example]:
    """A sound without an engine, taken for a four-stroke and for a two-stroke."""
    name = f"other_{seed}_{kind}_{hardness}"

    def make() -> list[Example]:
        return taken_for_both(name, synthesis.make_other(seed, kind, 6.0, hardness))

    yield from kept(cache, name, make)


def listed(folder: Path, fold_a: bool) -> Iterator[tuple[int, dict[str, str], bool, bool]]:
    """Number, row of the index, whether it is an engine and whether a saw, of the real recordings of one half."""
    with (folder / "index.csv").open(encoding="utf-8") as lines:
        for number, row in enumerate(csv.DictReader(lines)):
            if row["file"].startswith(FOLD_A) == fold_a:
                yield number, row, row["kind"] == "engine", row["file"].startswith("chainsaw")


def name_of(row: dict[str, str]) -> str:
    """What the examples of a real recording are called; how they differ comes behind an @."""
    return f"real_{row['kind']}_{row['file'].split('.')[0]}"


def engine_of(row: dict[str, str], saw: bool) -> Engine:
    """The one engine that a real recording is taken for where it is put otherwise."""
    return TWO if saw else CAR if row["file"].startswith("car_motor") else FOUR


def real_examples(folder: Path, fold_a: bool, cache: Path) -> Iterator[Example]:
    """Real recordings of one half: saws as two-strokes, other engines as single and four, the rest as anything."""
    for _, row, is_engine, saw in listed(folder, fold_a):
        engines = ((TWO,) if saw else (FOUR, CAR)) if is_engine else (FOUR, TWO, CAR)
        name = name_of(row)

        def make(name=name, file=row["file"], engines=engines, is_engine=is_engine) -> list[Example]:
            clip = media.read(folder / file)[0]
            return [example(f"{name}@{e.strokes}{e.cylinders}", clip, e, None, True, is_engine) for e in engines]

        yield from kept(cache, name, make, REAL_WEIGHT)


def real_variants(folder: Path, cache: Path) -> Iterator[Example]:
    """The recordings of the tuning fold once more: played slower, faster, and in noise."""
    for number, row, is_engine, saw in listed(folder, fold_a=True):
        engine = engine_of(row, saw)
        for how, change in VARIANTS.items():
            name = f"{name_of(row)}@{how}"

            def make(name=name, file=row["file"], engine=engine, is_engine=is_engine, change=change, number=number):
                clip = change(media.read(folder / file)[0], number)
                return [example(name, clip, engine, None, True, is_engine)]

            yield from kept(cache, name, make, VARIANT_WEIGHT)


def played(clip: Clip, factor: float) -> Clip:
    """The clip played faster by a factor, at its own sampling rate."""
    return Clip(resample(clip.samples, clip.rate_hz * factor, clip.rate_hz), clip.rate_hz)


def in_noise(clip: Clip, seed: int) -> Clip:
    """The clip in noise 8 dB below it, falling by 3 dB an octave."""
    hiss = noise(np.random.default_rng([seed, 3]), len(clip.samples), -0.5)
    whole = clip.samples + hiss * clip.samples.std() * 10 ** (-8 / 20)
    return Clip((whole * 0.5 / np.abs(whole).max()).astype(np.float32), clip.rate_hz)


def real_at_the_bench(count: int, base: int, folder: Path, cache: Path) -> Iterator[Example]:
    """The recordings of the tuning fold in turn, every second round played slower or faster, put where engines are
    recorded: in a room or yard, by a phone."""
    rows = list(listed(folder, fold_a=True))
    for seed in range(base, base + count):
        turn, place = divmod(seed, len(rows))
        _, row, is_engine, saw = rows[place]
        engine = engine_of(row, saw)
        name = f"{name_of(row)}@bench_{seed}"

        def make(name=name, file=row["file"], engine=engine, is_engine=is_engine, seed=seed, turn=turn):
            clip = media.read(folder / file)[0]
            clip = played(clip, factor_of(seed, 0.75)) if turn % 2 else clip
            return [example(name, put(clip, seed, turn), engine, None, True, is_engine)]

        yield from kept(cache, name, make, BENCH_WEIGHT)


def found_engines(rounds: int, base: int, folder: Path, cache: Path) -> Iterator[Example]:
    """Engines that other people recorded, put where engines are recorded `rounds` times each (those of planes, dull
    from within the cabin, half as often), every second time at another speed; taken for a four, every third for a
    single."""
    paths = engines_in(folder, for_fitting=True)
    for turn in range(rounds):
        for place, path in enumerate(paths):
            if path.parent.name != AIR or turn < rounds // 2:
                yield from found_engine(path, base + turn * len(paths) + place, turn, cache)


def found_engine(path: Path, seed: int, turn: int, cache: Path) -> list[Example]:
    """One of them at one place."""
    engine = (CAR, FOUR, CAR)[turn % 3]
    name = f"road_{path.stem}@bench_{seed}"

    def make() -> list[Example]:
        clip = played_on(media.read(str(path))[0], seed, factor_of(seed, 0.6) if turn % 2 else 1.0)
        return [example(name, put(clip, seed, turn), engine, None, True, real_engine=True)]

    return kept(cache, name, make, BENCH_WEIGHT)


def factor_of(seed: int, slowest: float) -> float:
    """How many times as fast a recording is played, from `slowest` to 1.3."""
    return float(np.random.default_rng([seed, 4]).uniform(slowest, 1.3))


def put(clip: Clip, seed: int, turn: int) -> Clip:
    """The clip where engines are recorded: each two turns at a place as hard as the next of BENCHES."""
    return synthesis.at_the_bench(clip, seed, BENCHES[turn // 2 % len(BENCHES)])


BENCHES = ("easy", "ordinary", "ordinary", "hard")
VARIANTS = {
    "slow": lambda clip, seed: played(clip, 0.8),
    "fast": lambda clip, seed: played(clip, 1.15),
    "noise": in_noise,
}


def motors(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Electric motors by two makers: of all sounds without an engine the ones most often taken for one."""
    yield from sounds(count, base, (electric_motor, blower), cache)


def wind_and_music(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Wind, notes and twice as much music: after electric motors the ones most often taken for an engine."""
    yield from sounds(count, base, (wind, music, notes), cache)
    yield from sounds(count, base + count, (music,), cache)


def own_negatives(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Steady sounds that come near to an engine, each taken for two engines."""
    yield from sounds(count, base, (rotor, humming_fan, electric_motor, power_drill, hum), cache)


def sounds(count: int, base: int, makers: tuple, cache: Path) -> Iterator[Example]:
    """`count` sounds of each maker, each taken for two engines."""
    for seed in range(base, base + count):
        for make_sound in makers:
            name = f"own_{seed}_{make_sound.__name__}"

            def make(name=name, seed=seed, make_sound=make_sound) -> list[Example]:
                return taken_for_both(name, make_sound(seed))

            yield from kept(cache, name, make, weight_of(make_sound.__name__))


def plain_engines(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Engines by the second maker, every second one hard: what one maker's engines share does not make an engine."""
    for seed in range(base, base + count):
        yield from plain_example(f"plain_{seed}", lambda seed=seed: fitted_engine(seed), cache)


def soft_engines(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Engines by the second maker without a knock, every second one hard: heard from afar, or from behind a wall."""
    for seed in range(base, base + count):
        yield from plain_example(f"soft_{seed}", lambda seed=seed: soft_engine(seed, fitted=True), cache)


def plain_example(name: str, made: Callable[[], PlainEngine], cache: Path) -> list[Example]:
    """One engine of the second maker."""

    def make() -> list[Example]:
        plain = made()
        return [example(name, plain.clip, plain.engine, PlainTruth(plain.spans, plain.clip.seconds), True)]

    return kept(cache, name, make)


def plain_others(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Sounds without an engine by the second maker, each taken for two engines."""
    for seed in range(base, base + count):
        yield from plain_other_examples(seed, FITTED_KINDS[seed % len(FITTED_KINDS)], cache)


def drones(count: int, base: int, cache: Path) -> Iterator[Example]:
    """Sums of harmonics that are too even for an engine."""
    for seed in range(base, base + count):
        yield from plain_other_examples(seed, DRONE, cache)


def plain_other_examples(seed: int, kind: str, cache: Path) -> Iterator[Example]:
    """A sound without an engine by the second maker, taken for two engines."""
    name = f"plain_other_{seed}_{kind}"

    def make() -> list[Example]:
        return taken_for_both(name, plain_other(seed, kind))

    yield from kept(cache, name, make, weight_of(kind))


def found_sounds(count: int, base: int, folder: Path, cache: Path) -> Iterator[Example]:
    """Talk, effects, music that other people recorded, at the bench, each taken for two engines."""
    found = speakers(folder, for_fitting=True)
    for seed in range(base, base + count):

        def make(seed=seed) -> list[Example]:
            one = found_sound(found, seed)
            return [] if one is None else taken_for_both(f"found_{seed}_{one.hardness}_{one.speaker}", one.clip)

        yield from kept(cache, f"found_{seed}", make, weight_of(drawn_from(found, seed)))


def weight_of(kind: str) -> int:
    """As how many made-up recordings a sound of a kind counts."""
    return NEAREST_WEIGHT if kind in NEAREST else 1


def taken_for_both(name: str, clip: Clip) -> list[Example]:
    """A clip without an engine, taken for two engines: half of the clips for both singles, half for a single and one of
    SEVERAL, whose many lines find something to lie on in every noise."""
    several = SEVERAL[zlib.crc32(name.encode()) // 4 % len(SEVERAL)]
    engines = ((FOUR, TWO), (FOUR, TWO), (FOUR, several), (TWO, several))[zlib.crc32(name.encode()) % 4]
    return [example(f"{name}@{engine.strokes}{engine.cylinders}", clip, engine, None, True) for engine in engines]


def kept(cache: Path, name: str, make, weight: int = 1) -> list[Example]:
    """The examples from the cache, made first where they are not in it; `weight` is the fit's and not kept there."""
    path = cache / f"{name}.pickle"
    if not path.exists():
        path.write_bytes(pickle.dumps(make()))
    return [replace(one, weight=weight) for one in pickle.loads(path.read_bytes())]


def example(name: str, clip: Clip, engine: Engine, truth, tracked: bool, real_engine: bool = False) -> Example:
    """The recording heard and, where wanted, tracked."""
    heard = timeline.listen(clip, limits.load("timeline"))
    track = speed.track(clip, engine, limits.load("speed")) if tracked else None
    return Example(name, engine, heard, track, truth, real_engine)
