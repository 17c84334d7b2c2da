"""The firing stage without one of its parts, for ablations: each a context in which the part is missing.

The judges were fitted with the part, so that these figures are of what the shipped program would lose; what can be made
up for by fitting anew is shown by `fit_firing.py --without`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from functools import partial
from types import ModuleType
from typing import Any

import numpy as np

from enginelog.dsp.smoothing import mean_within
from enginelog.firing import cues, envelopes, grid, groups, moments, weighing
from enginelog.limits import LimitSet

amplitudes, candidates = envelopes.amplitudes, weighing.candidates


@contextmanager
def replaced(module: ModuleType, name: str, instead: Any) -> Iterator[None]:
    """Something stands in for `name` of a module until the context ends."""
    kept = getattr(module, name)
    setattr(module, name, instead)
    try:
        yield
    finally:
        setattr(module, name, kept)


def on_the_grid(t_s, expected_s, width_s, moved, noise, spread) -> tuple[np.ndarray, np.ndarray]:
    """Moments left on the grid instead of refined one by one; as `moments.refine`."""
    return t_s, np.full(len(t_s), 0.01) * width_s


def no_slowing(t_s: np.ndarray, slots: int) -> np.ndarray:
    """The crank's slowing after a lost firing left out; as `cues.slowing`."""
    return np.zeros((len(t_s), 2))


def coarse(samples: np.ndarray, rate_hz: float, firing_hz: float, limits: LimitSet) -> envelopes.Sound:
    """Envelopes averaged over a third of the firing interval, so that the shape of a pulse is lost."""
    sound = amplitudes(samples, rate_hz, firing_hz, limits)
    points = max(int(sound.rate_hz / (3 * firing_hz)), 1)
    smooth = np.array([mean_within(band, min(points, len(band))) for band in sound.amplitude], np.float32)
    return replace(sound, amplitude=smooth)


def believed(slots: list[weighing.Slot], second: np.ndarray) -> np.ndarray:
    """What is believed of each cylinder stands for what the second look says."""
    instead = np.array(second, float)
    for slot in slots:
        instead[slot.own] = slot.belief.lost
    return candidates(slots, instead)


ABLATIONS: dict[str, Callable[[], AbstractContextManager[None]]] = {
    "without slowing": partial(replaced, cues, "slowing", no_slowing),
    "one band": partial(replaced, envelopes, "EDGES_HZ", np.array([70.0, 7000.0])),
    "coarse envelopes": partial(replaced, envelopes, "amplitudes", coarse),
    "moments from the grid": partial(replaced, moments, "refine", on_the_grid),
    "without the best cut": partial(replaced, groups, "linear_cut", lambda x, lost: None),
    "grid by neighbours": partial(replaced, grid, "lock", grid._guess),  # from one fold to the next, not over all
    "without the second look": partial(replaced, weighing, "candidates", believed),
}
