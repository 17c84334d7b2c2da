"""How a machine coasts to standstill after its ignition went off, from the beat of its compressions.

Without firing, speed falls by friction (steady) and windage (with the square of speed): dv/dt = -(a + b v^2), whose
solution is v = v0 tan(q (1 - t/T)) / tan(q); q near 0 is friction alone, q = pi/4 both alike at the beginning, and T is
when it stands still (textbook integral, as for a body thrown upwards with quadratic drag). A trial is a cut, a T and a
q; each says when every firing and, after the cut, every compression should be heard. How well the fine envelopes keep
step with a trial makes it likely or not, and all trials together say when the cut was, how long it took and how fast
the crank turned at each moment, each with its chance of being right: no windows of one speed, in which a speed that
falls by a third would smear, and never a speed that rises.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.timeline.traces import Levels

FINE_RATE_HZ = 500.0
WINDOW = 125  # fine samples (0.25 s) within which beats must keep step
LATER_S = 0.12  # by which the windows of a second reading begin later: where they happen to begin should not decide
LINES = 5
LEAD_S = 1.75  # of sound before the run seems to end: the beat goes on while it coasts, so that the end may seem late
LEAST_LEAD_S = 0.3
LEAST_AFTER_S = 0.4
SHIFTS_S = np.arange(-1.32, 0.25, 0.12)  # of the cut against where the run seems to end
SHAPES = (0.35, 0.7)
APART = 0.1  # natural logarithm from one trial T to the next
LIKELIEST = 48  # trials looked at more closely
CLOSER = np.array(
    [(shift, time, shape) for shift in (-0.03, 0.03) for time in (-0.025, 0.025) for shape in (-0.1, 0.1)]
)
ASIDE = 2.5  # cycles a window off the line, where there is nothing but chance
LOUDEST = 15.0  # power at which a window is tamed
SLOWEST = 0.125  # of the first speed, to which it is listened: what is left then is rocking back
BEFORE_CUT_S = 0.5  # over which the speed at the cut is read
ABOUT_CUT_S = 0.1  # before the middle of all trials' cuts: as far as some of them coast already, and their mean falls
AT_ONCE = 60_000  # samples of trials worked out at a time
NEAR = 0.03  # of the speed, within which one is right


@dataclass(frozen=True)
class Coast:
    """From `cut_s` it took `seconds` to standstill; the chances that these are right within `cut_within_s`, and within
    `coast_within_s` or `coast_within` of it. clearness: how many standard deviations the beat after the cut stands out.

    t_s, firing_hz: (n,) moments from before the cut on and the speed there, as firings a second, 0 where it stands;
    spread: (n,) its standard deviation, relative; chance: (n,) that it is right within 3 %.
    """

    cut_s: float
    cut_chance: float
    seconds: float
    seconds_chance: float
    clearness: float
    t_s: np.ndarray
    firing_hz: np.ndarray
    spread: np.ndarray
    chance: np.ndarray


@dataclass(frozen=True)
class _Heard:
    """The sound about a cut. parts: (windows, WINDOW, 6), the two envelopes on the line, and aside from it above and
    below; path_hz: (windows * WINDOW,) firings a second along the tracked path, read before the cut."""

    start_s: float
    parts: np.ndarray
    path_hz: np.ndarray

    def first_hz(self, cut: np.ndarray) -> np.ndarray:
        """The speed at each cut (seconds after the start): its median over half a second before."""
        different, back = np.unique(cut, return_inverse=True)
        past = np.maximum((different * FINE_RATE_HZ).astype(int), 1)
        size = int(BEFORE_CUT_S * FINE_RATE_HZ)
        return np.array([np.median(self.path_hz[max(last - size, 0) : last]) for last in past])[back]


def coast(
    levels: Levels, end_s: float, t_s: np.ndarray, firing_hz: np.ndarray, longest_s: float, limits: LimitSet
) -> Coast | None:
    """The coast of an engine that seems to run until `end_s`; None where too little follows.

    firing_hz: firings a second at the frames `t_s` (n,) along the tracked path, which counts before the cut alone. The
    time to standstill is looked for up to `longest_s`.
    """
    shortest = limits.value("coast_shortest_s")
    longest = max(longest_s, 1.1 * shortest)
    start_s = max(end_s - LEAD_S, levels.start_s)
    heard_s = end_s - start_s + longest
    heard, later = (_heard_from(levels, start_s + by_s, heard_s - by_s, t_s, firing_hz) for by_s in (0.0, LATER_S))
    shifts = SHIFTS_S[end_s + SHIFTS_S > heard.start_s + LEAST_LEAD_S]
    after_s = len(heard.path_hz) / FINE_RATE_HZ - (end_s - heard.start_s)
    if (
        after_s < LEAST_AFTER_S
        or not len(shifts)
        or not 4.0 <= heard.first_hz(np.array([end_s - heard.start_s]))[0] <= 230.0
    ):
        return None
    seconds = np.geomspace(shortest, longest, int(np.log(longest / shortest) / APART) + 2)
    cuts = end_s + shifts - heard.start_s
    trials = np.array([(cut, took, shape) for took in seconds for cut in cuts for shape in SHAPES])
    closer = _about(trials[np.argsort(_excess(heard, trials))[-LIKELIEST:]])
    excess = 0.5 * (_excess(heard, closer) + _excess(later, closer - [LATER_S, 0.0, 0.0]))
    return _together(heard, closer, excess, t_s, limits)


def _about(trials: np.ndarray) -> np.ndarray:
    """Each trial parted into the eight that fill its place, in order of their length."""
    cut, took, shape = (trials[:, number, None] for number in range(3))
    parted = np.stack([cut + CLOSER[:, 0], took * np.exp(CLOSER[:, 1]), shape + CLOSER[:, 2]], axis=-1).reshape(-1, 3)
    return parted[np.argsort(parted[:, 1])]


def _together(heard: _Heard, trials: np.ndarray, excess: np.ndarray, t_s: np.ndarray, limits: LimitSet) -> Coast:
    """What all trials say together, each weighed by how well the sound keeps step with it."""
    weight = np.exp(limits.value("coast_belief") * (excess - excess.max()))
    weight /= weight.sum()
    cut, took = trials[:, 0], trials[:, 1]
    middle, seconds = float(weight @ cut), float(weight @ took)
    wrong_by = np.maximum(limits.value("coast_within_s"), limits.value("coast_within") * took)
    at_s = t_s[(t_s > heard.start_s + cut.min()) & (t_s < heard.start_s + np.max(cut + took))]
    hz, spread, chance = _speeds(heard, trials, weight, at_s - heard.start_s)
    return Coast(
        cut_s=heard.start_s + middle,
        cut_chance=float(weight[np.abs(cut - middle) <= limits.value("cut_within_s")].sum()),
        seconds=seconds + limits.value("rocking_s"),
        seconds_chance=float(weight[np.abs(took - seconds) <= wrong_by].sum()),
        clearness=_clearness(heard, trials[int(excess.argmax())]),
        t_s=at_s,
        firing_hz=hz,
        spread=spread,
        chance=chance,
    )


def _speeds(
    heard: _Heard, trials: np.ndarray, weight: np.ndarray, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean speed of all trials at the moments `at` (n,), its relative deviation, and how many are within NEAR of it."""
    running = np.interp(at, np.arange(len(heard.path_hz)) / FINE_RATE_HZ, heard.path_hz)
    hz = heard.first_hz(trials[:, 0])[:, None] * _share(at[None, :], trials)
    hz = np.where(at < trials[:, :1], running, hz)
    mean = weight @ hz
    about = at > weight @ trials[:, 0] - ABOUT_CUT_S  # where the path may have begun to fall with the speed
    mean[about] = np.minimum.accumulate(mean[about])
    against = hz / np.maximum(mean, 1e-9) - 1.0
    return mean, np.sqrt(weight @ against**2), weight @ (np.abs(against) < NEAR)


def _share(at: np.ndarray, trials: np.ndarray) -> np.ndarray:
    """Speed over the first one at the moments `at`, (trials, moments): 1 before the cut, 0 where it stands."""
    cut, took, shape = (trials[:, number, None] for number in range(3))
    return np.tan(shape * (1 - np.clip((at - cut) / took, 0.0, 1.0))) / np.tan(shape)


def _heard_from(levels: Levels, start_s: float, seconds: float, t_s: np.ndarray, firing_hz: np.ndarray) -> _Heard:
    beat = beats(levels, start_s, seconds)
    count = len(beat) // WINDOW * WINDOW
    beat = beat[:count].astype(np.complex64)
    aside = np.exp(2j * np.pi * ASIDE / WINDOW * np.arange(count)).astype(np.complex64)[:, None]
    parts = np.concatenate([beat, beat * aside, beat * aside.conj()], axis=1).reshape(-1, WINDOW, 6)
    path_hz = np.exp(np.interp(start_s + np.arange(count) / FINE_RATE_HZ, t_s, np.log(firing_hz)))
    return _Heard(start_s, parts, path_hz)


def beats(levels: Levels, start_s: float, longest_s: float) -> np.ndarray:
    """The two fine envelopes from `start_s` on, without their slow part and with their loudest peaks tamed: (n, 2)."""
    first = max(round((start_s - levels.start_s) * 100), 0)
    fine = levels.fine_db[first : first + int(longest_s * 100) + 1].astype(np.float64).reshape(-1, 2)
    if len(fine) < WINDOW:
        return fine[:0]
    fast = np.clip(fine - moving_mean(fine, WINDOW), -12, 12)
    return fast / np.sqrt(np.maximum(moving_mean(fast**2, 2 * WINDOW), 1e-6))


def _excess(heard: _Heard, trials: np.ndarray) -> np.ndarray:
    """How well the envelopes keep step with each trial, over chance: (trials,). Trials of about the same length, which
    stand beside each other, are worked out together."""
    out = np.empty(len(trials))
    first_hz, size = heard.first_hz(trials[:, 0]), max(AT_ONCE // len(heard.path_hz), 1)
    for first in range(0, len(trials), size):
        some = slice(first, first + size)
        power, keeps = _window_power(heard, trials[some], first_hz[some])
        out[some] = (power * keeps).sum(axis=1)
    return out


def _window_power(heard: _Heard, trials: np.ndarray, first_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Power in step with each trial in each window less that aside, lines and envelopes together, and whether the
    window is listened to: both (trials, windows), as far as the longest of them lasts. first_hz: speed at each cut."""
    last = int(np.max(trials[:, 0] + trials[:, 1]) * FINE_RATE_HZ) // WINDOW + 1
    parts = heard.parts[:last]
    count = len(parts) * WINDOW
    at = (np.arange(count) / FINE_RATE_HZ).astype(np.float32)
    few = trials.astype(np.float32)
    share = _share(at, few)
    after = first_hz.astype(np.float32)[:, None] * share
    hz = np.where(at < few[:, :1], heard.path_hz[:count].astype(np.float32), after)
    turned = np.cumsum(hz, axis=1, dtype=float) / FINE_RATE_HZ
    angle = ((turned - np.floor(turned)) * (-2 * np.pi)).astype(np.float32)
    once = (np.cos(angle) + 1j * np.sin(angle)).reshape(len(trials), -1, WINDOW).swapaxes(0, 1)
    power, spun = np.zeros((len(parts), len(trials))), once
    for line in range(1, LINES + 1):
        each = np.minimum(np.abs(spun @ parts) ** 2 / WINDOW, LOUDEST)  # 1 on average for white noise
        power += (each[..., :2].sum(axis=2) - 0.5 * each[..., 2:].sum(axis=2)) / line**0.5
        spun = spun * once if line < LINES else spun
    slowest = share.reshape(len(trials), -1, WINDOW)[:, :, -1]
    return power.T, slowest > SLOWEST


def _clearness(heard: _Heard, trial: np.ndarray) -> float:
    """How many standard deviations what keeps step with a trial after its cut stands out of chance."""
    power, keeps = (each[0] for each in _window_power(heard, trial[None, :], heard.first_hz(trial[:1])))
    keeps = keeps & (np.arange(len(keeps)) * WINDOW >= trial[0] * FINE_RATE_HZ)
    terms = 2 * sum(1 / line for line in range(1, LINES + 1)) * int(keeps.sum())
    return float((power * keeps).sum() / np.sqrt(1.5 * terms)) if terms else 0.0
