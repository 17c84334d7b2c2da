"""One chunk of events judged: which way of parting each slot into lost firings and others is believed, if any."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.logistic import probability
from enginelog.firing import groups, nets
from enginelog.firing.cues import Cues, Windows, measure
from enginelog.limits import LimitSet
from enginelog.model import Engine

DEAD = 0.97  # probability of a miss in a slot that does not fire at all
PLAIN = 0.98  # and of one that is plainly lost where nothing else is known
NONE_LOST = 0.02  # probability of a miss that is left where a slot is taken to lose none


@dataclass(frozen=True)
class Verdicts:
    """strength: over the norm of firings; miss_probability: NaN where it cannot be told; level: (events,) of the slot's
    mean over the mean of all slots; noise: spread of the strength of firings. All of shape (events,)."""

    strength: np.ndarray
    miss_probability: np.ndarray
    level: np.ndarray
    noise: np.ndarray


@dataclass(frozen=True)
class Belief:
    """What is believed of one slot. strength, lost: (n,); noise: spread of the strength of firings; doubt: 0..1, chance
    that neither the best way of parting is right nor the slot without losses."""

    strength: np.ndarray
    lost: np.ndarray
    noise: float
    doubt: float


def judge_chunk(seen: Windows, engine: Engine, limits: LimitSet) -> Verdicts:
    """Judge the events of one chunk.

    Where any cylinder is in doubt, nothing is told of the chunk but what is plainly lost: the others share its sound,
    and a share read from some of the cylinders would not be that of the engine. Beside a cylinder that is plainly dead
    the others may be in more doubt: its being dead is what matters.
    """
    n, slots = len(seen.slot), engine.cylinders
    strength, lost, noise = np.ones(n), np.full(n, np.nan), np.full(n, np.nan)
    if n < max(8, slots * limits.value("fewest_to_judge")):
        return Verdicts(strength, lost, np.ones(n), noise)
    cues, judges = measure(seen, engine, limits), nets.shipped()
    logit = nets.mean_logit(judges.event, cues.table)
    levels, doubts, plain = _levels(cues), [], np.zeros(n, bool)
    for j in range(slots):
        own = np.flatnonzero(seen.slot == j)
        ways = groups.ways(cues, logit, own)
        if not ways:
            continue
        one = _dead(len(own), levels[j]) if levels[j] < limits.value("weakest_slot") else believe(ways, judges)
        strength[own], lost[own], noise[own] = one.strength, one.lost, one.noise
        plain[own] = plainly_lost(ways, judges, logit[own], limits)
        doubts.append(one.doubt)
    shown = np.where(levels < limits.value("weakest_slot"), levels, cues.level)
    steady = cues.column("steadiness")[0] >= limits.value("least_steadiness")
    if _in_doubt(doubts, levels, lost, limits) or not steady:
        plain &= steady and plain.mean() < limits.value("plain_most")
        lost = np.where(plain, PLAIN, np.nan)
    lost[disturbed(seen.cut, limits)] = np.nan
    return Verdicts(strength, lost, shown[seen.slot] / max(shown.mean(), 1e-9), noise)


def _in_doubt(doubts: list[float], levels: np.ndarray, lost: np.ndarray, limits: LimitSet) -> bool:
    """Whether the slots of a chunk are in too much doubt for a share. Two that lose some may make it up between them:
    what one gets wrong is half of the whole, and it is plain that something is lost."""
    if levels.min() < limits.value("weakest_slot"):
        return max(doubts, default=0.0) > limits.value("most_doubt_beside_dead")
    if len(levels) == 2 and len(doubts) == 2 and np.mean(lost > 0.5) > limits.value("twin_loses"):
        return float(np.mean(doubts)) > limits.value("most_doubt_of_losing_twin")
    return max(doubts, default=0.0) > limits.value("most_doubt")


def clean_inputs(ways: list[groups.Parted]) -> np.ndarray:
    """What the classifier of clean slots reads: the way that the first classifier leads to, and the plainest other."""
    first = ways[min(1, len(ways) - 1)].evidence
    kind = groups.EVIDENCE.index("parted")
    other = next((way.evidence for way in ways if way.evidence[kind] > 0), ways[0].evidence)
    return np.concatenate([first, other[: groups.EVIDENCE.index("told")]])


def believe(ways: list[groups.Parted], judges: nets.Judges) -> Belief:
    """Weigh the best way of parting against the slot having lost none, by two classifiers trained apart.

    The two and "neither" exclude one another, which normalises the three.
    """
    right = probability(nets.mean_logit(judges.right, np.array([way.evidence for way in ways])))
    clean = float(probability(nets.mean_logit(judges.clean, clean_inputs(ways)[None]))[0])
    best = int(right.argmax())
    way, chance = ways[best], float(right[best])
    if (way.lost > 0.5).mean() < 0.006 and way.lost.mean() < 0.01:  # both say the same
        parted, none, neither = max(chance, clean), 0.0, 1 - max(chance, clean)
    else:
        odds = np.array([chance * (1 - clean), clean * (1 - chance), 0.5 * (1 - chance) * (1 - clean)])
        parted, none, neither = odds / odds.sum()
    lost = parted * way.lost + none * np.minimum(way.lost, NONE_LOST) + neither * np.clip(way.lost, 0.1, 0.6)
    return Belief(_scaled(way), lost, _spread(way), float(1 - max(parted, none)))


def plainly_lost(ways: list[groups.Parted], judges: nets.Judges, logit: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Firings that are lost however many are, mask (n,): the first classifier is sure (`logit` over `plain_logit`) and
    both of the likeliest ways of parting are."""
    likely = np.argsort(-nets.mean_logit(judges.right, np.array([way.evidence for way in ways])))[:2]
    return (logit > limits.value("plain_logit")) & (np.min([ways[k].lost for k in likely], axis=0) > 0.9)


def _scaled(way: groups.Parted) -> np.ndarray:
    """Strengths so that firings are 1 and lost ones have what is left of their pulse."""
    weight = way.lost
    fired = (1 - weight) @ way.strength / max((1 - weight).sum(), 1e-3)
    if not 1.5 < weight.sum() < len(weight) - 1.5:
        return way.strength / max(fired, 0.2) if weight.sum() <= 1.5 else way.strength * 0.2
    low = weight @ way.strength / weight.sum()
    left = float(np.clip(way.left, 0.0, 0.5))
    return left + (1 - left) * (way.strength - low) / max(fired - low, 0.2)


def _spread(way: groups.Parted) -> float:
    """Spread of the strength of firings, robust."""
    value = _scaled(way)[way.lost < 0.5]
    value = value if len(value) > 4 else way.strength
    return float(max(1.4826 * np.median(np.abs(value - np.median(value))), 0.02))


def _levels(cues: Cues) -> np.ndarray:
    """Level of each slot over the strongest, (slots,): that of its pulse or, where it is lower, of its onset, since a
    slot that does not fire keeps the tail of its neighbour's sound but no onset of its own."""
    onset = np.ones(cues.slots)
    for j in range(cues.slots):
        own = np.flatnonzero(cues.slot == j)
        onset[j] = cues.column("onset")[own[0]] if len(own) else 1.0
    return np.minimum(cues.level, np.sqrt(onset / max(onset.max(), 1e-3)))


def _dead(n: int, level: float) -> Belief:
    """A slot so weak that it cannot be firing at all."""
    return Belief(np.full(n, level), np.full(n, DEAD), 0.05, 0.0)


def disturbed(cut: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Events (events,) in a lost stretch of sound, or under a noise far louder than the engine: nothing can be told."""
    level = cut.mean(axis=(0, 2))
    return (level < limits.value("lost_sound")) | (level > limits.value("drowned_sound"))
