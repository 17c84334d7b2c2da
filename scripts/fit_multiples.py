"""Fits the network that tells a track of the true speed from one of a part or a multiple of it (speed/multiples.npz).

    python scripts/fit_multiples.py [--jobs 2] [--write]

Made-up recordings by both makers, tuning seeds (56 000 to 64 999): all kinds and behaviours, hard and ordinary, engines
of several cylinders and two-strokes that misfire, plain and soft engines, and plain ones that fail in all ways. Each is
tracked as it is, and once more about a third, half, twice and three times the true speed, so that wrong tracks are as
many as right ones. Shown is what becomes of the tracks as they are on recordings kept back; `--write` replaces the
network. Figures to quote come from scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fit_emission import gradient, mean_of, save
from measuring import made
from measuring.adam import Adam
from measuring.plain_engines import plain_engine, soft_engine
from measuring.pool import each

from enginelog import limits, synthesis
from enginelog.model import Clip, Engine
from enginelog.speed import multiples
from enginelog.speed.emission import REACH, Net
from enginelog.speed.tracking import Looked, likeliest, looked_at, near, refined

TARGET = Path(multiples.__file__).with_name("multiples.npz")
HARD, ORDINARY, COUNT = 60_000, 62_000, 910  # first seeds, and recordings of each
PLAIN, PLAINS, FAULTY, FAULTIES = 60_000, 400, 63_000, 400
UNLIKE, UNLIKES = 64_000, 600
UNLIKE_KINDS = ("twin_360", "two_stroke_twin", "triple", "four", "trimmer", "saw")
UNLIKE_BEHAVIOURS = ("steady", "misfire", "hunting", "start", "start,misfire")
KEPT_HARD, KEPT_ORDINARY, KEPT, KEPT_PLAINS = 56_000, 58_000, 312, 200
FORCED = (1 / 3, 1 / 2, 2.0, 3.0)
FORCED_COUNTS = 0.4  # as much as a track as it is
RATED = 0.25  # of the recordings, of which the rated speed is told
WITHIN, MOSTLY, LEAST_FRAMES = 0.03, 0.6, 20
UNTOLD = 0.04  # of the examples, whose lines are left out as in a block too short for them
MEMBERS, HIDDEN, STEPS, BATCH, RATE, SHAKEN = 4, 16, 6000, 128, 0.003, 0.1
TAKEN = limits.load("speed").value("multiple_taken")
OWN_COLUMN = multiples.COLUMNS + 3  # says which of the multiples is the track as it is: left out where it was forced


@dataclass(frozen=True)
class Job:
    """One recording: of the first maker, or, without a case, a plain one of the second."""

    seed: int
    case: made.Case | None = None
    faulty: bool = False
    forced: bool = True


@dataclass(frozen=True)
class Example:
    """Inputs (multiples, inputs) of a track, which of the multiples is right, and whether it is the track as it is."""

    inputs: np.ndarray
    right: int
    natural: bool


def jobs(kept: bool) -> list[Job]:
    """All recordings of the fit, or those kept back."""
    if kept:
        drawn = made.cases(KEPT, KEPT_HARD, "hard") + made.cases(KEPT, KEPT_ORDINARY, "ordinary")
        plain = range(KEPT_HARD, KEPT_HARD + KEPT_PLAINS)
        return [Job(c.seed, c, forced=False) for c in drawn] + [Job(seed, forced=False) for seed in plain]
    drawn = made.cases(COUNT, HARD, "hard") + made.cases(COUNT, ORDINARY, "ordinary")
    for number in range(UNLIKES):
        kind, hardness = UNLIKE_KINDS[number % len(UNLIKE_KINDS)], ("ordinary", "hard")[number % 2]
        behaviour = UNLIKE_BEHAVIOURS[number // len(UNLIKE_KINDS) % len(UNLIKE_BEHAVIOURS)]
        drawn.append(made.Case(UNLIKE + number, kind, hardness, behaviour))
    plain = [Job(seed) for seed in range(PLAIN, PLAIN + PLAINS)]
    faulty = [Job(seed, faulty=True) for seed in range(FAULTY, FAULTY + FAULTIES)]
    return [Job(case.seed, case) for case in drawn] + plain + faulty


def examples(job: Job) -> list[Example]:
    """All tracks of one recording whose speed is a known multiple of the true one throughout."""
    if job.case is not None:
        scenario = made.scenario_of(job.case)
        clip, truth = synthesis.make(scenario)
        rated = np.random.default_rng(job.seed).random() < RATED and bool(scenario.engine.rated_rpm)
        engine = made.as_told(scenario.engine, bool(rated))
        true = truth.t_s, truth.rpm, truth.run_up_end_s or 0.0, truth.run_end_s
        return tracks_of(clip, engine, true, job.forced)
    hard = job.seed % 2 == 1
    plain = (
        soft_engine(job.seed)
        if job.seed % 3 == 0 and not job.faulty
        else plain_engine(job.seed, hard, faulty=job.faulty)
    )
    true = plain.t_s, plain.rpm_over_t, plain.start_s + 0.3, plain.stop_s - 0.3
    return tracks_of(plain.clip, plain.engine, true, job.forced)


def tracks_of(
    clip: Clip, engine: Engine, true: tuple[np.ndarray, np.ndarray, float, float], forced: bool
) -> list[Example]:
    """The same. true: moments, the speed at each, from when and until when it runs."""
    chosen = limits.load("speed")
    seen = looked_at(clip, engine, chosen)
    t_s, rpm, from_s, until_s = true
    true_hz = np.interp(seen.times, t_s, rpm) / 60.0 / engine.revs_per_cycle
    running = (seen.times >= from_s) & (seen.times <= until_s) & (true_hz > 3.0)
    if running.sum() < LEAST_FRAMES:
        return []
    found = []
    for natural, path in paths(seen, float(np.median(true_hz[running])), engine, chosen, forced):
        fine = refined(seen, path, engine)
        away = np.log(true_hz[running] / fine.cycle_hz[running])
        share = [np.mean(np.abs(away - np.log(ratio)) < WITHIN) for ratio in multiples.RATIOS]
        if max(share) > MOSTLY:
            inputs = multiples.inputs_of(seen.signals, seen.times, fine, seen.said, path, engine)
            inputs[:, OWN_COLUMN] *= natural
            found.append(Example(inputs, int(np.argmax(share)), natural))
    return found


def paths(
    seen: Looked, true_hz: float, engine: Engine, chosen: limits.LimitSet, forced: bool
) -> Iterator[tuple[bool, np.ndarray]]:
    """The track as it is (True), then those about multiples of the true rate, in states."""
    yield True, likeliest(seen.gain, engine, chosen)
    for ratio in FORCED if forced else ():
        inside = np.flatnonzero(np.abs(np.log(seen.grid / (ratio * true_hz))) < chosen.value("about_within"))
        if len(inside) > 2:
            middle = np.full(len(seen.times), (inside[0] + inside[-1]) // 2)
            yield False, likeliest(near(seen.gain, middle, len(inside) // 2), engine, chosen)


def fit(found: list[Example]) -> Net:
    """The mean of several networks fitted on the same examples, each from beginnings of its own."""
    x = np.array([one.inputs for one in found])
    x[np.random.default_rng(0).random(len(x)) < UNTOLD, :, : multiples.COLUMNS] = 0.0
    right = np.array([one.right for one in found])
    weight = np.where([one.natural for one in found], 1.0, FORCED_COUNTS)
    return mean_of([fit_one(x, right, weight, seed) for seed in range(MEMBERS)])


def fit_one(x: np.ndarray, right: np.ndarray, weight: np.ndarray, seed: int) -> Net:
    """Conditional logit by Adam: x (examples, multiples, inputs), right (examples,)."""
    rng = np.random.default_rng(seed)
    flat = x.reshape(-1, x.shape[2])
    mean, spread, size = flat.mean(axis=0), flat.std(axis=0) + 1e-3, x.shape[2]
    z = np.clip((x - mean) / spread, -REACH, REACH)
    values = [rng.standard_normal((size, HIDDEN)) / np.sqrt(size), np.zeros(HIDDEN)]
    values += [rng.standard_normal(HIDDEN) / np.sqrt(HIDDEN), 0.1 * rng.standard_normal(size)]
    net, chances = Adam(values), np.cumsum(weight / weight.sum())
    for step in range(STEPS):
        rows = np.searchsorted(chances, rng.random(BATCH)).clip(0, len(x) - 1)
        shaken = z[rows] + SHAKEN * rng.standard_normal(z[rows].shape)
        net.move(gradient(net.values, shaken, right[rows]), RATE * min(1.0, 1.5 * (STEPS - step) / STEPS))
    return Net(mean, spread, *net.values)


def show(net: Net, found: list[Example]) -> None:
    """Print what becomes of the tracks as they are, and how often each is right by how sure the network is of it."""
    natural = [one for one in found if one.natural]
    chance = np.array([multiples.weighed(one.inputs, net) for one in natural])
    right = np.array([one.right for one in natural])
    own, taken = right == multiples.OWN, np.where(chance.max(axis=1) > TAKEN, chance.argmax(axis=1), multiples.OWN)
    print(f"{len(natural)} tracks, {(~own).sum()} of a part or a multiple: {(taken == right)[~own].sum()} mended")
    print(f"{own.sum()} of the true speed: {(taken != right)[own].sum()} spoilt")
    for low, high in ((0.0, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 0.97), (0.97, 0.99), (0.99, 1.01)):
        of = (chance[:, multiples.OWN] >= low) & (chance[:, multiples.OWN] < high)
        if of.any():
            print(f"  stated {low:.2f} to {min(high, 1.0):.2f}: {of.sum()} tracks, {own[of].mean():.3f} right")


def main() -> None:
    """Gather the examples, fit, show, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="replace multiples.npz")
    told = parser.parse_args()
    found = [one for group in each(examples, jobs(kept=False), told.jobs, "recordings") for one in group]
    net = fit(found)
    kept = [one for group in each(examples, jobs(kept=True), told.jobs, "recordings kept back") for one in group]
    show(net, kept)
    if told.write:
        save(net, TARGET)


if __name__ == "__main__":
    main()
