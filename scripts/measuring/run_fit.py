"""Fits the confidence in the speed told of a run on made-up recordings with known truth; shows how often it is right.

Behind `fit_confidence.py --run`. Six sevenths of the tuning seeds fit and one seventh is shown, in turn; written is a
fit on all of them. Figures to quote come from scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from enginelog import synthesis
from enginelog.dsp.logistic import probability
from enginelog.model import Clip, Engine
from enginelog.speed import summary
from enginelog.speed.run_confidence import WIDEST
from measuring import made
from measuring.plain_engines import fitted_engine
from measuring.pool import each

TARGET = Path(__file__).resolve().parents[2] / "enginelog" / "speed" / "run_confidence.json"
SEEDS = (("hard", 1000, 260), ("hard", 8500, 130), ("ordinary", 1500, 260), ("ordinary", 8000, 130))  # first, count
PLAIN, PLAINS, FAULTY = "plain", 200, 120  # engines by the second maker, every second one hard; the last of them fail
WITHIN = 0.01
WRONG_COUNTS = 4.0  # as many times as a right one
RIDGE = 1e-3
PARTS = 7


Row = tuple[np.ndarray, bool, made.Case]


def rows(case: made.Case) -> list[Row]:
    """Figures of one recording's run, told without and with its rated speed, and whether its speed was right."""
    if case.kind == PLAIN:
        plain = fitted_engine(case.seed, faulty=case.seed >= PLAINS)
        return judged(plain.clip, [plain.engine], plain.rpm, case)
    scenario = made.scenario_of(case)
    clip, truth = synthesis.make(scenario)
    told = [made.as_told(scenario.engine, rated) for rated in (False, True)[: 2 if scenario.engine.rated_rpm else 1]]
    return judged(clip, told, made.true_speed(truth), case)


def judged(clip: Clip, told: list[Engine], true_rpm: float, case: made.Case) -> list[Row]:
    """The same of a clip, once for each engine told; none where no speed is told, or there is none."""
    found: list[Row] = []
    kept = summary.run_confidence
    try:
        for engine in told:
            seen: list[np.ndarray] = []
            summary.run_confidence = lambda figures, seen=seen: seen.append(figures) or 1.0  # nothing is held back
            rpm = made.analysed(clip, engine).measures.speed.rpm
            if rpm is not None and np.isfinite(true_rpm):
                found.append((seen[-1], bool(abs(rpm / true_rpm - 1) <= WITHIN), case))
    finally:
        summary.run_confidence = kept
    return found


def fit(figures: np.ndarray, right: np.ndarray) -> dict[str, np.ndarray]:
    """Ridge logistic regression of `right` (n,) on `figures` (n, k), a wrong one counting WRONG_COUNTS times."""
    mean, spread = figures.mean(axis=0), figures.std(axis=0) + 1e-9
    x = np.column_stack([np.ones(len(figures)), np.clip((figures - mean) / spread, -WIDEST, WIDEST)])
    share = np.where(right, 1.0, WRONG_COUNTS)
    weight = ridge_logistic(x, right.astype(float), share / share.sum(), RIDGE)
    return {"mean": mean, "spread": spread, "weight": weight}


def ridge_logistic(x: np.ndarray, y: np.ndarray, share: np.ndarray, ridge: float) -> np.ndarray:
    """Weights (k,) of a ridge logistic regression of y (n,), 0..1, on x (n, k), whose first column is one and is not
    held back; share (n,): how much each row counts."""
    from scipy.optimize import minimize

    def loss(weight: np.ndarray) -> tuple[float, np.ndarray]:
        score = x @ weight
        slope = x.T @ (share * (probability(score) - y))
        slope[1:] += 2 * ridge * weight[1:]
        return float(share @ (np.logaddexp(0, score) - y * score) + ridge * (weight[1:] ** 2).sum()), slope

    return minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 500}).x


def kept_back(figures: np.ndarray, right: np.ndarray, seeds: np.ndarray) -> np.ndarray:
    """Confidence of each run by a fit that did not see its seed."""
    chance = np.zeros(len(right))
    for part in range(PARTS):
        shown = seeds % PARTS == part
        model = fit(figures[~shown], right[~shown])
        z = np.clip((figures[shown] - model["mean"]) / model["spread"], -WIDEST, WIDEST)
        chance[shown] = probability(model["weight"][0] + z @ model["weight"][1:])
    return chance


def show(chance: np.ndarray, right: np.ndarray, cases: list[made.Case]) -> None:
    """Print how many are right and sure, and wrong and sure, and how often each tenth is right."""
    moved, plain = (np.array([case.behaviour == behaviour for case in cases]) for behaviour in (made.MOVED, PLAIN))
    for hardness in ("ordinary", "hard"):
        for name, chosen in (("throttle not moved", ~moved & ~plain), ("moved", moved), ("plain engines", plain)):
            of = chosen & np.array([case.hardness == hardness for case in cases])
            sure = chance[of] >= 0.5
            share = 100 * np.mean(sure & right[of]), 100 * np.mean(sure & ~right[of])
            print(
                f"{hardness}, {name}: {of.sum()} runs, {share[0]:.1f} % right and sure, {share[1]:.1f} % wrong and sure"
            )
    tenth = np.clip((chance * 10).astype(int), 0, 9)
    for number in sorted(set(tenth)):
        print(f"  stated {number / 10:.1f}-{(number + 1) / 10:.1f}: right {right[tenth == number].mean():.3f}")


def fit_all(jobs: int, write: bool) -> None:
    """Gather the rows, fit, show, and write if asked."""
    cases = [case for hardness, first, count in SEEDS for case in made.cases(count, first, hardness)]
    cases += [made.Case(seed, PLAIN, ("ordinary", "hard")[seed % 2], PLAIN) for seed in range(PLAINS + FAULTY)]
    found = [row for group in each(rows, cases, jobs, "recordings") for row in group]
    figures, right = np.array([row[0] for row in found]), np.array([row[1] for row in found])
    cases = [row[2] for row in found]
    show(kept_back(figures, right, np.array([case.seed for case in cases])), right, cases)
    if write:
        rounded = {name: [float(f"{value:.5g}") for value in values] for name, values in fit(figures, right).items()}
        TARGET.write_text(json.dumps(rounded) + "\n", encoding="utf-8")
        print(f"written: {TARGET.name}")
