"""What tells a lost firing from one that fired: cues of each event against its neighbours of the same slot.

Each band's window is read by the mean pulse of its slot, by the change that all its windows share (first principal
component: how well each firing burned changes the whole pulse at once), by level and by the rise of its front; each
reading is put over the upper local norm, so that neither volume control nor distance counts. The crank slows after a
lost firing. What the recording as a whole is like goes along in the last columns, equal for all events of a slot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.ranks import quantiles
from enginelog.dsp.spread import MAD
from enginelog.firing import local
from enginelog.limits import LimitSet
from enginelog.model import Engine

BINS = 10  # parts of a window
GROUP_EDGES_HZ = (330.0, 850.0, 2200.0)  # four groups of bands
NEAR = 12  # neighbours on either side that make the local norm
UPPER = 0.75  # share of them that stay under it
WIDEST = 20.0  # cues are clipped here

EVENT_CUES = (
    *("pulse_1", "pulse_2", "pulse_3", "pulse_4", "pulse", "change", "plain_pulse", "front", "strongest_1"),
    *("strongest_2", "strongest", "level_1", "level_2", "level_3", "level_4", "level", "pulse_below", "change_below"),
    *("slowing_about", "slowing_after"),
)
NEIGHBOUR_CUES = ("two_before", "before", "after", "two_after", "same_before", "same_after")
SLOT_CUES = (
    *("parting", "parting_left", "parting_share", "change_parting", "change_parting_left", "low_5", "low_25"),
    *("middle", "high_95", "memory", "second_memory", "agree_12", "agree_23", "agree_13", "slot_level"),
    *("onset", "onset_low", "size", "height"),
)
CHUNK_CUES = ("steadiness", "log_rate", "log_slots", "two_stroke", "even", "weakest_onset", "beat", "unrest")
NAMES = (*EVENT_CUES, *NEIGHBOUR_CUES, *SLOT_CUES, *CHUNK_CUES, "confidence", "loudness")


@dataclass(frozen=True)
class Cues:
    """table: (events, len(NAMES)); parts: (events, bands * BINS), windows over their spread; slowing: (events, 2);
    slot: (events,); slots: their number; level: (slots,) of each slot's mean pulse over the strongest."""

    table: np.ndarray
    parts: np.ndarray
    slowing: np.ndarray
    slot: np.ndarray
    slots: int
    level: np.ndarray

    def column(self, name: str) -> np.ndarray:
        """One cue of all events, shape (events,)."""
        return self.table[:, NAMES.index(name)]


@dataclass(frozen=True)
class Windows:
    """Events of one chunk. cut: (bands, events, points); t_s, slot, confidence (of the speed): (events,), t_s as if
    silences that are left out (`holes`) had taken no time;
    centres_hz, band_weight: (bands,)."""

    cut: np.ndarray
    t_s: np.ndarray
    slot: np.ndarray
    confidence: np.ndarray
    centres_hz: np.ndarray
    band_weight: np.ndarray


@dataclass(frozen=True)
class _Means:
    """Per slot: mean window, and the same less its mean over the window, (slots, bands, BINS); levels (slots,)."""

    window: np.ndarray
    pulse: np.ndarray
    over: np.ndarray
    level: np.ndarray
    low: np.ndarray

    @property
    def best(self) -> int:
        return int(np.argmax(self.level))


def measure(seen: Windows, engine: Engine, limits: LimitSet) -> Cues:
    """Read the cues off at least eight events."""
    binned = _binned(seen.cut)
    slots, slot = engine.cylinders, seen.slot
    own = [np.flatnonzero(slot == j) for j in range(slots)]
    means = _means(binned, own, seen.centres_hz < limits.value("combustion_top_hz"))
    parts = _parts(binned, seen.centres_hz, limits)
    slow = slowing(seen.t_s, slots)
    events, change = _event_cues(binned, seen, own, means, parts, slow)
    strength = 0.5 * (events[:, 4] + change)
    per_slot = _slot_cues(events, strength, own, means)
    whole = _chunk_cues(seen, engine, own, means, parts, events)
    beside = [shifted(strength, k) for k in (-2, -1, 1, 2, -slots, slots)]
    loudness = np.log(seen.cut.mean((0, 2)) + 1e-3)
    columns = [events, np.array(beside).T, per_slot, whole, seen.confidence, loudness - np.median(loudness)]
    table = np.nan_to_num(np.column_stack(columns)).clip(-WIDEST, WIDEST)
    return Cues(table, parts, slow, slot, slots, means.level)


def _binned(cut: np.ndarray) -> np.ndarray:
    each = cut.shape[2] // BINS
    return _means_of(cut.reshape(*cut.shape[:2], BINS, each), slice(0, each)).astype(np.float32, copy=False)


def _means_of(values: np.ndarray, some: slice) -> np.ndarray:
    """Means of `some` of the last axis, a short one, by adding its columns: numpy takes far longer over many short
    sums, and comes to the same bits for fewer than eight."""
    total = values[..., some.start].copy()
    for column in range(some.start + 1, some.stop):
        total += values[..., column]
    total /= some.stop - some.start
    return total


def _means(binned: np.ndarray, own: list[np.ndarray], low: np.ndarray) -> _Means:
    empty = np.zeros((binned.shape[0], BINS))
    window = np.array([binned[:, k].mean(1) if len(k) else empty for k in own])
    pulse = window - window.mean(2, keepdims=True)
    size = np.sqrt((pulse**2).sum(2))
    over = size / (size.max(0) + 1e-9)
    low = low if low.any() else np.ones(len(low), bool)
    level = np.percentile(over[:, low], 75, axis=1)
    return _Means(window, pulse, over, level / (level.max() + 1e-9), low)


def _parts(binned: np.ndarray, centres_hz: np.ndarray, limits: LimitSet) -> np.ndarray:
    """(events, bands * BINS): each band over its spread, high bands weighed down.

    Valve gear and piston slap sound above a few kHz and vary by themselves; blow-down is strongest below.
    """
    spread = binned.std(1).mean(1)[:, None, None] + 1e-9
    weight = np.where(centres_hz < limits.value("combustion_top_hz"), 1.0, limits.value("high_band_weight"))
    return (binned / spread * weight[:, None, None]).transpose(1, 0, 2).reshape(binned.shape[1], -1)


def _event_cues(
    binned: np.ndarray, seen: Windows, own: list[np.ndarray], means: _Means, parts: np.ndarray, slow: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(events, len(EVENT_CUES)) and the relative shared change (events,)."""
    pulse, strongest = _projected(binned, own, means)
    group = np.digitize(seen.centres_hz, GROUP_EDGES_HZ)
    weight = seen.band_weight + 0.3 / len(seen.band_weight)

    def over_norm(x: np.ndarray) -> np.ndarray:
        return _each_slot(_relative, x, own)

    by_group, all_bands = _grouped(np.clip(pulse, -2, 4), group, weight)
    strongest_group, strongest_all = _grouped(np.clip(strongest, -2, 4), group, weight)
    level_group, level_all = _grouped(np.log(_means_of(binned, slice(3, BINS)) + 1e-3).T, group, weight)
    front = _grouped((_means_of(binned, slice(2, 5)) - _means_of(binned, slice(0, 2))).T, group, weight)[1]
    shared, plain = _by_component(parts, own, means)
    relative, change = over_norm(all_bands), over_norm(np.clip(shared, -2, 4))
    reference = strongest_all[own[means.best]]
    top = np.quantile(reference, UPPER) if len(reference) else 1.0
    below_own = level_group - _each_slot(lambda x: local.running_rank(x, NEAR, UPPER), level_group, own)
    below_all = level_all - local.running_rank(level_all, NEAR * len(own), UPPER)
    columns = [over_norm(by_group), relative, change, over_norm(np.clip(plain, -2, 4)), over_norm(front)]
    columns += [over_norm(strongest_group)[:, :2], strongest_all / max(top, 1e-3), below_own, below_all]
    columns += [_each_slot(_below, relative, own), _each_slot(_below, change, own), slow]
    return np.column_stack(columns), change


def _projected(binned: np.ndarray, own: list[np.ndarray], means: _Means) -> tuple[np.ndarray, np.ndarray]:
    """Each band's window by the mean pulse of its slot and by that of the strongest slot: (events, bands) each."""
    pulse = np.empty((binned.shape[1], binned.shape[0]))
    for shape, k in zip(means.pulse, own, strict=True):
        pulse[k] = np.einsum("kep,kp->ek", binned[:, k], shape) / ((shape**2).sum(1) + 1e-4)
    best = means.pulse[means.best]
    return pulse, np.einsum("kep,kp->ek", binned, best) / ((best**2).sum(1) + 1e-4)


def _grouped(x: np.ndarray, group: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted mean over the bands of each group (events, 4), of all where it has none, and over all (events,)."""
    whole = x @ weight / weight.sum()
    groups = [
        x[:, group == g] @ weight[group == g] / weight[group == g].sum() if (group == g).any() else whole
        for g in range(len(GROUP_EDGES_HZ) + 1)
    ]
    return np.array(groups).T, whole


def _by_component(parts: np.ndarray, own: list[np.ndarray], means: _Means) -> tuple[np.ndarray, np.ndarray]:
    """Strength by the shared change and by the mean pulse of all parts, (events,) each; 1 for the mean event."""
    change, plain = np.ones(len(parts)), np.ones(len(parts))
    mean = np.array([parts[k].mean(0) if len(k) else np.zeros(parts.shape[1]) for k in own])
    by_band = mean.reshape(len(own), -1, BINS)
    pulse = (by_band - by_band.mean(2, keepdims=True)).reshape(len(own), -1)
    height = (by_band - by_band.min(2, keepdims=True)).reshape(len(own), -1)
    for j, k in enumerate(own):
        if len(k) >= 8:
            change[k] = shared_change(parts[k], pulse[means.best] + pulse[j], height[j])
            plain[k] = parts[k] @ pulse[j] / (pulse[j] @ pulse[j] + 1e-9)
    return change, plain


def shared_change(x: np.ndarray, pulse: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Strength of each event, shape (events,): 1 for the mean event, 0 where the pulse is gone, by the first component.

    x: (events, parts). pulse: (parts,), of a firing less the mean of each band: gives the sign. height: (parts,), of
    the mean event above the quiet part of each band: gives the scale.
    """
    from scipy.linalg import eigh

    middle = np.clip(x - x.mean(axis=0), -4.0, 4.0)
    last = len(pulse) - 1
    _, vectors = eigh(middle.T @ middle / len(x), subset_by_index=(last, last), check_finite=False)  # this one alone
    direction = vectors[:, 0] * (np.sign(vectors[:, 0] @ pulse) or 1.0)
    scale = max(float(height @ direction), 0.3 * float(np.linalg.norm(height)), 1e-9)
    return 1.0 + middle @ direction / scale


def _each_slot(read, x: np.ndarray, own: list[np.ndarray]) -> np.ndarray:
    """`read` applied to the events of each slot by itself."""
    out = np.empty(x.shape)
    for k in own:
        if len(k):
            out[k] = read(x[k])
    return out


def _relative(x: np.ndarray) -> np.ndarray:
    """Over the upper local norm, which is held above a third of the norm of all."""
    norm = local.running_rank(x, NEAR, UPPER)
    return x / np.maximum(np.maximum(norm, 0.35 * np.abs(quantiles(x, (UPPER,), axis=0)[0])), 1e-3)


def _below(x: np.ndarray) -> np.ndarray:
    """How far below the upper quartile, over the spread of what lies above it: that spread knows no lost firings."""
    quartile, high = quantiles(x, (0.75, 0.95))
    return np.clip((x - quartile) / (high - quartile + 0.02), -15, 4)


def _slot_cues(events: np.ndarray, strength: np.ndarray, own: list[np.ndarray], means: _Means) -> np.ndarray:
    """(events, len(SLOT_CUES)): how the strengths of a slot are distributed, and its mean pulse beside the others'."""
    onset = np.maximum(means.window[:, :, 2:6].max(2) - means.window[:, :, :3].min(2), 1e-3)
    onset = onset / onset.max(0)
    height = means.window[:, :, 2:7].mean(2)
    height = height / (height.max(0) + 1e-9)
    out = np.zeros((len(events), len(SLOT_CUES)))
    for j, k in enumerate(own):
        if len(k) < 8:
            continue
        value, change = strength[k], events[k, 5]
        with np.errstate(invalid="ignore"):  # bands in which nothing is heard agree with nothing: 0
            agree = np.nan_to_num(np.corrcoef(events[k, :4].T))
        out[k] = [
            *parting(np.clip(value, -1, 2)), *parting(np.clip(change, -1, 2))[:2],
            *quantiles(value, [0.05, 0.25, 0.5, 0.95]), _memory(value, 1), _memory(value, 2),
            agree[0, 1], agree[1, 2], agree[0, 2], means.level[j], np.median(onset[j]),
            np.percentile(onset[j][means.low], 75), np.median(means.over[j]), np.median(height[j][means.low]),
        ]  # fmt: skip
    return out


def parting(y: np.ndarray) -> tuple[float, float, float]:
    """Otsu's best cut of y, shape (n,): distance of the two means over the spread within, lower mean over the upper,
    and share below. Source: Otsu, IEEE Trans. Systems, Man, and Cybernetics 9 (1979)."""
    order, n = np.sort(y), len(y)
    below = np.arange(1, n)
    total = np.cumsum(order)[:-1]
    between = (total / below - (order.sum() - total) / (n - below)) ** 2 * below * (n - below) / n**2
    cut = int(np.argmax(between))
    low, high = order[: cut + 1].mean(), order[cut + 1 :].mean()
    within = np.sqrt(max(order.var() - between[cut], 1e-9))
    return float((high - low) / within), float(low / high) if high > 0 else 0.0, (cut + 1) / n


def _memory(y: np.ndarray, lag: int) -> float:
    """Autocorrelation of y at `lag`."""
    if len(y) < lag + 8:
        return 0.0
    y = y - y.mean()
    return float(np.mean(y[lag:] * y[:-lag]) / (y.var() + 1e-9))


def _chunk_cues(
    seen: Windows, engine: Engine, own: list[np.ndarray], means: _Means, parts: np.ndarray, events: np.ndarray
) -> np.ndarray:
    """(events, len(CHUNK_CUES)), the same for all events."""
    onset = np.maximum(means.window[:, :, 2:6].max(2) - means.window[:, :, :3].min(2), 1e-3)
    rate_hz = 1.0 / max(float(np.median(np.diff(seen.t_s))), 1e-4)
    values = [
        steadiness(parts, own), np.log(rate_hz), np.log2(len(own)), float(engine.strokes == 2),
        float(engine.even_firing), float(np.median(onset / onset.max(0), axis=1).min()),
        _memory(events[:, 4], len(own)), float(events[:, 15].std()),
    ]  # fmt: skip
    return np.tile(values, (len(events), 1))


def steadiness(parts: np.ndarray, own: list[np.ndarray]) -> float:
    """Likeness, -1..1, of the mean pulse of every second pair of events to that of the others, of the slot in
    which it is greatest. Near 1 where an engine fires in time with the grid, low in mere noise."""
    found = []
    for k in own:
        if len(k) < 8:
            continue
        pair = np.arange(len(k)) // 2 % 2 == 0
        halves = [parts[k[side]].mean(0).reshape(-1, BINS) for side in (pair, ~pair)]
        a, b = ((half - half.mean(1, keepdims=True)).ravel() for half in halves)
        found.append(float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-9)))
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
    return np.clip(out / (MAD * np.median(np.abs(out), axis=0) + 1e-9), -4.0, 4.0)


def shifted(y: np.ndarray, by: int) -> np.ndarray:
    """y of the event `by` places later; of the first or last one at the ends."""
    return y[np.clip(np.arange(len(y)) + by, 0, len(y) - 1)]
