"""How likely a count of lost firings is right: what a trained judge reads of each candidate.

Right: within half a point of the true share or 7 % of it. The judge sees whether other counts agree, how far lost and
fired ones lie apart, whether the crank slows where firings are called lost, and how much can be heard at all.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.dsp.ranks import quantiles
from enginelog.firing.cues import BINS, NAMES, Cues
from enginelog.firing.weighing import CANDIDATES, CONTEXT, SHARED, Slot, clipped_logit
from enginelog.limits import LimitSet

LOST_AT, FIRED_AT = (0.02, 0.2, 0.5), (0.5, 0.95, 0.99, 1.0)  # quantiles of the logits of lost and of fired ones
OF_SLOTS = ("onset", "onset_low", "size", "height", "slot_level")  # cues that a cylinder's events share
POINTS, PART = 0.5, 0.07  # within which a share is right: points, part of it
FAR = 8.0  # stands for the logit of lost ones where there are none
EVENLY = 4  # tolerances by which the two halves of a recording may differ, about


def tolerance(percent: float, points: float = POINTS) -> float:
    """Points by which a share may be off and still be right: `points`, or PART of it."""
    return max(points, PART * percent)


def evidence(
    told: np.ndarray, cues: Cues, slots: list[Slot], logit: np.ndarray, together: list[np.ndarray]
) -> np.ndarray:
    """What the judge reads, (candidates, inputs). told: (candidates, events) probabilities of a miss; logit: (events,)
    of the first classifier; together: `weighing.signs` of each slot."""
    whole = _of_all(cues, slots, np.array(together))
    rows = [np.concatenate([_of_one(told, k, cues, slots, logit), whole]) for k in range(len(told))]
    return np.clip(np.nan_to_num(np.array(rows)), -30, 30).astype(np.float32)


def _of_all(cues: Cues, slots: list[Slot], together: np.ndarray) -> np.ndarray:
    """What is the same for all candidates. together: (slots, signs)."""
    right, clean = [slot.right.max() for slot in slots], [np.clip(slot.clean, -7, 7) for slot in slots]
    doubt = [slot.belief.doubt for slot in slots]
    left = [slot.best.left if (slot.best.lost > 0.5).any() else 0.0 for slot in slots]
    confidence = cues.column("confidence")
    return np.concatenate([
        [np.log(len(cues.slot)), np.log2(cues.slots)],
        [min(right), max(right), np.mean(right), min(clean), np.mean(clean), max(doubt), np.mean(doubt), np.mean(left)],
        [float(any(slot.dead for slot in slots)), min(slot.level for slot in slots)], likeness(cues),
        together.mean(0), together.max(0), np.mean([slot.best.evidence[CONTEXT] for slot in slots], axis=0),
        cues.table[0, SHARED], [np.median(confidence), confidence.min()],
    ])  # fmt: skip


def likeness(cues: Cues) -> np.ndarray:
    """How alike the slots' mean pulses are, (3 + len(OF_SLOTS),): least and mean likeness of two, and the least over
    the greatest of the rise of a pulse's front and of OF_SLOTS. A cylinder that hardly ever fires leaves its intake and
    valves and its neighbour's tail, which are shaped otherwise. Ones for a single slot."""
    means = [cues.parts[cues.slot == j].mean(0) for j in range(cues.slots) if (cues.slot == j).any()]
    if len(means) < 2:
        return np.ones(3 + len(OF_SLOTS))
    bands = np.array(means).reshape(len(means), -1, BINS)
    pulse = (bands - bands.mean(2, keepdims=True)).reshape(len(means), -1)
    pulse /= np.linalg.norm(pulse, axis=1, keepdims=True) + 1e-9
    alike = (pulse @ pulse.T)[np.triu_indices(len(means), 1)]
    rise = fronts(cues)
    first = [int(np.flatnonzero(cues.slot == j)[0]) for j in range(cues.slots) if (cues.slot == j).any()]
    of_slots = cues.table[first][:, [NAMES.index(name) for name in OF_SLOTS]]
    over = of_slots.min(0) / np.maximum(of_slots.max(0), 1e-3)
    return np.array([alike.min(), alike.mean(), np.clip(rise.min() / max(rise.max(), 1e-3), -2, 1), *over])


def fronts(cues: Cues) -> np.ndarray:
    """How far the mean pulse of each slot rises at its front over all bands, (slots,) of those that have events: what
    the first half holds at most over what is there before."""
    means = np.array([cues.parts[cues.slot == j].mean(0) for j in range(cues.slots) if (cues.slot == j).any()])
    curve = means.reshape(len(means), -1, BINS).mean(1)
    return curve[:, 2:5].max(1) - curve[:, :2].min(1)


def without_front(told: np.ndarray, cues: Cues, limits: LimitSet) -> bool:
    """Whether a cylinder that is told to fire, by probabilities (events,), has no front of its own to be heard: one
    that hardly ever fires sounds as steady as one that always does, but nothing rises in its turn."""
    rise = fronts(cues)
    lost = np.array([np.mean(told[cues.slot == j] > 0.5) for j in range(cues.slots) if (cues.slot == j).any()])
    low = rise < limits.value("least_front") * max(float(rise.max()), 1e-3)
    return bool(len(rise) > 1 and (low & (lost < limits.value("fires_without_front"))).any())


def _of_one(told: np.ndarray, k: int, cues: Cues, slots: list[Slot], logit: np.ndarray) -> np.ndarray:
    """What is said of candidate k alone and against the others."""
    chance, n = told[k], told.shape[1]
    lost = chance > 0.5
    percent = 100 * lost.mean()
    unit = tolerance(percent) * n / 100
    doubtful = [chance[~lost].sum(), (1 - chance[lost]).sum(), (chance * (1 - chance)).sum()]
    counts = [*(told > 0.5).sum(1), *((logit > limit).sum() for limit in (-1.5, 0.0, 1.5)), *told[:2].sum(1)]
    first, again = _ends(np.clip(logit, -8, 8), lost), _ends(clipped_logit(told[1]), lost)
    per_slot = [lost[slot.own].mean() for slot in slots]
    rows = _in_a_row(lost)
    half = np.arange(n) < n / 2
    halves = 100 * (lost[half].mean() - lost[~half].mean()) / (EVENLY * tolerance(percent))
    return np.concatenate([
        [np.sqrt(percent), np.log1p(lost.sum())], np.clip(np.array(doubtful) / unit, 0, 20),
        np.clip((np.array(counts) - lost.sum()) / unit, -12, 12),
        first, again, _strengths(lost, slots, n),
        [np.clip(ends[0] - ends[5], -12, 12) for ends in (first, again)],
        [max(per_slot) - min(per_slot), min(per_slot), max(per_slot), rows.max(), rows.mean(), halves],
        [_apart(cues.slowing[:, 0], lost), _apart(cues.slowing[:, 1], lost)],
        [_apart(-cues.column("pulse"), lost), _apart(-cues.column("change"), lost)],
        [float(k == j) for j in range(len(CANDIDATES))],
    ])  # fmt: skip


def _ends(x: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """Quantiles of x of the lost ones and of the others, where they come near each other."""
    low = quantiles(x[lost], LOST_AT) if lost.any() else np.full(len(LOST_AT), FAR)
    high = quantiles(x[~lost], FIRED_AT) if not lost.all() else np.full(len(FIRED_AT), -FAR)
    return np.concatenate([low, high])


def _strengths(lost: np.ndarray, slots: list[Slot], n: int) -> np.ndarray:
    """Quantiles of the strengths by the best way, (6,): of the lost ones, upper end, and of the others, lower end."""
    strength = np.ones(n)
    for slot in slots:
        strength[slot.own] = np.clip(slot.best.strength, -1, 2)
    low = quantiles(strength[lost], [0.5, 0.8, 0.98]) if lost.any() else np.full(3, -0.5)
    high = quantiles(strength[~lost], [0.01, 0.05, 0.5]) if not lost.all() else np.full(3, 1.5)
    return np.concatenate([low, high])


def _in_a_row(lost: np.ndarray) -> np.ndarray:
    """Lengths of the rows of lost ones; [0] where there are none."""
    first, past = rows_of_true(lost)
    return past - first if len(first) else np.zeros(1)


def _apart(x: np.ndarray, lost: np.ndarray) -> float:
    """By how many of its standard errors the mean of x is higher among the lost ones; 0 for too few."""
    a, b = x[lost], x[~lost]
    if len(a) < 2 or len(b) < 5:
        return 0.0
    return float(np.clip((a.mean() - b.mean()) / np.sqrt(b.var() * (1 / len(a) + 1 / len(b)) + 1e-6), -10, 25))
