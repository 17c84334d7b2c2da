"""How long a machine coasts to standstill after its ignition went off, from the beat of its compressions.

Without firing, speed falls by friction (steady) and windage (with the square of speed): dv/dt = -(a + b v^2), whose
solution is v = v0 tan(q (1 - t/T)) / tan(q); q near 0 is friction alone, q = pi/4 both alike at the beginning, and T is
when it stands still (textbook integral, as for a body thrown upwards with quadratic drag). Each trial T says when
every compression should be heard; the trial that the fine envelopes beat with best is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.timeline.traces import Levels

FINE_RATE_HZ = 500.0
SHAPES = (0.3, 0.5, 0.65, 0.785)
LINES = 3
SHIFTS_S = (-0.36, -0.24, -0.12, 0.0, 0.12)  # of the cut against where the run seems to end
LEAD_S = 0.5  # of running listened to before that, so that every trial cut is held against the same sound
ASIDE = 2.5  # cycles a window off the line, where there is nothing but chance
WINDOW = 125  # fine samples (0.25 s) within which beats must keep step


@dataclass(frozen=True)
class Coast:
    """From `cut_s` it took `seconds` to standstill; `clearness`: how many standard deviations it stands out."""

    cut_s: float
    seconds: float
    clearness: float


def coast(levels: Levels, cut_s: float, firing_hz: float, longest_s: float, limits: LimitSet) -> Coast | None:
    """The coast of an engine that fired `firing_hz` times a second until about `cut_s`; None where too little follows.

    The cut itself is looked for a little before and after, the time to standstill up to `longest_s`. The speed below an
    eighth of the first is not listened to; what is left then is rocking back from the last compression.
    """
    if not 4.0 <= firing_hz <= 230.0:
        return None
    shortest = limits.value("coast_shortest_s")
    longest = max(longest_s, 1.1 * shortest)
    beat = beats(levels, cut_s - LEAD_S, LEAD_S + longest)
    if len(beat) < int(LEAD_S * FINE_RATE_HZ) + 2 * WINDOW:
        return None
    coarse = np.geomspace(shortest, longest, int(np.log(longest / shortest) / 0.08) + 2)
    shift, seconds, _ = _best(beat, firing_hz, [(s, t, q) for s in SHIFTS_S for t in coarse for q in SHAPES[1::2]])
    near = seconds * np.exp(np.linspace(-0.12, 0.12, 9))
    shifts = (shift - 0.06, shift, shift + 0.06)
    shift, seconds, shape = _best(beat, firing_hz, [(s, t, q) for s in shifts for t in near for q in SHAPES])
    after = beat[int((LEAD_S + shift) * FINE_RATE_HZ) :]
    excess, variance = agreement(after, firing_hz, seconds, shape)
    clearness = excess / np.sqrt(variance)
    return Coast(float(cut_s + shift), float(seconds) + limits.value("rocking_s"), float(clearness))


def _best(beat: np.ndarray, firing_hz: float, trials: list) -> tuple[float, float, float]:
    """The trial (shift of the cut, seconds, shape) that agrees best with `beat`, which begins LEAD_S before."""
    scores = [agreement(beat, firing_hz, seconds, shape, LEAD_S + shift)[0] for shift, seconds, shape in trials]
    return trials[int(np.argmax(scores))]


def beats(levels: Levels, start_s: float, longest_s: float) -> np.ndarray:
    """The two fine envelopes from `start_s` on, without their slow part and with their loudest peaks tamed: (n, 2)."""
    first = max(int((start_s - levels.start_s) * 100), 0)
    fine = levels.fine_db[first : first + int(longest_s * 100) + 1].astype(np.float64).reshape(-1, 2)
    if len(fine) < WINDOW:
        return fine[:0]
    fast = np.clip(fine - moving_mean(fine, WINDOW), -12, 12)
    return fast / np.sqrt(np.maximum(moving_mean(fast**2, 2 * WINDOW), 1e-6))


def agreement(
    beat: np.ndarray, firing_hz: float, seconds: float, shape: float, lead_s: float = 0.0
) -> tuple[float, float]:
    """How well the envelopes keep step with `lead_s` at full speed and one coast: (excess over chance, variance of that
    by chance)."""
    size = int(min((lead_s + seconds) * FINE_RATE_HZ, len(beat)))
    gone = np.maximum(np.arange(size) / FINE_RATE_HZ - lead_s, 0.0)
    speed = np.tan(shape * (1 - gone / seconds)) / np.tan(shape)
    size = int(np.sum(speed > 0.125)) // WINDOW * WINDOW
    if size == 0:
        return 0.0, 1.0
    turn = np.exp(-2j * np.pi * firing_hz / FINE_RATE_HZ * np.cumsum(speed[:size]))
    aside = np.exp(2j * np.pi * ASIDE / WINDOW * np.arange(size))[:, None]
    excess, spun = 0.0, np.ones((size, 1), complex)
    for line in range(1, LINES + 1):
        spun = spun * turn[:, None]
        own, above, below = (window_power(beat[:size] * spun * side) for side in (1.0, aside, aside.conj()))
        excess += float((own - 0.5 * (above + below)).sum()) / line**0.5
    terms = size // WINDOW * 2 * sum(1 / line for line in range(1, LINES + 1))
    return excess, 1.5 * terms


def window_power(spun: np.ndarray) -> np.ndarray:
    """Power that keeps step within each window, 1 on average for white noise of unit variance, tamed at 15."""
    return np.minimum(np.abs(spun.reshape(-1, WINDOW, spun.shape[1]).sum(axis=1)) ** 2 / WINDOW, 15.0)
