"""The even grid of working cycles that follows the sound: where each firing should be heard.

The speed track gives the phase of the cycle up to a slow drift. The drift is followed by folding the activity of the
sound at the cycle and finding the likeliest path of turns that lays all folds on one another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Engine, Track

FOLD_POINTS = 64  # points of one cycle in the folds
FREE_POINTS = 28  # of these, about, are independent (in effect; tuned on made-up recordings, seeds below 210)
STEP_POINTS = 2.0  # by which the drift changes from row to row (standard deviation)
MOST_STEP = 8  # points by which it may change at most, where the speed breaks down for a moment
SLIP = 0.02  # how often it does
NEARLY = 0.5  # of the activity at the likeliest place, from which the firings may lie elsewhere
APART = 0.025  # of the cycle, by which two such places lie apart
MOST_PLACES = 4
SLOPE_FRAMES = 4  # of known speed beside a gap that give its slope there


@dataclass(frozen=True)
class Stretch:
    """Cycles passed against time where the speed is known: `cycles[i]` at `t_s[i]`, both rising, equal lengths."""

    t_s: np.ndarray
    cycles: np.ndarray


@dataclass(frozen=True)
class Grid:
    """Expected events in order of time. t_s: when; slot: place in the firing order; cycle: whole cycles from the
    start; cycle_s: length of the cycle there; confidence: of the speed there, 0..1; skipped_s: time in all that was
    left out before it (`holes`), 0 without any. Equal lengths."""

    t_s: np.ndarray
    slot: np.ndarray
    cycle: np.ndarray
    cycle_s: np.ndarray
    confidence: np.ndarray
    skipped_s: np.ndarray


def places(engine: Engine) -> np.ndarray:
    """Places of the firings in the cycle, (cylinders,), parts of it rising from 0; even where the angles do not fit."""
    angles = np.sort(np.mod(np.asarray(engine.firing_angles_deg, float), engine.cycle_deg)) / engine.cycle_deg
    if len(angles) != engine.cylinders or np.any(np.diff(angles) <= 0):
        return np.arange(engine.cylinders) / engine.cylinders
    return angles - angles[0]


def stretches(track: Track, engine: Engine, limits: LimitSet) -> list[Stretch]:
    """Stretches of known speed; gaps up to `bridged_gap_s` are bridged, shorter than `fewest_cycles` left out."""
    known = np.flatnonzero(np.isfinite(track.rpm) & (track.rpm > 0))
    if len(known) < 3:
        return []
    cuts = np.flatnonzero(np.diff(track.t_s[known]) > limits.value("bridged_gap_s")) + 1
    made = [_stretch(track, part, engine) for part in np.split(known, cuts) if len(part) >= 3]
    return [one for one in made if one.cycles[-1] >= limits.value("fewest_cycles")]


def _stretch(track: Track, part: np.ndarray, engine: Engine) -> Stretch:
    """Integrate the speed over frames part[0]..part[-1], half a frame added at both ends."""
    t = track.t_s[part[0] : part[-1] + 1]
    half = 0.5 * (t[1] - t[0])
    rate = bridged(t, track.t_s[part], track.rpm[part]) / (60.0 * engine.revs_per_cycle)
    t = np.concatenate([[t[0] - half], t, [t[-1] + half]])
    rate = np.concatenate([[rate[0]], rate, [rate[-1]]])
    return Stretch(t, np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))]))


def bridged(t_s: np.ndarray, known_s: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    """Speed at `t_s`, shape (n,), from where it is known, the slopes at both edges of a gap carried into it.

    A gap is mostly a burst of lost firings: the crank slows into it and picks up out of it, so that a straight line
    would count too many turns. Cubic Hermite interpolation with the slopes of the last frames on either side (a speed
    that rises into a gap or falls out of it is taken as level there), at least half of the slower edge.
    """
    rate = np.interp(t_s, known_s, rpm)
    usual = float(np.median(np.diff(known_s)))
    for i in np.flatnonzero(np.diff(known_s) > 1.5 * usual):
        before, after = slice(max(i - SLOPE_FRAMES, 0), i + 1), slice(i + 1, i + 2 + SLOPE_FRAMES)
        falls = min(_slope(known_s[before], rpm[before]), 0.0)
        rises = max(_slope(known_s[after], rpm[after]), 0.0)
        long = known_s[i + 1] - known_s[i]
        inside = (t_s > known_s[i]) & (t_s < known_s[i + 1])
        u = (t_s[inside] - known_s[i]) / long
        dip = long * (falls * u * (1 - u) ** 2 - rises * u**2 * (1 - u))
        slower = min(rpm[i], rpm[i + 1])
        straight = rpm[i] + (rpm[i + 1] - rpm[i]) * u**2 * (3 - 2 * u)
        rate[inside] = np.maximum(straight + dip, 0.5 * slower)
    return rate


def _slope(t_s: np.ndarray, y: np.ndarray) -> float:
    """Slope of the straight line through the points, 0 for fewer than three."""
    return float(np.polyfit(t_s - t_s[0], y, 1)[0]) if len(t_s) >= 3 else 0.0


def follow(activity: np.ndarray, rate_hz: float, stretch: Stretch, engine: Engine, track: Track) -> list[Grid]:
    """Lay the grid of firings over one stretch so that it runs with the sound: where in the cycle the firings most
    likely lie; of an unevenly firing engine also where else they may (`likely_places`).

    activity: shape (m,), how much is heard, sampled at `rate_hz` from time 0 of the track's clock.
    """
    speed = stretch.cycles[-1] / (stretch.t_s[-1] - stretch.t_s[0])
    together = max(1, int(round(speed / 15.0)))  # about fifteen folds a second: the drift is slower than that
    folds, fold_cycles = fold(activity, rate_hz, stretch, together)
    if len(folds) < 3:
        return [_empty()]
    drift = lock(folds)
    aligned = _turn(folds, drift).mean(0)
    offsets = likely_places(aligned, places(engine))[: 1 if engine.even_firing else MOST_PLACES]
    return [_lay(stretch, fold_cycles, _smooth(drift) + offset, engine, track) for offset in offsets]


def fold(activity: np.ndarray, rate_hz: float, stretch: Stretch, together: int) -> tuple[np.ndarray, np.ndarray]:
    """Activity against the place in the cycle, averaged over `together` cycles: (rows, FOLD_POINTS), row middles."""
    rows = int(stretch.cycles[-1] / together)
    at = np.arange(rows * together * FOLD_POINTS) / FOLD_POINTS
    t = np.interp(at, stretch.cycles, stretch.t_s)
    x = np.interp(t * rate_hz, np.arange(len(activity)), activity, left=0.0, right=0.0)
    folds = x.reshape(rows, together, FOLD_POINTS).mean(1)
    return folds, (np.arange(rows) + 0.5) * together


def lock(folds: np.ndarray, rounds: int = 3) -> np.ndarray:
    """Drift of each fold in cycles, shape (rows,), so that turning each back by it lays all on one another.

    A first guess from neighbour to neighbour gives the mean cycle; then the likeliest path of the drift against that
    mean is found over all rows at once (Viterbi, IEEE Trans. Inform. Theory 13, 1967), so that a row that tells
    nothing, as in a burst of lost firings, is bridged from both sides. Repeated with the mean that results.
    """
    spectra = np.fft.rfft(folds - folds.mean(1, keepdims=True), axis=1)
    drift = _guess(spectra)
    for _ in range(rounds):
        turned = np.fft.irfft(spectra * _rotation(drift, spectra.shape[1]), FOLD_POINTS, axis=1)
        mean = turned.mean(0)
        noise = np.mean((turned - mean) ** 2) + 1e-9
        likeness = np.fft.irfft(spectra * np.conj(np.fft.rfft(mean)), FOLD_POINTS, axis=1)
        drift = _best_path(likeness, FREE_POINTS / FOLD_POINTS / noise)
    return drift


def _best_path(likeness: np.ndarray, gain: float) -> np.ndarray:
    """The likeliest drift in cycles, shape (rows,), unwrapped.

    likeness: (rows, FOLD_POINTS), of each row with the mean cycle turned by so many points; `gain` makes it a
    logarithm of likelihood. A step is normal with STEP_POINTS, or any up to MOST_STEP with the chance SLIP.
    """
    steps = np.arange(-MOST_STEP, MOST_STEP + 1)
    usual = np.exp(-0.5 * (steps / STEP_POINTS) ** 2)
    chance = np.log((1 - SLIP) * usual / usual.sum() + SLIP / len(steps))
    scores = _scores(gain * likeness, chance)
    total = np.empty(len(likeness), int)
    place = total[-1] = int(scores[-1].argmax())
    # Backwards, and on beyond both ends: where a point may come from then stands in one piece.
    around = np.concatenate([scores[:, -MOST_STEP:], scores, scores[:, :MOST_STEP]], axis=1)[:, ::-1]
    for row in range(len(likeness) - 1, 0, -1):
        first = FOLD_POINTS - 1 - place % FOLD_POINTS
        best = int((around[row - 1, first : first + len(steps)] + chance).argmax())
        place = total[row - 1] = place - (best - MOST_STEP)
    return (total + _between(likeness, total % FOLD_POINTS)) / FOLD_POINTS


def _scores(gain: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """What the likeliest drift that ends at each point gains up to each row, shape of `gain` (rows, FOLD_POINTS)."""
    scores = np.empty(gain.shape)
    scores[0] = gain[0]
    steps = np.arange(-MOST_STEP, MOST_STEP + 1)
    origins = (np.arange(FOLD_POINTS) - steps[:, None]) % FOLD_POINTS
    reached, chances = np.empty(origins.shape), chance[:, None]
    for row in range(1, len(gain)):
        scores[row - 1].take(origins, out=reached, mode="clip")  # the mode in which numpy needs no copy
        reached += chances
        np.maximum.reduce(reached, axis=0, out=scores[row])
        scores[row] += gain[row]
    return scores


def _between(curves: np.ndarray, tops: np.ndarray) -> np.ndarray:
    """Place of the maximum next to index `tops` of cyclic curves (rows, points), -0.5..0.5 points from it, by
    parabolas."""
    row, count = np.arange(len(curves)), curves.shape[1]
    left, middle, right = (curves[row, (tops + side) % count] for side in (-1, 0, 1))
    bend = 2 * middle - left - right
    flat = bend <= 1e-9
    return np.where(flat, 0.0, np.clip(0.5 * (right - left) / np.where(flat, 1.0, bend), -0.5, 0.5))


def _guess(spectra: np.ndarray, memory: int = 12, widest_step: float = 0.06) -> np.ndarray:
    """Drift from neighbour to neighbour, by the folds' spectra (rows, harmonics).

    Starts where neighbouring folds are most alike and goes both ways; each step is at most `widest_step` cycles and
    counts as far as the fold agrees with the mean of about `memory` predecessors.
    """
    alike = np.real(spectra[1:] * np.conj(spectra[:-1])).sum(1)
    start = int(np.argmax(np.convolve(alike, np.ones(min(8, len(alike))), "same")))
    drift = np.zeros(len(spectra))
    forward = range(start + 1, len(spectra))
    _run(spectra, forward, spectra[start], drift, memory, widest_step)
    near = slice(start, start + memory)
    average = (spectra[near] * _rotation(drift[near], spectra.shape[1])).mean(0)
    _run(spectra, range(start, -1, -1), average, drift, memory, widest_step)
    return drift


def _rotation(shift: np.ndarray | float, harmonics: int) -> np.ndarray:
    return np.exp(2j * np.pi * np.multiply.outer(shift, np.arange(harmonics)))


def _run(
    spectra: np.ndarray, order: range, average: np.ndarray, drift: np.ndarray, memory: int, widest_step: float
) -> None:
    """One direction of `_guess`; writes into `drift`."""
    steps = np.linspace(-widest_step, widest_step, 49)
    turns = 2j * np.pi * np.arange(spectra.shape[1])
    step_rotation = np.exp(np.multiply.outer(steps, turns))
    energy = (np.abs(spectra) ** 2).sum(1)
    now, rotation = 0.0, np.ones(spectra.shape[1], complex)
    for row in order:
        score = (step_rotation @ (spectra[row] * rotation * average.conj())).real
        best = int(score.argmax())
        own = math.sqrt(energy[row] * np.vdot(average, average).real) + 1e-20
        now += float(steps[best]) * min(max(float(score[best]) / own, 0.0), 1.0)
        drift[row] = now
        rotation = np.exp(now * turns)
        average = average + (spectra[row] * rotation - average) / memory


def _turn(folds: np.ndarray, drift: np.ndarray) -> np.ndarray:
    spectra = np.fft.rfft(folds, axis=1)
    return np.fft.irfft(spectra * _rotation(drift, spectra.shape[1]), FOLD_POINTS, axis=1)


def _smooth(drift: np.ndarray) -> np.ndarray:
    padded = np.pad(drift, 1, mode="edge")
    return 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]


def likely_places(average_fold: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Where in the fold (0..1) the layout `at` may begin, likeliest first: where its places lie on the most activity,
    and on at least NEARLY as much as there, more than anywhere near.

    A slow engine's valves and intake are heard as well as its firings, and of a cylinder that hardly fires nothing
    else is.
    """
    spectrum = np.fft.rfft(average_fold - average_fold.mean())
    harmonics = np.arange(len(spectrum))
    width = 0.06 * np.diff(np.append(at, 1.0)).min()
    comb = np.exp(-2j * np.pi * np.outer(at, harmonics)).sum(0) * np.exp(-2 * (np.pi * width * harmonics) ** 2)
    heard = np.fft.irfft(spectrum * np.conj(comb), 8 * FOLD_POINTS)
    beside = int(APART * len(heard))
    highest = np.max([np.roll(heard, step) for step in range(-beside, beside + 1)], axis=0)
    chosen = np.flatnonzero((heard == highest) & (heard >= NEARLY * heard.max()))
    return chosen[np.argsort(-heard[chosen], kind="stable")] / len(heard)


def _lay(stretch: Stretch, middles: np.ndarray, drift: np.ndarray, engine: Engine, track: Track) -> Grid:
    """Times at which cycles + place are reached, the drift taken off the cycles that the track tells."""
    cycles = np.union1d(stretch.cycles, middles)
    t = np.interp(cycles, stretch.cycles, stretch.t_s)
    true = np.maximum.accumulate(cycles - np.interp(cycles, middles, drift) + 1e-9 * np.arange(len(cycles)))
    at = places(engine)
    whole = np.arange(int(np.floor(true[0])) - 1, int(np.ceil(true[-1])) + 1)
    wanted = np.add.outer(whole, at).ravel()
    slot = np.tile(np.arange(len(at)), len(whole))
    inside = (wanted >= true[0]) & (wanted <= true[-1])
    wanted, slot = wanted[inside], slot[inside]
    when = np.interp(wanted, true, t)
    cycle_s = np.interp(wanted + 0.5, true, t) - np.interp(wanted - 0.5, true, t)
    span = np.clip(wanted + 0.5, true[0], true[-1]) - np.clip(wanted - 0.5, true[0], true[-1])
    confidence = np.interp(when, track.t_s, np.nan_to_num(track.confidence))
    return Grid(when, slot, np.repeat(whole, len(at))[inside], cycle_s / span, confidence, np.zeros(len(when)))


def _empty() -> Grid:
    none = np.empty(0)
    return Grid(none, none.astype(int), none.astype(int), none, none, none)
