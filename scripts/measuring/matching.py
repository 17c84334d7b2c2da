"""Which located firing is which true one of a made-up recording, and what each stands for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from enginelog.firing import grid
from enginelog.model import Engine, Span


class FiringTruth(Protocol):
    """What either maker knows of its firings. firing_t_s, firing_slot, missed: one entry each firing opportunity."""

    @property
    def firing_t_s(self) -> np.ndarray: ...
    @property
    def firing_slot(self) -> np.ndarray: ...
    @property
    def missed(self) -> np.ndarray: ...
    @property
    def misfire_pattern(self) -> str | None: ...
    @property
    def spans(self) -> tuple[Span, ...]: ...


@dataclass(frozen=True)
class Matched:
    """index: of the located event for each true one, or -1. error: in firing intervals (closest two). lost: for each
    located event, whether it stands for a lost one: by its partner, or in a burst by the true event next to it."""

    index: np.ndarray
    error: np.ndarray
    lost: np.ndarray


def matched(truth: FiringTruth, located_s: np.ndarray, engine: Engine) -> Matched:
    """Which located event is which true one, within 0.22 of the shortest interval.

    One constant delay in crank angle is taken off: combustion is heard before the exhaust opens, and whichever is
    louder sets the moment.
    """
    true_s, slot = truth.firing_t_s, truth.firing_slot
    first = true_s[slot == slot[0]] if len(slot) else true_s
    if len(first) < 4 or len(located_s) < 5:
        nothing = np.full(len(true_s), -1)
        return Matched(nothing, np.full(len(true_s), np.nan), np.zeros(len(located_s), bool))
    true, located = _cycles(true_s, first), _cycles(located_s, first)
    shortest = float(np.diff(np.append(grid.places(engine), 1.0)).min())
    delay = _delay(true, located, shortest, engine.cylinders)
    index = _nearest(true + delay, located)
    error = (located[index] - true - delay) / shortest
    beside = _nearest(located - delay, true)
    lost = truth.missed[beside] & (np.abs(true[beside] - located + delay) < 0.5 / engine.cylinders)
    hit = np.abs(error) < 0.22
    lost[index[hit]] = truth.missed[hit]
    return Matched(np.where(hit, index, -1), error, lost)


def _cycles(t_s: np.ndarray, first_s: np.ndarray) -> np.ndarray:
    """Moments in cycles of the true crank, of which `first_s` begins each; carried on evenly beyond both ends."""
    count = len(first_s) - 1
    inside = np.interp(t_s, first_s, np.arange(count + 1))
    before = (t_s - first_s[0]) / np.median(np.diff(first_s[:4]))
    after = count + (t_s - first_s[-1]) / np.median(np.diff(first_s[-4:]))
    return np.where(t_s < first_s[0], before, np.where(t_s > first_s[-1], after, inside))


def _delay(true: np.ndarray, located: np.ndarray, shortest: float, cylinders: int) -> float:
    """The constant delay, in cycles, with which most true events find a located one."""
    widest = 0.42 if cylinders == 1 else 0.36
    tried = np.arange(-widest, widest, 0.05 * shortest)
    if cylinders > 2 or shortest < 0.3:
        tried = tried[np.abs(tried) < 0.6 * shortest + 0.1]

    def error(delay: float) -> np.ndarray:
        return located[_nearest(true + delay, located)] - true - delay

    delay = max(tried, key=lambda d: float(np.mean(np.abs(error(d)) < 0.15 * shortest)) - 0.02 * abs(d))
    for _ in range(3):
        off = error(delay)
        close = np.abs(off) < 0.29 * shortest
        delay += float(np.median(off[close])) if close.any() else 0.0
    return float(delay)


def _nearest(wanted: np.ndarray, among: np.ndarray) -> np.ndarray:
    """Index of the nearest of `among` (rising) for each of `wanted`."""
    after = np.searchsorted(among, wanted).clip(1, len(among) - 1)
    return np.where(np.abs(among[after - 1] - wanted) < np.abs(among[after] - wanted), after - 1, after)


def labels(truth: FiringTruth, located_s: np.ndarray, engine: Engine) -> np.ndarray:
    """What each located event stands for: 1 lost, 0 fired (or no firing at all), -1 not while running."""
    out = np.full(len(located_s), -1)
    if len(located_s) < 5 or len(truth.firing_t_s) < 5:
        return out
    interval_s = float(np.median(np.diff(truth.firing_t_s)))
    running = (located_s > truth.firing_t_s[0] - interval_s) & (located_s < truth.firing_t_s[-1] + interval_s)
    return np.where(running, matched(truth, located_s, engine).lost.astype(int), -1)
