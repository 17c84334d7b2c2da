"""How strong each firing was: the one change that the windows of a slot share, read where combustion is heard.

The windows of neighbouring firings differ by noise, by knocks of the mechanics, and by how well each firing burned.
The last changes the whole pulse at once in all the lower bands, which no noise does: it is the first principal
component of the windows. Its direction needs no template and no example of a lost firing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet

BINS = 10  # parts of a window
WIDEST = 4.0  # standard deviations beyond which a part of a window counts no more


def features(cut: np.ndarray, centres_hz: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Windows (bands, events, points) as (events, bands * BINS): each band over its spread, high bands weighed down.

    Valve gear and piston slap sound above a few kHz and vary by themselves; blow-down is strongest below.
    """
    bands, events, points = cut.shape
    binned = cut.reshape(bands, events, BINS, points // BINS).mean(3)
    spread = binned.std(axis=1).mean(axis=1)[:, None, None] + 1e-9
    weight = np.where(centres_hz < limits.value("combustion_top_hz"), 1.0, limits.value("high_band_weight"))
    return (binned / spread * weight[:, None, None]).transpose(1, 0, 2).reshape(events, -1)


def shared_change(x: np.ndarray, pulse: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Strength of each event, shape (events,): 1 for the mean event, 0 where the pulse is gone, by the first component.

    x: features (events, parts). pulse: (parts,), features of a firing less the mean of each band: gives the sign.
    height: (parts,), features of the mean event above the quiet part of each band: gives the scale.
    """
    middle = x - x.mean(axis=0)
    middle = np.clip(middle, -WIDEST, WIDEST)
    _, vectors = np.linalg.eigh(middle.T @ middle / len(x))
    direction = vectors[:, -1] * (np.sign(vectors[:, -1] @ pulse) or 1.0)
    scale = max(float(height @ direction), 0.3 * float(np.linalg.norm(height)), 1e-9)
    return 1.0 + middle @ direction / scale


def pulse_strength(x: np.ndarray, pulse: np.ndarray) -> np.ndarray:
    """Strength of each event by the mean pulse itself (parts,), whose band means are zero: 1 for the mean event."""
    return x @ pulse / (pulse @ pulse + 1e-12)


@dataclass(frozen=True)
class Read:
    """What the windows tell. change, pulse: strength (events,) by the shared change and by the mean pulse, about 1 for
    the mean of the slot; features (events, parts); slowing (events, 2), by how much the crank is slower after than
    before; low: (parts,) which parts are of low bands; level: (slots,) of each
    slot's mean pulse over the strongest; fast: firings follow so fast that their sounds run together."""

    change: np.ndarray
    pulse: np.ndarray
    features: np.ndarray
    slowing: np.ndarray
    low: np.ndarray
    level: np.ndarray
    fast: bool


def only(read: Read, mine: np.ndarray) -> Read:
    """The events at index `mine`."""
    return Read(
        read.change[mine], read.pulse[mine], read.features[mine], read.slowing[mine], read.low, read.level, read.fast
    )


def steadiness(x: np.ndarray, slot: np.ndarray, slots: int) -> float:
    """Likeness, -1..1, of the mean pulse of every second event to that of the others, of the slot in
    which it is greatest. Near 1 where an engine fires in time with the grid, low in mere noise."""
    found = []
    for j in range(slots):
        mine = np.flatnonzero(slot == j)
        if len(mine) < 8:
            continue
        pair = mine % (4 * slots) < 2 * slots
        halves = [x[mine[pair == side]].mean(axis=0).reshape(-1, BINS) for side in (False, True)]
        a, b = ((half - half.mean(axis=1, keepdims=True)).ravel() for half in halves)
        found.append(float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-12)))
    return max(found, default=0.0)


def slowing(t_s: np.ndarray, slots: int) -> np.ndarray:
    """How much longer the crank takes about and after each event than before it, over its spread: (events, 2).

    A lost firing gives no push, so the next one comes late. Whole cycles are compared, so that an uneven layout does
    not matter, and the event's own moment is left out, since a lost one cannot be timed.
    """
    span, n = max(2, slots), len(t_s)
    at = np.clip(np.arange(n)[:, None] + np.array([-1 - span, -1, span - 1, 2 * span - 1]), 0, n - 1)
    before, about, after = np.diff(t_s[at], axis=1).T
    out = np.stack([about - before, after - before], axis=1) / (np.median(before) + 1e-9)
    out -= np.median(out, axis=0)
    spread = 1.4826 * np.median(np.abs(out), axis=0) + 1e-9
    return np.clip(out / spread, -WIDEST, WIDEST)


def measure(
    cut: np.ndarray, t_s: np.ndarray, slot: np.ndarray, slots: int, centres_hz: np.ndarray, limits: LimitSet
) -> Read:
    """Read the strengths off windows `cut` (bands, events, points)."""
    x = features(cut, centres_hz, limits)
    low_bands = centres_hz < limits.value("combustion_top_hz")
    means = np.array([x[slot == j].mean(axis=0) if np.any(slot == j) else np.zeros(x.shape[1]) for j in range(slots)])
    by_band = means.reshape(slots, -1, BINS)
    pulses = by_band - by_band.mean(axis=2, keepdims=True)
    heights = by_band - by_band.min(axis=2, keepdims=True)
    level = slot_levels(pulses, low_bands)
    sign = pulses[int(np.argmax(level))].ravel()
    fast = bool(len(t_s) > 1 and 1.0 / np.median(np.diff(t_s)) > limits.value("fast_firing_hz"))
    change, pulse = np.ones(len(x)), np.ones(len(x))
    for j in range(slots):
        mine = slot == j
        if mine.sum() >= 8:
            change[mine] = shared_change(x[mine], sign + pulses[j].ravel(), heights[j].ravel())
            pulse[mine] = pulse_strength(x[mine], pulses[j].ravel())
    return Read(change, pulse, x, slowing(t_s, slots), np.repeat(low_bands, BINS), level, fast)


def slot_levels(pulses: np.ndarray, low: np.ndarray) -> np.ndarray:
    """Level of each slot over the strongest, from the size of its mean pulse (slots, bands, BINS) in the low bands.

    A healthy cylinder may be weak in one band and strong in another, by its way through the exhaust; a dead one is weak
    in all: the upper quartile over the bands decides.
    """
    size = np.sqrt((pulses[:, low if low.any() else slice(None)] ** 2).sum(axis=2))
    over = size / (size.max(axis=0, keepdims=True) + 1e-12)
    level = np.percentile(over, 75, axis=1)
    return level / (level.max() + 1e-12)


def pulse_left(x: np.ndarray, miss: np.ndarray, low: np.ndarray) -> float:
    """What is left of a firing's pulse in the mean of the misses: 0 nothing, 1 all; 1 where there are under two misses.

    x: features (events, parts); miss: (events,) probabilities; low: (parts,) parts that belong to the low bands.
    Intake and neighbours keep their pulses in some bands whatever fires: the bands in which least is left decide
    (lower third), each by the likeness of its pulse to that of the firings.
    """
    if miss.sum() < 2 or (1 - miss).sum() < 2:
        return 1.0
    lost, fired = (_weighted(x, w)[low].reshape(-1, BINS) for w in (miss, 1 - miss))
    lost, fired = (m - m.mean(axis=1, keepdims=True) for m in (lost, fired))
    size = (fired * fired).sum(axis=1)
    heard = size > 0.1 * size.max()
    left = (lost * fired).sum(axis=1)[heard] / (size[heard] + 1e-12)
    return float(np.clip(np.percentile(left, 33), 0.0, 1.0))


def sharpened(x: np.ndarray, miss: np.ndarray, keep: float = 0.35, folds: int = 3) -> np.ndarray | None:
    """Strength by the best linear cut between what is thought fired and missed: 1 for firings, 0 for misses.

    Fisher's linear discriminant with a covariance shrunk by `keep` to its diagonal, learned on other events than it
    is used on (`folds` parts in turn), so that it cannot praise itself. None where a side has too few events.
    """
    out = np.empty(len(x))
    part = (np.arange(len(x)) // 3) % folds
    for f in range(folds):
        learn = part != f
        weight = miss[learn]
        if weight.sum() < 3 or (1 - weight).sum() < 12:
            return None
        lost, fired = _weighted(x[learn], weight), _weighted(x[learn], 1 - weight)
        covariance = _within(x[learn], weight, lost, fired)
        covariance = (1 - keep) * covariance + keep * np.diag(np.diag(covariance))
        covariance[np.diag_indices(len(covariance))] += 1e-6 * np.trace(covariance) / len(covariance)
        direction = np.linalg.solve(covariance, fired - lost)
        out[~learn] = (x[~learn] - lost) @ direction / ((fired - lost) @ direction)
    return out


def _weighted(x: np.ndarray, weight: np.ndarray) -> np.ndarray:
    return weight @ x / weight.sum()


def _within(x: np.ndarray, weight: np.ndarray, lost: np.ndarray, fired: np.ndarray) -> np.ndarray:
    a, b = x - lost, x - fired
    return (a.T @ (a * weight[:, None]) + b.T @ (b * (1 - weight)[:, None])) / len(x)
