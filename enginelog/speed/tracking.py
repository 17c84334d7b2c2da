"""One block of sound in, one path of speed out: evidence, path, refinement, and what each frame showed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.mains import without_hum
from enginelog.dsp.signals import WORK_RATE_HZ, resample
from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine
from enginelog.speed import multiples
from enginelog.speed.emission import RIVALS, WEIGHTS, log_odds, plain_sum
from enginelog.speed.evidence import FEATURES, GRID_STEP, cycle_grid, evidence, feature_signals, frame_times
from enginelog.speed.kinds import faster_reading, is_saw, layouts, range_cost
from enginelog.speed.path import best_path
from enginelog.speed.refine import Refined, refine
from enginelog.speed.steady import steady_rate
from enginelog.speed.tones import tone_columns

STEADY_RATE_HZ = 4000.0
ABOUT = 6  # states by which a track that was of a part or a multiple may be off once it is moved to the true speed
IMPOSSIBLE = 1e3  # far more than any path gains in a frame


@dataclass(frozen=True)
class Pursuit:
    """What the tracking of one block found, frame by frame (arrays of equal length).

    t_s: middle of the frame in the recording. cycle_hz, std_hz: refined rate and its deviation.
    shown: shape (frames, features), how the rhythm showed itself (columns: model.RHYTHM).
    hum: share of the block's power that was mains hum (`dsp.mains.without_hum`). signals: see `signals_of`.
    """

    t_s: np.ndarray
    cycle_hz: np.ndarray
    std_hz: np.ndarray
    shown: np.ndarray
    hum: float
    signals: dict[str, np.ndarray]


def pursue(clip: Clip, engine: Engine, limits: LimitSet, about_rpm: float | None = None) -> Pursuit:
    """Track the cycle rate through one block. Works on any sound; whether it was an engine is judged from `shown`.

    about_rpm: where it is known that the speed is near to it, no other one is looked at.
    """
    seen = looked_at(clip, engine, limits, about_rpm)
    path = likeliest(seen.gain, engine, limits)
    fine = refined(seen, path, engine)
    chance, true, apart = multiples.NO_OTHER, multiples.OWN, True
    if about_rpm is None:
        inputs = multiples.inputs_of(seen.signals, seen.times, fine, seen.said, path, engine)
        chance = multiples.chances(inputs, path, len(seen.grid))
        true = int(chance.argmax()) if chance.max() > limits.value("multiple_taken") else multiples.OWN
        apart = multiples.told_apart(inputs, true, engine, limits)
    if true != multiples.OWN:
        path = likeliest(near(seen.gain, path + multiples.STEPS[true], ABOUT), engine, limits)
        fine = refined(seen, path, engine)
    fine = _steadied(clip, fine, limits)
    odds, contrast, cost = seen.said
    shown = _shown(seen.scores, (contrast - cost, odds), path, fine)
    of_whole = np.tile(multiples.odds(chance, true, faster_reading(engine), apart), (len(path), 1))
    shown = np.column_stack([shown, of_whole, tone_columns(seen.signals["low"], seen.times, fine.cycle_hz)])
    return Pursuit(seen.times + clip.start_s, fine.cycle_hz, fine.std_hz, shown, seen.hum, seen.signals)


@dataclass(frozen=True)
class Looked:
    """What each trial speed has for it in each frame of a block.

    signals, hum: see `signals_of`. times: (frames,), from the start of the block. grid: trial cycle rates, (states,).
    scores: contrasts by feature, each (frames, states). said: their log-odds and plain sum, and the cost of each speed,
    (states,). gain: what each adds to a path, (frames, states).
    """

    signals: dict[str, np.ndarray]
    hum: float
    times: np.ndarray
    grid: np.ndarray
    scores: dict[str, np.ndarray]
    said: tuple[np.ndarray, np.ndarray, np.ndarray]
    gain: np.ndarray


def looked_at(clip: Clip, engine: Engine, limits: LimitSet, about_rpm: float | None = None) -> Looked:
    """The evidence for all trial speeds in a block, or for those near `about_rpm`."""
    times = frame_times(clip.seconds, limits.value("frame_hop_s"))
    grid = grid_of(engine, limits, about_rpm)
    signals, hum = signals_of(clip)
    scores = evidence(signals, layouts(engine), grid, times)
    contrast = plain_sum(scores)
    odds, cost = log_odds(scores, engine, grid, limits), range_cost(engine, grid, limits)
    gain = limits.value("odds_gain") * odds + limits.value("evidence_gain") * contrast
    gain -= limits.value("range_gain") * cost
    return Looked(signals, hum, times, grid, scores, (odds, contrast, cost), gain)


def likeliest(gain: np.ndarray, engine: Engine, limits: LimitSet) -> np.ndarray:
    """The best path through the gains (frames, states) for an engine of this kind."""
    light = "_saw" if is_saw(engine) else ""
    costs = limits.value("slope_cost" + light), int(limits.value("reach_states" + light)), limits.value("jump_cost")
    return best_path(gain, *costs)


def near(gain: np.ndarray, path: np.ndarray, reach: int) -> np.ndarray:
    """The gains within `reach` states of a path (which may leave the grid); others are out of the question."""
    away = np.abs(np.arange(gain.shape[1]) - path[:, None].clip(0, gain.shape[1] - 1))
    return np.where(away <= reach, gain, gain.min() - IMPOSSIBLE)


def refined(seen: Looked, path: np.ndarray, engine: Engine) -> Refined:
    """The path (frames,), in states, corrected by the phases of the lines."""
    rates = {feature.name: feature.rate_hz for feature in FEATURES if feature.name != "wide"}
    signals = {name: seen.signals[name] for name in rates}
    return refine(signals, rates, seen.times, seen.grid[path], engine.cylinders)


def signals_of(clip: Clip) -> tuple[dict[str, np.ndarray], float]:
    """The feature signals of a block less its mains hum, and how much that was (`dsp.mains.without_hum`)."""
    sound, hum = without_hum(resample(clip.samples, clip.rate_hz, WORK_RATE_HZ), WORK_RATE_HZ)
    return feature_signals(Clip(sound, WORK_RATE_HZ)), hum


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


def grid_of(engine: Engine, limits: LimitSet, about_rpm: float | None = None) -> np.ndarray:
    """Trial cycle rates of this engine, in hertz; those near `about_rpm` alone, where it is given."""
    top = limits.value("highest_rpm_two_stroke" if engine.strokes == 2 else "highest_rpm_four_stroke")
    per_rpm = 1.0 / (60.0 * engine.revs_per_cycle)
    grid = cycle_grid(limits.value("lowest_rpm") * per_rpm, top * per_rpm)
    if about_rpm is None:
        return grid
    return grid[np.abs(np.log(grid / (about_rpm * per_rpm))) < limits.value("about_within")]


def _shown(scores, sums, path, fine: Refined) -> np.ndarray:
    """The columns of model.RHYTHM but for those of the tones.

    sums: plain sum of the contrasts, and log-odds, each (frames, states).
    """
    row = np.arange(len(path))
    columns = [_smooth(scores[name][row, path], 5) for name in WEIGHTS]
    (octave, other), leads = (_leads(values, path) for values in sums)
    noise = np.log(np.maximum(fine.std_hz / fine.cycle_hz, 1e-5))
    restless = _smooth(np.abs(np.diff(path, prepend=path[0])), 9)
    columns += [octave, other, fine.coherence, np.nan_to_num(noise, nan=-2.0), restless, np.log(fine.cycle_hz), *leads]
    return np.stack(columns, axis=1)


def _leads(values: np.ndarray, path: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """By how much the path leads over the best of its rivals for 2 s, and over the best other speed for 0.45 s."""
    row = np.arange(len(path))
    own = values[row, path]
    rivals = [_at(values, path + np.log(ratio) / GRID_STEP) for ratio in RIVALS]
    octave = np.min([_smooth(own - rival, 41) for rival in rivals], axis=0)
    others, near = values.copy(), path[:, None] + np.arange(-5, 6)
    others[row[:, None], near.clip(0, values.shape[1] - 1)] = values.min()
    return octave, _smooth(own - others.max(axis=1), 9)


def _at(total: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Best score within two states of a place on the grid; a place off the grid scores least of all."""
    centre = np.round(place).astype(int)
    row = np.arange(len(total))
    best = np.full(len(total), min(-1.0, float(total.min())))
    for step in (-2, -1, 0, 1, 2):
        column = centre + step
        inside = (column >= 0) & (column < total.shape[1])
        best[inside] = np.maximum(best[inside], total[row[inside], column[inside]])
    return best


def _smooth(values: np.ndarray, width: int) -> np.ndarray:
    return moving_mean(values, min(width, max(1, len(values))))
