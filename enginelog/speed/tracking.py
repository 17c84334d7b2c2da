"""One block of sound in, one path of speed out: evidence, path, refinement, and what each frame showed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.signals import resample
from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine
from enginelog.speed.evidence import (
    EVERY_SECOND,
    FEATURES,
    GRID_STEP,
    Layout,
    cycle_grid,
    evidence,
    feature_signals,
    frame_times,
    layout_of,
    unequal,
)
from enginelog.speed.path import best_path
from enginelog.speed.refine import Refined, refine
from enginelog.speed.steady import steady_rate

# Weight of each feature's contrast in the sum that the path follows.
WEIGHTS = {"low": 1.0, "wide": 0.13, "env_low": 0.35, "env_mid": 0.27, "env_high": 0.3}
STEADY_RATE_HZ = 4000.0
RIVALS = (0.5, 2.0, 1 / 3, 3.0, 2 / 3, 1.5, 0.25, 4.0)


@dataclass(frozen=True)
class Pursuit:
    """What the tracking of one block found, frame by frame (arrays of equal length).

    t_s: middle of the frame in the recording. cycle_hz, std_hz: refined rate and its deviation.
    shown: shape (frames, features), how the rhythm showed itself (columns: model.RHYTHM).
    """

    t_s: np.ndarray
    cycle_hz: np.ndarray
    std_hz: np.ndarray
    shown: np.ndarray


def pursue(clip: Clip, engine: Engine, limits: LimitSet) -> Pursuit:
    """Track the cycle rate through one block. Works on any sound; whether it was an engine is judged from `shown`."""
    times = frame_times(clip.seconds, limits.value("frame_hop_s"))
    grid = _grid(engine, limits)
    signals = feature_signals(clip)
    scores = evidence(signals, layouts(engine), grid, times)
    total = sum(WEIGHTS[name] * scores[name] for name in WEIGHTS) - _range_cost(engine, grid, limits)
    light = "_saw" if is_saw(engine) else ""
    path = best_path(
        limits.value("evidence_gain") * total,
        limits.value("slope_cost" + light),
        int(limits.value("reach_states" + light)),
        limits.value("jump_cost"),
    )
    rates = {feature.name: feature.rate_hz for feature in FEATURES if feature.name != "wide"}
    fine = refine({name: signals[name] for name in rates}, rates, times, grid[path], engine.cylinders)
    fine = _steadied(clip, fine, limits)
    shown = _shown(scores, total, path, grid, fine)
    return Pursuit(times + clip.start_s, fine.cycle_hz, fine.std_hz, shown)


def _steadied(clip: Clip, fine: Refined, limits: LimitSet) -> Refined:
    """One rate for the whole block, where its lines stay in step from end to end (tones of a bench, no engine).

    Read from the sound before any filter, whose settling at the ends would shift the phases there.
    """
    middle = float(np.median(fine.cycle_hz))
    if np.median(np.abs(fine.cycle_hz / middle - 1.0)) > limits.value("steady_spread"):
        return fine
    found = steady_rate(resample(clip.samples, clip.rate_hz, STEADY_RATE_HZ), STEADY_RATE_HZ, middle)
    if found is None:
        return fine
    same = np.ones(len(fine.cycle_hz))
    return Refined(found.cycle_hz * same, found.std_hz * same, fine.coherence)


def _grid(engine: Engine, limits: LimitSet) -> np.ndarray:
    top = limits.value("highest_rpm_two_stroke" if engine.strokes == 2 else "highest_rpm_four_stroke")
    per_rpm = 1.0 / (60.0 * engine.revs_per_cycle)
    return cycle_grid(limits.value("lowest_rpm") * per_rpm, top * per_rpm)


def layouts(engine: Engine) -> tuple[Layout, ...]:
    """The sounds this engine can make: its own layout, every second firing weaker, or the cylinders unlike."""
    own = layout_of(engine)
    if is_saw(engine):
        return (own, EVERY_SECOND)
    return (own, unequal(engine.cylinders)) if engine.cylinders > 1 and engine.even_firing else (own,)


def is_saw(engine: Engine) -> bool:
    """Single-cylinder two-strokes: saws, trimmers and their like."""
    return engine.strokes == 2 and engine.cylinders == 1


def _usual_low(engine: Engine) -> str:
    if is_saw(engine):
        return "usual_low_rpm_two_stroke"
    if engine.strokes == 2:
        return "usual_low_rpm_two_stroke_several"
    small = engine.strokes == 4 and engine.cylinders <= 2
    return "usual_low_rpm_small_four_stroke" if small else "usual_low_rpm_several_cylinders"


def usual_range(engine: Engine, limits: LimitSet) -> tuple[float, float]:
    """Slowest and fastest speed, rpm, that engines of this kind usually run at; by the rated speed where it is told."""
    kind = "two_stroke" if engine.strokes == 2 else "several_cylinders" if engine.cylinders > 2 else "four_stroke"
    low, top = limits.value(_usual_low(engine)), limits.value(f"usual_top_rpm_{kind}")
    if engine.rated_rpm:
        top = 1.25 * engine.rated_rpm
        low = max(low, min(limits.value("idle_per_rated") * engine.rated_rpm, engine.idle_rpm or np.inf))
    return low, top


def _range_cost(engine: Engine, grid: np.ndarray, limits: LimitSet) -> np.ndarray:
    """A gentle lean towards the speeds that engines of this kind run at, more so to the rated speed where it is told.

    No speed in the grid is ruled out. A twin whose cylinders sound unlike repeats itself as one at half the speed does:
    only the speed that it is governed to tells them apart. Saws and trimmers are not governed.
    """
    rpm = grid * 60.0 * engine.revs_per_cycle
    low, top = usual_range(engine, limits)
    above = np.clip(np.log(rpm / top) / 0.3, 0.0, 2.0)
    below = np.clip(np.log(low / rpm) / 0.3, 0.0, 2.0)
    cost = limits.value("range_cost") * (above + below)
    if engine.rated_rpm and not is_saw(engine):
        cost -= limits.value("told_gain") * (np.abs(np.log(rpm / engine.rated_rpm)) < limits.value("told_within"))
    return cost.astype(np.float32)


def _shown(scores, total, path, grid, fine: Refined) -> np.ndarray:
    row = np.arange(len(path))
    columns = [_smooth(scores[name][row, path], 5) for name in WEIGHTS]
    own = total[row, path]
    rivals = [_at(total, path + np.log(ratio) / GRID_STEP) for ratio in RIVALS]
    octave = np.min([_smooth(own - rival, 41) for rival in rivals], axis=0)
    near = np.abs(np.arange(total.shape[1])[None] - path[:, None]) < 6
    other = _smooth(own - np.where(near, -9.0, total).max(axis=1), 9)
    noise = np.log(np.maximum(fine.std_hz / fine.cycle_hz, 1e-5))
    restless = _smooth(np.abs(np.diff(path, prepend=path[0])), 9)
    columns += [octave, other, fine.coherence, np.nan_to_num(noise, nan=-2.0), restless, np.log(fine.cycle_hz)]
    return np.stack(columns, axis=1)


def _at(total: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Best score within two states of a place on the grid; a place off the grid scores nothing."""
    centre = np.round(place).astype(int)
    row = np.arange(len(total))
    best = np.full(len(total), -1.0)
    for step in (-2, -1, 0, 1, 2):
        column = centre + step
        inside = (column >= 0) & (column < total.shape[1])
        best[inside] = np.maximum(best[inside], total[row[inside], column[inside]])
    return best


def _smooth(values: np.ndarray, width: int) -> np.ndarray:
    return moving_mean(values, min(width, max(1, len(values))))
