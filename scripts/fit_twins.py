"""Fits how a twin fires, by its sound, where nobody told it (enginelog/speed/twins.json).

    python scripts/fit_twins.py [--recordings 480] [--plain 1600] [--jobs 2] [--write]

Four-stroke twins of the three usual ways of firing, with every behaviour, half of them hard, each told without and with
its rated speed (seeds from 2000 and 7000), and those among the first `--plain` engines of the second maker. Seven
eighths of the seeds fit and one eighth is shown, in turn; written is a fit on all. Figures to quote come from
scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from measuring import made
from measuring.plain_engines import fitted_engine
from measuring.pool import each
from measuring.untold_twins import KINDS

from enginelog import limits, synthesis
from enginelog.dsp.stored import Model
from enginelog.model import Clip, Engine
from enginelog.speed import twins

TARGET = Path(twins.__file__).parent / "twins.json"
FIRST = {"ordinary": 2000, "hard": 7000}
PARTS = 8
RIDGE = 3e-3
SURE = (0.9, 0.95)


@dataclass(frozen=True)
class Heard:
    """One twin as heard: figures (n,), number of its true way in twins.WAYS, seed, and what it is counted under."""

    figures: np.ndarray
    way: int
    seed: int
    group: str


def made_up(recordings: int) -> list[made.Case]:
    """Every kind of twin with every behaviour, ordinary and hard in turn."""
    found = []
    for number in range(recordings // 2):
        kind, behaviour = KINDS[number % len(KINDS)], made.BEHAVIOURS[number // len(KINDS) % len(made.BEHAVIOURS)]
        found += [made.Case(first + number, kind, hardness, behaviour) for hardness, first in FIRST.items()]
    return found


def heard(case: made.Case | int) -> list[Heard]:
    """What is heard of a recording of the first maker, or of the second maker's engine of this seed if it is a twin."""
    if isinstance(case, int):
        plain = fitted_engine(case)
        if (plain.engine.strokes, plain.engine.cylinders) != (4, 2):
            return []
        return [_heard(plain.clip, plain.engine, case, f"plain, {('clear', 'hard')[case % 2]}")]
    scenario = made.scenario_of(case)
    clip, truth = synthesis.make(scenario)
    if not np.isfinite(made.true_speed(truth)):
        return []
    told = [(rated, made.as_told(scenario.engine, rated)) for rated in (False, True)]
    return [
        _heard(clip, engine, case.seed, f"{case.hardness}, rated speed {'told' if rated else 'not told'}")
        for rated, engine in told
    ]


def _heard(clip: Clip, engine: Engine, seed: int, group: str) -> Heard:
    twin = twins.Twin(engine, limits.load("speed"))
    twin.hear(clip)
    return Heard(twin.figures(), twins.WAYS.index(engine.firing_angles_deg), seed, group)


def fit(x: np.ndarray, way: np.ndarray) -> Model:
    """Ridge multinomial logistic regression of `way` (n,) on figures (n, k)."""
    from scipy.optimize import minimize

    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = np.column_stack([np.ones(len(x)), np.clip((x - mean) / spread, -twins.WIDEST, twins.WIDEST)])
    wanted = np.eye(len(twins.WAYS))[way]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weight = flat.reshape(len(twins.WAYS), -1)
        logit = z @ weight.T
        logit -= logit.max(axis=1, keepdims=True)
        share = np.exp(logit) / np.exp(logit).sum(axis=1, keepdims=True)
        held = np.column_stack([np.zeros(len(weight)), weight[:, 1:]])
        slope = (share - wanted).T @ z / len(z) + 2 * RIDGE * held
        return float(-np.mean(np.log((share * wanted).sum(axis=1) + 1e-12)) + RIDGE * (held**2).sum()), slope.ravel()

    start = np.zeros(len(twins.WAYS) * z.shape[1])
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 1000}).x
    return Model(mean, spread, found.reshape(len(twins.WAYS), -1))


def show(found: list[Heard]) -> None:
    """Print how often the way that each eighth is told by the others is right, and whether it is even or not."""
    x, way, seeds = (np.array([getattr(one, name) for one in found]) for name in ("figures", "way", "seed"))
    chance = np.zeros((len(found), len(twins.WAYS)))
    for part in range(PARTS):
        shown = seeds // len(KINDS) % PARTS == part
        model = fit(x[~shown], way[~shown])
        chance[shown] = [twins.chance_of(row, model) for row in x[shown]]
    right = chance.argmax(axis=1) == way
    even = np.where(way == 0, chance[:, 0], 1 - chance[:, 0])  # chance given to what is so: even, or not
    surest = np.maximum(even, 1 - even)
    groups = np.array([one.group for one in found])
    for name in ("", *sorted(set(groups))):
        own = np.array([name in group for group in groups])
        told = [
            f"sure by {least}: {(surest[own] >= least).mean():.3f}, of these right "
            f"{(even[own & (surest >= least)] > 0.5).mean():.3f}"
            for least in SURE
        ]
        print(
            f"{name or 'all':32s} {own.sum():4d}: way right {right[own].mean():.3f}, "
            f"even or not {(even[own] > 0.5).mean():.3f}, {', '.join(told)}"
        )


def main(arguments: list[str]) -> int:
    """Run with the words of the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=480)
    parser.add_argument("--plain", type=int, default=1600)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true")
    told = parser.parse_args(arguments)
    cases: list[made.Case | int] = [*made_up(told.recordings), *range(told.plain)]
    found = [one for group in each(heard, cases, told.jobs, "recordings") for one in group]
    show(found)
    if told.write:
        model = fit(np.array([one.figures for one in found]), np.array([one.way for one in found]))
        rounded = {
            name: np.vectorize(lambda value: float(f"{value:.5g}"))(values).tolist()
            for name, values in vars(model).items()
        }
        TARGET.write_text(json.dumps(rounded) + "\n", encoding="utf-8")
        print(f"written: {TARGET.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
