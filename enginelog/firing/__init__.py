"""Every firing opportunity of an engine: when it sounds, how strong it is, and how likely it was lost.

`locate` works on one block of sound, `join` puts blocks together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.firing import front, grid, misses, moments, shapes
from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine, Firings, Track

ROUNDS = 2  # of refining the moments
CHUNK = 400  # cycles that share one set of templates, about


@dataclass(frozen=True)
class _Seen:
    """What is measured of the events of one chunk; `strength` and its `noise` on the chunk's own scale."""

    t_s: np.ndarray
    std_s: np.ndarray
    strength: np.ndarray
    noise: np.ndarray
    by_band: np.ndarray


def locate(clip: Clip, track: Track, engine: Engine, limits: LimitSet) -> Firings:
    """Locate every firing opportunity in `clip` (up to some minutes) where `track` tells the speed."""
    track = replace(track, t_s=track.t_s - clip.start_s)
    runs = grid.stretches(track, engine, limits)
    if not runs:
        return _none()
    fastest = np.nanpercentile(track.rpm, 95) * engine.firing_hz_per_rpm
    amplitude, rate_hz = front.amplitudes(clip.samples, clip.rate_hz, fastest, limits)
    activity = front.activity(amplitude, rate_hz)
    grids = [grid.follow(activity, rate_hz, run, engine, track) for run in runs]
    parts = [_judge_stretch(amplitude, rate_hz, one, engine, limits) for one in grids if len(one.t_s) >= 4]
    parts = [replace(part, t_s=part.t_s + clip.start_s) for part in parts]
    return join(parts)


def _judge_stretch(amplitude: np.ndarray, rate_hz: float, laid: grid.Grid, engine: Engine, limits: LimitSet) -> Firings:
    slots = engine.cylinders
    step = np.diff(np.append(grid.places(engine), 1.0))
    width_s = laid.cycle_s * step.min()
    pieces = np.array_split(np.arange(len(laid.t_s)), max(1, len(laid.t_s) // (CHUNK * slots)))
    seen = [_see(amplitude, rate_hz, laid.t_s[i], laid.slot[i], slots, width_s[i], limits) for i in pieces]
    t_s, std_s, strength, noise = (
        np.concatenate([getattr(one, name) for one in seen]) for name in ("t_s", "std_s", "strength", "noise")
    )
    judged = misses.judge(strength, noise, laid.slot, slots, limits)
    interval_s = laid.cycle_s / slots
    timing, timing_noise = moments.unevenness(t_s, std_s, step[laid.slot], laid.slot, interval_s)
    unknown = (laid.confidence < limits.value("least_track_confidence")) | (noise / judged.norm > limits.value("most_noise"))
    return Firings(
        t_s=t_s,
        slot=laid.slot,
        strength=np.maximum(judged.relative, 0.0),
        slot_level=judged.level,
        miss_probability=np.where(unknown, np.nan, judged.probability),
        timing=timing,
        snr_db=20 * np.log10(judged.norm / noise),
        revolutions=(laid.cycle + grid.places(engine)[laid.slot]) * engine.revs_per_cycle,
    )


def _see(
    amplitude: np.ndarray,
    rate_hz: float,
    grid_s: np.ndarray,
    slot: np.ndarray,
    slots: int,
    width_s: np.ndarray,
    limits: LimitSet,
) -> _Seen:
    """Learn the shape of a firing from one chunk, refine the moments with it, learn again, measure the strengths."""
    t_s, expected_s, counts = grid_s, grid_s, np.ones(len(grid_s))
    for _ in range(ROUNDS):
        cut = shapes.windows(amplitude, rate_hz, t_s, width_s)
        by_band, shape, factor, strength = _measure(cut, slot, slots, counts)
        moved = shapes.project_moved(cut, slot, shape, factor.band_weight)
        t_s, std_s = moments.refine(t_s, expected_s, width_s, moved, factor.noise, limits.value("moment_spread"))
        expected_s = moments.path(t_s, std_s, grid_s, width_s)
    cut = shapes.windows(amplitude, rate_hz, t_s, width_s)
    by_band, shape, factor, strength = _measure(cut, slot, slots, counts)
    return _Seen(t_s, std_s, strength, np.full(len(t_s), factor.noise), by_band)


def _measure(
    cut: np.ndarray, slot: np.ndarray, slots: int, counts: np.ndarray
) -> tuple[np.ndarray, shapes.Shapes, shapes.Factor, np.ndarray]:
    core = cut[:, :, shapes.REACH : -shapes.REACH]
    shape = shapes.learn(core, slot, slots, counts)
    by_band = shapes.project(core, slot, shape)
    factor = shapes.common_factor(by_band)
    return by_band, shape, factor, np.clip(by_band, -1.5, 3.5) @ factor.band_weight


def join(parts: list[Firings]) -> Firings:
    """Put the firings of successive blocks together."""
    parts = [part for part in parts if len(part.t_s)]
    if not parts:
        return _none()
    names = ("t_s", "slot", "strength", "slot_level", "miss_probability", "timing", "snr_db", "revolutions")
    return Firings(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _none() -> Firings:
    empty = np.empty(0)
    return Firings(empty, empty.astype(int), *(empty.copy() for _ in range(6)))
