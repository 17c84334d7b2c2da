"""Fit the confidence of the speed track on made-up recordings with known truth, and show how well it is calibrated.

    python scripts/fit_confidence.py --engines 90 --others 5 --real FOLDER --write
    python scripts/fit_confidence.py --run --write    # then that of the one speed of a run: run_confidence.json

Two thirds of the tuning seeds (0 upward) fit, the last third is shown; `--write` then fits on all of them and replaces
enginelog/speed/confidence.json. Figures to quote come from scripts/accuracy.py, on other seeds.
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from measuring import run_fit
from measuring.bench_sounds import bench_sound
from measuring.plain_engines import fitted_engine
from measuring.plain_others import FITTED_KINDS, plain_other
from measuring.real import FOLD_A

from enginelog import limits, media, synthesis
from enginelog.model import Clip, Engine
from enginelog.speed.confidence import READ, terms
from enginelog.speed.tracking import pursue

TARGET = Path(__file__).resolve().parents[1] / "enginelog" / "speed" / "confidence.json"
LONGEST_S = 14.0
RIDGE = 3e-3
REAL_WEIGHT = 15.0  # a few hundred real frames against thousands made up
WITHIN = 0.03
FAULTY = 160  # first plain engine whose firings fail in all ways


def _rows(clip: Clip, engine: Engine, truth: synthesis.Truth | None) -> tuple[np.ndarray, np.ndarray]:
    """Rhythm of every second frame, and whether its speed was right."""
    clip = Clip(clip.samples[: int(LONGEST_S * clip.rate_hz)], clip.rate_hz)
    found = pursue(clip, engine, limits.load("speed"))
    rpm = found.cycle_hz * 60.0 * engine.revs_per_cycle
    true_rpm = np.zeros(len(rpm)) if truth is None else truth.speed_at(found.t_s)
    right = np.abs(rpm - true_rpm) < WITHIN * true_rpm
    return found.shown[::2, :READ], right[::2]


def engine_rows(job: tuple[int, str]) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Rows of one made-up engine, its rated speed not told."""
    seed, hardness = job
    scenario = synthesis.random_scenario(seed, "any", hardness)
    clip, truth = synthesis.make(scenario)
    engine = replace(scenario.engine, rated_rpm=None, idle_rpm=None)
    return (*_rows(clip, engine, truth), seed, hardness)


def other_rows(job: tuple[int, str]) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Rows of one sound without an engine."""
    seed, kind = job
    return no_engine_rows(synthesis.make_other(seed, kind), seed)


def no_engine_rows(clip: Clip, seed: int) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Rows of a clip without an engine, taken for a two-stroke and for a four-stroke."""
    parts = [_rows(clip, Engine(strokes=strokes), None) for strokes in (2, 4)]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]), seed, "other"


def bench_rows(seed: int) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Tones and pulses of known rate in noise, as clear as no engine is, and right all the same; or noise alone."""
    fast = seed % 8 >= 4
    clip, firing_hz = bench_sound(seed, *((40.0, 240.0) if fast else (8.0, 70.0)))
    found = pursue(clip, Engine(strokes=2 if fast else 4), limits.load("speed"))
    right = np.abs(found.cycle_hz[::2] / (firing_hz or np.inf) - 1.0) < WITHIN
    return found.shown[::2, :READ], right, seed, "bench"


def plain_rows(seed: int) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Rows of the run of a plain engine by the second maker, every second one hard; from FAULTY on they fail."""
    plain = fitted_engine(seed, faulty=seed >= FAULTY)
    found = pursue(plain.clip, plain.engine, limits.load("speed"))
    rpm, true_rpm = found.cycle_hz * 60.0 * plain.engine.revs_per_cycle, plain.rpm_at(found.t_s)
    right = np.abs(rpm - true_rpm) < WITHIN * true_rpm
    return found.shown[::2, :READ], right[::2], seed, "plain"


def plain_other_rows(job: tuple[int, str]) -> tuple[np.ndarray, np.ndarray, int, str]:
    """Rows of a plain sound without an engine."""
    seed, kind = job
    return no_engine_rows(plain_other(seed, kind), seed)


def real_rows(folder: Path) -> list[tuple[np.ndarray, np.ndarray, int, str]]:
    """Labelled frames of the real recordings of the tuning fold, and all frames of its sounds without an engine."""
    parts = []
    for row in csv.DictReader((folder / "index.csv").read_text(encoding="utf-8").splitlines()):
        labelled = folder / f"{Path(row['file']).stem}.firing.csv"
        if not row["file"].startswith(FOLD_A) or (row["kind"] != "other" and not labelled.is_file()):
            continue
        clip, _ = media.read(folder / row["file"])
        two = row["strokes"] == "2"
        engine = Engine(strokes=2) if two else Engine()
        if "car" in row["label"]:
            engine = Engine(cylinders=4, firing_angles_deg=(0.0, 180.0, 360.0, 540.0))
        found = pursue(clip, engine, limits.load("speed"))
        if row["kind"] == "other":
            parts.append((found.shown[:, :READ], np.zeros(len(found.t_s), bool), 0, "real"))
            continue
        labels = list(csv.DictReader(labelled.read_text().splitlines()))
        at = np.array([float(label["t_s"]) for label in labels])
        firing_hz = np.array([float(label["f0_hz"] or "nan") for label in labels])
        firing_hz = firing_hz[np.abs(found.t_s[:, None] - at).argmin(axis=1)]
        ratio = found.cycle_hz * engine.cylinders / firing_hz
        told = np.isfinite(ratio)
        parts.append((found.shown[told, :READ], np.abs(ratio[told] - 1.0) < WITHIN, 0, "real"))
    return parts


def fit(parts: list) -> dict[str, np.ndarray]:
    """Weighted ridge logistic regression of `right` on the rhythm: the mean of one with products and one without.

    The products fit made-up sound better, the plain columns carry over better to real sound; their mean does both.
    """
    rhythm, right = (np.concatenate([part[column] for part in parts]) for column in (0, 1))
    weight = np.concatenate([np.full(len(part[1]), REAL_WEIGHT if part[3] == "real" else 1.0) for part in parts])
    mean, spread = rhythm.mean(axis=0), rhythm.std(axis=0)
    x, y = terms(rhythm, mean, spread), right.astype(float)
    plain = 1 + rhythm.shape[1]
    full = run_fit.ridge_logistic(x, y, weight / weight.sum(), RIDGE)
    short = np.zeros_like(full)
    short[:plain] = run_fit.ridge_logistic(x[:, :plain], y, weight / weight.sum(), RIDGE / 10)
    return {"mean": mean, "spread": spread, "weight": (full + short) / 2}


def show(model: dict[str, np.ndarray], parts: list) -> None:
    """Print, for the parts kept back: share reported, share right of these, and the calibration by tenths."""
    everything = []
    for label in ("ordinary", "hard", "other", "bench", "plain"):
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
    """Gather the rows, fit, show, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=90, help="seeds of engines, each ordinary and hard")
    parser.add_argument("--others", type=int, default=5, help="seeds of each sound without an engine")
    parser.add_argument("--bench", type=int, default=160, help="seeds of tones and pulses in noise, and of noise")
    parser.add_argument("--plain", type=int, default=260, help="seeds of plain engines by the second maker")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--real", type=Path, help="folder of the real recordings: those of the tuning fold are used")
    parser.add_argument("--write", action="store_true", help="fit on all seeds and replace the stored coefficients")
    parser.add_argument("--run", action="store_true", help="the one speed of a run instead, from the track as it is")
    told = parser.parse_args()
    if told.run:
        return run_fit.fit_all(told.jobs, told.write)
    engines = [(seed, hardness) for hardness in ("ordinary", "hard") for seed in range(told.engines)]
    others = [(seed, kind) for kind in synthesis.OTHER_KINDS for seed in range(told.others)]
    with Pool(told.jobs) as pool:
        parts = pool.map(engine_rows, engines, chunksize=1) + pool.map(other_rows, others, chunksize=1)
        parts += pool.map(bench_rows, range(told.bench), chunksize=1)
        parts += pool.map(plain_rows, range(told.plain), chunksize=1)
        plain_others = [(seed, kind) for kind in FITTED_KINDS for seed in range(told.others)]
        parts += pool.map(plain_other_rows, plain_others, chunksize=1)
    kept = [part for part in parts if part[2] % 3 == 0]
    used = [part for part in parts if part[2] % 3 != 0]
    real = real_rows(told.real) if told.real else []
    show(fit(used + real), kept)
    if told.write:
        model = fit(parts + real)
        rounded = {name: [float(f"{value:.5g}") for value in values] for name, values in model.items()}
        TARGET.write_text(json.dumps(rounded) + "\n", encoding="utf-8")
        print(f"written: {TARGET.name}")


if __name__ == "__main__":
    main()
