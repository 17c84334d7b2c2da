"""The events of a stretch judged, chunk by chunk: which candidate for a count of the lost firings is likeliest in each,
and whether it is believed, by how likely it is to be right there and in the chunks beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.logistic import held_logit, probability
from enginelog.firing import counting, groups, nets, weighing
from enginelog.firing.cues import BINS, Cues, Windows, measure
from enginelog.firing.weighing import Slot
from enginelog.limits import LimitSet
from enginelog.model import Engine

PLAIN = 0.98  # probability of a miss of one that is plainly lost where nothing else is known
FAINT = 0.9  # the same of a cylinder that is faint even where it sounds strongest: lost, or weak
LOST = 0.5  # probability of a miss over which a firing counts as lost


@dataclass(frozen=True)
class Verdicts:
    """What is found in one chunk. strength: over the norm of firings; likely: probability of a miss by the likeliest
    count, however unlikely that is, NaN where nothing was counted; plain: the same of those plainly lost, NaN for the
    others; level: of the slot's mean over the mean of all slots; noise: spread of the strength of firings; disturbed:
    mask of those of which nothing can be told. All of shape (events,).

    chance: how likely the count is to be right, 0 where it cannot be; least: from which on it is believed in any case;
    several: whether it is of several cylinders."""

    strength: np.ndarray
    likely: np.ndarray
    plain: np.ndarray
    level: np.ndarray
    noise: np.ndarray
    disturbed: np.ndarray
    chance: float
    least: float
    several: bool


def judge_chunk(seen: Windows, engine: Engine, limits: LimitSet) -> Verdicts:
    """Judge the events of one chunk. What is believed of it, `told` says."""
    n, slots = len(seen.slot), engine.cylinders
    strength, unknown, noise = np.ones(n), np.full(n, np.nan), np.full(n, np.nan)
    cut = disturbed(seen.cut, limits)
    if n < max(8, slots * limits.value("fewest_to_judge")):
        return Verdicts(strength, unknown, unknown.copy(), np.ones(n), noise, cut, 0.0, np.inf, slots > 1)
    cues, judges = measure(seen, engine, limits), nets.shipped()
    logit = nets.mean_logit(judges.event, cues.table)
    found = look(cues, logit, judges, limits)
    plain = np.zeros(n, bool)
    for slot in found:
        strength[slot.own], noise[slot.own] = slot.belief.strength, slot.belief.noise
        plain[slot.own] = plainly_lost(slot, logit[slot.own], limits)
    levels = _levels(cues)
    shown = np.where(levels < limits.value("weakest_slot"), levels, cues.level)
    faint = faint_levels(cues, found, plain, limits)
    shown = np.minimum(shown, faint)
    likely, chance = count(cues, found, logit, judges) if len(found) == slots else (unknown.copy(), 0.0)
    steady = cues.column("steadiness")[0] >= limits.value("least_steadiness")
    plain &= steady and plain.mean() < limits.value("plain_most")
    dead = engine.even_firing and any(slot.dead for slot in found)
    least = limits.value("least_chance_beside_dead") if dead else np.inf
    chance = chance if steady and not counting.without_front(likely, cues, limits) else 0.0
    as_plain = np.where(np.isfinite(faint), FAINT, PLAIN)[seen.slot]
    level = shown[seen.slot] / max(shown.mean(), 1e-9)
    return Verdicts(strength, likely, np.where(plain, as_plain, np.nan), level, noise, cut, chance, least, slots > 1)


def told(chunks: list[Verdicts], limits: LimitSet) -> list[np.ndarray]:
    """Probabilities of a miss, (events,), of the chunks of one stretch; NaN where it cannot be told.

    Where a chunk's likeliest count is not likely enough to be right, nothing is told of it but what is plainly lost.
    """
    believed = _believed(chunks, limits)
    return [
        np.where(one.disturbed, np.nan, one.likely if sure else one.plain)
        for one, sure in zip(chunks, believed, strict=True)
    ]


def _believed(chunks: list[Verdicts], limits: LimitSet) -> np.ndarray:
    """Whose count is likely enough to be right, mask (chunks,): by itself, or since all of the stretch are together.

    What is heard of one engine in one place is much the same from chunk to chunk: the mean of their log-odds, by their
    events, tells more than that of each. One far less likely than the others is not taken with them.
    """
    chance = np.array([one.chance for one in chunks])
    alone = chance >= np.array([min(one.least, _least([one], limits)) for one in chunks])
    able = np.flatnonzero(chance >= limits.value("least_chance_of_one"))
    if len(able) < 2:
        return alone
    some = [chunks[k] for k in able]
    events = [len(one.likely) for one in some]
    together = float(np.average(held_logit(chance[able], 0.001), weights=events))
    alone[able] |= probability(together) >= _least(some, limits)
    return alone


def _least(chunks: list[Verdicts], limits: LimitSet) -> float:
    """How likely the count of these chunks must be to be right. That several cylinders lose none takes more: a firing
    that puffs while others sound is easily missed."""
    lost = float(np.mean(np.concatenate([one.likely for one in chunks]) > LOST))
    none_of_several = chunks[0].several and 100 * lost < counting.POINTS
    return limits.value("least_chance_none_of_several" if none_of_several else "least_chance_right")


def look(cues: Cues, logit: np.ndarray, judges: nets.Judges, limits: LimitSet) -> list[Slot]:
    """Each slot that has events enough, its ways of parting weighed."""
    levels, found = _levels(cues), []
    for j in range(cues.slots):
        own = np.flatnonzero(cues.slot == j)
        ways = groups.ways(cues, logit, own)
        if ways:
            level = float(levels[j])
            found.append(weighing.weighed(own, ways, judges, level, level < limits.value("weakest_slot")))
    return found


def count(cues: Cues, slots: list[Slot], logit: np.ndarray, judges: nets.Judges) -> tuple[np.ndarray, float]:
    """Probabilities of a miss, (events,), of the candidate that is likeliest to count right, and how likely it is."""
    together = weighing.signs_of_all(cues, slots, logit)
    second = probability(nets.mean_logit(judges.again, weighing.second_inputs(cues, slots, logit, together)))
    told = weighing.candidates(slots, second)
    chance = probability(nets.mean_logit(judges.count, counting.evidence(told, cues, slots, logit, together)))
    best = int(chance.argmax())
    return told[best], float(chance[best])


def plainly_lost(slot: Slot, logit: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Firings that are lost however many are, mask (n,): the first classifier is sure (`logit` over `plain_logit`) and
    both of the likeliest ways of parting are."""
    likely = np.argsort(-slot.right)[:2]
    return (logit > limits.value("plain_logit")) & (np.min([slot.ways[k].lost for k in likely], axis=0) > 0.9)


def faint_levels(cues: Cues, found: list[Slot], plain: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Of each slot that seems to lose firings without doubt (`plain`, mask of the events) and is faint even where it
    sounds strongest: how strong it is heard over the loudest, (slots,); infinite for the others."""
    level = np.full(cues.slots, np.inf)
    asked = [int(cues.slot[slot.own[0]]) for slot in found if not slot.dead and plain[slot.own].any()]
    if asked:
        heard = heard_over_loudest(cues)
        level[asked] = np.where(heard < limits.value("plain_least_heard"), heard, np.inf)[asked]
    return level


def heard_over_loudest(cues: Cues) -> np.ndarray:
    """How strong each slot sounds where it sounds strongest, over the loudest, (slots,), 0..1; 1 where nothing is told.

    Mean pulse of the strongest quarter of its events, median over the bands: one that burns now and then is as strong
    as the others where it does. Of one that is faint even then, what its windows hold of the louder one before it
    varies as much as what is its own, so that none of its firings is plainly lost.
    """
    sizes, pulse = np.zeros((cues.slots, cues.parts.shape[1] // BINS)), cues.column("pulse")
    for j in range(cues.slots):
        own = np.flatnonzero(cues.slot == j)
        best = own[np.argsort(-pulse[own])[: max(1, len(own) // 4)]]
        mean = cues.parts[best].mean(0).reshape(-1, BINS) if len(own) else np.zeros((sizes.shape[1], BINS))
        sizes[j] = np.linalg.norm(mean - mean.mean(1, keepdims=True), axis=1)
    return np.median(sizes / np.maximum(sizes.max(0), 1e-9), axis=1)


def _levels(cues: Cues) -> np.ndarray:
    """Level of each slot over the strongest, (slots,): that of its pulse or, where it is lower, of its onset, since a
    slot that does not fire keeps the tail of its neighbour's sound but no onset of its own."""
    onset = np.ones(cues.slots)
    for j in range(cues.slots):
        own = np.flatnonzero(cues.slot == j)
        onset[j] = cues.column("onset")[own[0]] if len(own) else 1.0
    return np.minimum(cues.level, np.sqrt(onset / max(onset.max(), 1e-3)))


def disturbed(cut: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Events (events,) in a lost stretch of sound, or under a noise far louder than the engine: nothing can be told."""
    level = cut.mean(axis=(0, 2))
    return (level < limits.value("lost_sound")) | (level > limits.value("drowned_sound"))
