"""Fit the confidence of the speed track on made-up recordings with known truth, and show how well it is calibrated.

    python scripts/fit_confidence.py --engines 90 --others 5 --write

Two thirds of the tuning seeds (0 upward) fit, the last third is shown; `--write` then fits on all of them and replaces
enginelog/speed/confidence.json. Figures to quote come from scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from enginelog import limits, synthesis
from enginelog.model import Clip, Engine
from enginelog.speed.confidence import terms
from enginelog.speed.tracking import pursue

TARGET = Path(__file__).resolve().parents[1] / "enginelog" / "speed" / "confidence.json"
LONGEST_S = 14.0
RIDGE = 1e-4
WITHIN = 0.03


def _rows(clip: Clip, engine: Engine, truth: synthesis.Truth | None) -> tuple[np.ndarray, np.ndarray]:
    """Rhythm of every second frame, and whether its speed was right."""
    clip = Clip(clip.samples[: int(LONGEST_S * clip.rate_hz)], clip.rate_hz)
    found = pursue(clip, engine, limits.load("speed"))
    rpm = found.cycle_hz * 60.0 * engine.revs_per_cycle
    true_rpm = np.zeros(len(rpm)) if truth is None else truth.speed_at(found.t_s)
    right = np.abs(rpm - true_rpm) < WITHIN * true_rpm
    return found.shown[::2], right[::2]


def engine_rows(job: tuple[int, str]) -> tuple[np.ndarray, np.ndarray, int, str]:
    seed, hardness = job
    scenario = synthesis.random_scenario(seed, "any", hardness)
    clip, truth = synthesis.make(scenario)
    engine = replace(scenario.engine, rated_rpm=None, idle_rpm=None)
    return (*_rows(clip, engine, truth), seed, hardness)


def other_rows(job: tuple[int, str]) -> tuple[np.ndarray, np.ndarray, int, str]:
    seed, kind = job
    clip = synthesis.make_other(seed, kind)
    parts = [_rows(clip, Engine(strokes=strokes), None) for strokes in (2, 4)]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]), seed, "other"


def fit(rhythm: np.ndarray, right: np.ndarray) -> dict[str, np.ndarray]:
    """Ridge logistic regression of `right` on the terms of the rhythm."""
    from scipy.optimize import minimize

    mean, spread = rhythm.mean(axis=0), rhythm.std(axis=0)
    x, y = terms(rhythm, mean, spread), right.astype(float)

    def loss(weight: np.ndarray) -> tuple[float, np.ndarray]:
        score = x @ weight
        chance = 1.0 / (1.0 + np.exp(-score))
        slope = x.T @ (chance - y) / len(y)
        slope[1:] += 2 * RIDGE * weight[1:]
        return float(np.mean(np.logaddexp(0, score) - y * score) + RIDGE * (weight[1:] ** 2).sum()), slope

    weight = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    return {"mean": mean, "spread": spread, "weight": weight}


def show(model: dict[str, np.ndarray], parts: list) -> None:
    """Print, for the parts kept back: share reported, share right of these, and the calibration by tenths."""
    everything = []
    for label in ("ordinary", "hard", "other"):
        chosen = [(p[0], p[1]) for p in parts if p[3] == label]
        if not chosen:
            continue
        rhythm, right = (np.concatenate(column) for column in zip(*chosen, strict=True))
        chance = 1.0 / (1.0 + np.exp(-terms(rhythm, model["mean"], model["spread"]) @ model["weight"]))
        reported = chance >= 0.5
        everything.append((chance, right))
        share = right[reported].mean() if reported.any() else float("nan")
        print(f"{label}: {len(right)} frames, {reported.mean():.3f} reported, of these {share:.3f} right")
    chance, right = (np.concatenate(column) for column in zip(*everything, strict=True))
    tenth = np.clip((chance * 10).astype(int), 0, 9)
    for number in range(10):
        if (tenth == number).any():
            print(f"  stated {number / 10:.1f}-{(number + 1) / 10:.1f}: right {right[tenth == number].mean():.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=90, help="seeds of engines, each ordinary and hard")
    parser.add_argument("--others", type=int, default=5, help="seeds of each sound without an engine")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="fit on all seeds and replace the stored coefficients")
    told = parser.parse_args()
    engines = [(seed, hardness) for hardness in ("ordinary", "hard") for seed in range(told.engines)]
    others = [(seed, kind) for kind in synthesis.OTHER_KINDS for seed in range(told.others)]
    with Pool(told.jobs) as pool:
        parts = pool.map(engine_rows, engines, chunksize=1) + pool.map(other_rows, others, chunksize=1)
    kept = [part for part in parts if part[2] % 3 == 0]
    used = [part for part in parts if part[2] % 3 != 0]
    show(fit(np.concatenate([p[0] for p in used]), np.concatenate([p[1] for p in used])), kept)
    if told.write:
        model = fit(np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]))
        rounded = {name: [float(f"{value:.5g}") for value in values] for name, values in model.items()}
        TARGET.write_text(json.dumps(rounded) + "\n", encoding="utf-8")
        print(f"written: {TARGET.name}")


if __name__ == "__main__":
    main()
