"""The firing stage without one of its parts, for ablations: each a context in which the part is missing.

The judges were fitted with the part, so that these figures are of what the shipped program would lose; what can be made
up for by fitting anew is shown by `fit_firing.py --without`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from enginelog.dsp.smoothing import mean_within
from enginelog.firing import cues, envelopes, grid, groups, moments, weighing
from enginelog.limits import LimitSet


@contextmanager
def one_band() -> Iterator[None]:
    """All the sound in one envelope."""
    kept, envelopes.EDGES_HZ = envelopes.EDGES_HZ, np.array([70.0, 7000.0])
    try:
        yield
    finally:
        envelopes.EDGES_HZ = kept


@contextmanager
def grid_moments() -> Iterator[None]:
    """Moments left on the grid instead of refined one by one."""
    kept = moments.refine
    moments.refine = lambda t, expected, width, moved, noise, spread: (t, np.full(len(t), 0.01) * width)
    try:
        yield
    finally:
        moments.refine = kept


@contextmanager
def no_best_cut() -> Iterator[None]:
    """No cut learned from the recording: only what the first classifier says."""
    kept, groups.linear_cut = groups.linear_cut, lambda x, lost: None
    try:
        yield
    finally:
        groups.linear_cut = kept


@contextmanager
def without_slowing() -> Iterator[None]:
    """The crank's slowing after a lost firing left out."""
    kept, cues.slowing = cues.slowing, lambda t_s, slots: np.zeros((len(t_s), 2))
    try:
        yield
    finally:
        cues.slowing = kept


@contextmanager
def grid_by_neighbours() -> Iterator[None]:
    """The grid follows from one fold to the next instead of over the whole stretch at once."""
    kept, grid.lock = grid.lock, grid._guess
    try:
        yield
    finally:
        grid.lock = kept


@contextmanager
def coarse_envelopes() -> Iterator[None]:
    """Envelopes averaged over a third of the firing interval, so that the shape of a pulse is lost."""
    kept = envelopes.amplitudes

    def coarse(samples: np.ndarray, rate_hz: float, firing_hz: float, limits: LimitSet) -> envelopes.Sound:
        sound = kept(samples, rate_hz, firing_hz, limits)
        points = max(int(sound.rate_hz / (3 * firing_hz)), 1)
        smooth = np.array([mean_within(band, min(points, len(band))) for band in sound.amplitude], np.float32)
        return replace(sound, amplitude=smooth)

    envelopes.amplitudes = coarse
    try:
        yield
    finally:
        envelopes.amplitudes = kept


@contextmanager
def first_look_only() -> Iterator[None]:
    """What is believed of each cylinder stands for what the second look says."""
    kept = weighing.candidates

    def believed(slots: list[weighing.Slot], second: np.ndarray) -> np.ndarray:
        instead = np.array(second, float)
        for slot in slots:
            instead[slot.own] = slot.belief.lost
        return kept(slots, instead)

    weighing.candidates = believed
    try:
        yield
    finally:
        weighing.candidates = kept


ABLATIONS = {
    "without slowing": without_slowing,
    "one band": one_band,
    "coarse envelopes": coarse_envelopes,
    "moments from the grid": grid_moments,
    "without the best cut": no_best_cut,
    "grid by neighbours": grid_by_neighbours,
    "without the second look": first_look_only,
}
