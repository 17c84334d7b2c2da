"""Where in the cycle the firings of an uneven twin lie: a place at which firings come and go counts more than one at
which something is always heard, such as a valve. Facts are arithmetic, or the truth of made-up recordings."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from enginelog.firing import grid, locating
from enginelog.limits import load

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP / "scripts"))
from measuring import by_fault  # noqa: E402

FIRING = load("firing")
SEED = 611_000  # never used for tuning


def fold(*peaks: tuple[float, float]) -> np.ndarray:
    """Activity over a cycle: peaks (place, height), each two points wide."""
    place = np.arange(grid.FOLD_POINTS) / grid.FOLD_POINTS
    apart = [(np.mod(place - at + 0.5, 1.0) - 0.5, height) for at, height in peaks]
    return 1.0 + np.sum([height * np.exp(-0.5 * (far / 0.02) ** 2) for far, height in apart], axis=0)


def test_two_firings_alone_have_one_place():
    found = grid.likely_places(fold((0.2, 1.0), (0.575, 1.0)), np.array([0.0, 0.375]))
    assert found[0] == pytest.approx(0.2, abs=0.01)
    # Both on one firing each are half as much, and no nearer than these.
    assert all(abs(at - 0.2) > grid.APART for at in found[1:])


def test_valves_as_loud_as_the_firings_make_a_second_place():
    """The second firing fails: the one at 0.2, and two valves as far apart as firings would be."""
    found = grid.likely_places(fold((0.2, 1.0), (0.5, 0.8), (0.875, 0.8)), np.array([0.0, 0.375]))
    assert found[0] == pytest.approx(0.5, abs=0.01)
    assert np.abs(found - 0.2).min() < 0.01


@pytest.mark.parametrize(
    ("told", "chosen", "agreed"),
    [
        ([(0.0, 1.0), (0.0, 0.0)], 0, True),
        ([(0.0, 1.0), (0.35, 1.0)], 1, True),
        ([(0.0, 0.0), (0.35, 1.0), (0.36, 1.0)], 1, True),
        ([(0.2, 1.0), (0.4, 1.0)], 0, False),
        ([(0.0, 1.0), (0.6, 0.3)], 0, False),
        ([(0.0, 1.0), (0.3, 0.1)], 0, True),
        ([(0.0, 0.1), (0.6, 0.3)], 0, True),
    ],
)
def test_which_place_is_told_of(told, chosen, agreed):
    """(share lost, share judged) of each place, likeliest first."""
    assert locating._telling(told, FIRING) == (chosen, agreed)


def test_a_cylinder_that_hardly_fires_is_not_told_to_fire():
    """Twins of 270/450 degrees, three in ten to all firings of one cylinder lost, by the first maker."""
    cases = by_fault.cases(["one cylinder, 270/450"], range(SEED, SEED + 8), "ordinary")
    counted = [by_fault.read(case) for case in cases]
    assert not any(one.confident_wrong for one in counted)
    assert sum(one.percent is not None and one.percent > 10 for one in counted) >= 2
