"""What is wanted of the engine over time: set speed, load, roughness, on a grid of 5 ms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.synthesis.chance import smooth, stream
from enginelog.synthesis.scenario import Move, Rough, Scenario, Wave

GRID_S = 0.005


@dataclass(frozen=True)
class Programme:
    """Arrays of equal length, one entry each GRID_S seconds from the start of the recording.

    target_rps: speed wanted, revolutions a second. load: 0..1 of full power. miss_share: extra share of firings lost.
    """

    target_rps: np.ndarray
    load: np.ndarray
    miss_share: np.ndarray


def grid(seconds: float) -> np.ndarray:
    """Moments at which a programme of speed is laid down."""
    return np.arange(int(seconds / GRID_S) + 2) * GRID_S


def wave_shape(wave: Wave, t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The swing of one hunting wave, in rpm about zero; its period wanders by `wave.jitter`."""
    rate = wave.rate_hz * (1 + wave.jitter * smooth(rng, len(t), 1 / (wave.rate_hz * GRID_S)))
    phase = 2 * np.pi * (np.cumsum(rate) * GRID_S + rng.random())
    bent = phase + wave.skew * np.sin(phase)
    inside = (t >= wave.start_s) & (t < wave.end_s)
    size = 1.0 if wave.fade_s is None else np.exp(-np.maximum(t - wave.start_s, 0) / wave.fade_s)
    return 0.5 * wave.swing_rpm * np.sin(bent) * inside * np.minimum(size, 4.0)


def roughness(rough: Rough | None, t: np.ndarray) -> np.ndarray:
    """How rough it runs, 1 at first and 0 when settled; `t` counts from the first running."""
    if rough is None:
        return np.zeros_like(t)
    if rough.shape == "never":
        return np.ones_like(t)
    if rough.shape == "fade":
        return np.exp(-np.log(10.0) * np.maximum(t, 0) / rough.settle_s)
    first = np.clip((rough.settle_s - t) / 0.3 + 0.5, 0, 1)
    return 1 - first if rough.shape == "worse" else first


def moved(base: np.ndarray, moves: tuple[Move, ...], t: np.ndarray) -> np.ndarray:
    """The wanted speed with the throttle moves put in, each a ramp from where the last one ended."""
    wanted, last = base.copy(), float(base[0])
    for move in moves:
        after = np.clip((t - move.at_s - move.bog_s) / move.ramp_s, 0, 1)
        sag = -0.25 * last * np.sin(np.pi * np.clip((t - move.at_s) / move.bog_s, 0, 1)) if move.bog_s else 0.0
        here = t >= move.at_s
        wanted[here] = (last + (move.rpm - last) * after + sag)[here]
        last = move.rpm
    return wanted


def plan(scenario: Scenario) -> Programme:
    """The programme of a scenario."""
    s, t = scenario.speeds, grid(scenario.seconds)
    rng = stream(scenario.take_seed, "programme")
    first = first_running_s(scenario)
    rough = roughness(s.rough, t - first)
    wander = s.wobble_percent * smooth(rng, len(t), 0.8 / GRID_S)
    wander += s.drift_percent * (t / scenario.seconds - 0.5)
    if s.rough is not None:
        wander += s.rough.wobble_percent * rough * smooth(rng, len(t), 0.25 / GRID_S)
    rpm = moved(np.full(len(t), s.rpm), s.moves, t) * (1 + wander / 100)
    for wave in s.waves:
        rpm += wave_shape(wave, t, rng)
    load = np.zeros_like(t)
    for step in s.loads:
        load += step.amount * np.clip((t - step.at_s) / 0.06, 0, 1) * np.clip((step.off_s - t) / 0.06, 0, 1)
    extra = rough * (s.rough.miss_share if s.rough else 0.0)
    return Programme(np.maximum(rpm, 120.0) / 60.0, load, extra)


def first_running_s(scenario: Scenario) -> float:
    """About when the sustained running begins (the last pull that catches), 0 where it runs from the start."""
    caught = [p.at_s + 0.3 for p in scenario.pulls if p.runs_s is not None]
    return caught[-1] if caught else 0.0
