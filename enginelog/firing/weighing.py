"""A second look at each firing, once it is known how all of its cylinder are distributed.

The first classifier sees an event beside its neighbours. How far a lost one of this recording lies from the others,
what each way of parting says of it, and whether the crank slows where firings are weak, is seen only when all are laid
side by side. From that a second classifier tells each event anew. What it says, what the best way of parting says and
what is believed of the two are candidates; `counting` judges how likely each of them counts right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.logistic import held_logit, probability
from enginelog.dsp.ranks import quantiles
from enginelog.dsp.spread import robust_std
from enginelog.firing import groups, nets
from enginelog.firing.cues import CHUNK_CUES, NAMES, Cues, parting, shifted

DEAD = 0.97  # probability of a miss in a slot that does not fire at all
NONE_LOST = 0.02  # probability of a miss that is left where a slot is taken to lose none
NO_LOSS = 0.005  # that of every event of the candidate that says none was lost
EVIDENCE_USED = (
    *("apart", "apart_in_lost", "log_share", "doubt", "doubtful", "left", "left_all", "logit_apart", "logit_lost"),
    *("logit_fired", "in_turn", "pulse_apart", "change_apart", "strongest_apart", "slowing_about", "slowing_after"),
    *("told_first", "told_third", "told_eighth"),
)
SLOT_USED = ("parting", "parting_share", "low_5", "low_25", "memory", "agree_12", "agree_13", "slot_level", "onset")
EVENT_USED = ("pulse", "change", "plain_pulse", "front", "strongest", "level", "pulse_below", "change_below")
CONTEXT = [groups.EVIDENCE.index(name) for name in EVIDENCE_USED]
SHARED = [NAMES.index(name) for name in (*SLOT_USED, *CHUNK_CUES)]
OWN = [NAMES.index(name) for name in (*EVENT_USED, "slowing_about", "slowing_after")]
WEAKEST = (0.02, 0.05, 0.1, 0.25, 0.5)  # shares of the weakest firings whose slowing is looked at
OUTLYING = (3.0, 4.0, 6.0)  # spreads from the middle beyond which logits are counted
CANDIDATES = ("believed", "second", "between", "best", "none")


@dataclass(frozen=True)
class Belief:
    """What is believed of one slot. strength, lost: (n,); noise: spread of the strength of firings; doubt: 0..1, chance
    that neither the best way of parting is right nor the slot without losses."""

    strength: np.ndarray
    lost: np.ndarray
    noise: float
    doubt: float


@dataclass(frozen=True)
class Slot:
    """One slot. own: indices of its events; right: (ways,) logits that a way is right; clean: logit that it loses none;
    level: over the strongest, 0..1; dead: too weak to be firing at all."""

    own: np.ndarray
    ways: list[groups.Parted]
    right: np.ndarray
    clean: float
    belief: Belief
    level: float
    dead: bool

    @property
    def best(self) -> groups.Parted:
        """The way that is likeliest right."""
        return self.ways[int(self.right.argmax())]


def clean_inputs(ways: list[groups.Parted]) -> np.ndarray:
    """What the classifier of clean slots reads: the way that the first classifier leads to, and the plainest other."""
    first = ways[min(1, len(ways) - 1)].evidence
    kind = groups.EVIDENCE.index("parted")
    other = next((way.evidence for way in ways if way.evidence[kind] > 0), ways[0].evidence)
    return np.concatenate([first, other[: groups.EVIDENCE.index("told")]])


def weighed(own: np.ndarray, ways: list[groups.Parted], judges: nets.Judges, level: float, dead: bool) -> Slot:
    """All that is thought of the events `own` of one slot; one way at least."""
    right = nets.mean_logit(judges.right, np.array([way.evidence for way in ways]))
    clean = float(nets.mean_logit(judges.clean, clean_inputs(ways)[None])[0])
    belief = _dead(len(own), level) if dead else believe(ways, right, clean)
    return Slot(own, ways, right, clean, belief, level, dead)


def believe(ways: list[groups.Parted], right: np.ndarray, clean: float) -> Belief:
    """Weigh the best way of parting against the slot having lost none, by the logits of two classifiers trained apart.

    The two and "neither" exclude one another, which normalises the three.
    """
    way, chance = ways[int(right.argmax())], float(probability(right.max()))
    none_chance = float(probability(np.array(clean)))
    if (way.lost > 0.5).mean() < 0.006 and way.lost.mean() < 0.01:  # both say the same
        parted, none, neither = max(chance, none_chance), 0.0, 1 - max(chance, none_chance)
    else:
        odds = np.array([
            chance * (1 - none_chance), none_chance * (1 - chance), 0.5 * (1 - chance) * (1 - none_chance)
        ])  # fmt: skip
        parted, none, neither = odds / odds.sum()
    lost = parted * way.lost + none * np.minimum(way.lost, NONE_LOST) + neither * np.clip(way.lost, 0.1, 0.6)
    return Belief(_scaled(way), lost, _spread(way), float(1 - max(parted, none)))


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
    return float(max(robust_std(value), 0.02))


def _dead(n: int, level: float) -> Belief:
    """A slot so weak that it cannot be firing at all."""
    return Belief(np.full(n, level), np.full(n, DEAD), 0.05, 0.0)


def second_inputs(cues: Cues, slots: list[Slot], logit: np.ndarray, together: list[np.ndarray]) -> np.ndarray:
    """What the second classifier reads of each event, (events, inputs). logit: (events,) of the first classifier;
    together: `signs` of each slot."""
    n, number = len(cues.slot), cues.slots
    believed, own_share = np.full(n, 0.5), np.zeros(n)
    said = np.zeros((n, 8 + len(WITHIN)))
    context = np.zeros((n, len(CONTEXT) + 3 + len(SIGNS)))
    for slot, signed in zip(slots, together, strict=True):
        own = slot.own
        believed[own], own_share[own] = slot.belief.lost, slot.belief.lost.mean()
        said[own] = np.column_stack([_said(slot), _within(logit[own])])
        known = [slot.right.max(), np.clip(slot.clean, -7, 7), slot.belief.doubt]
        context[own] = np.concatenate([slot.best.evidence[CONTEXT], known, signed])
    beside = [shifted(believed, by) for by in (-2, -1, 1, 2, -number, number)]
    each = np.bincount(cues.slot, believed, number)
    others = (believed.sum() - each[cues.slot]) / max(n * (number - 1) / number, 1)
    columns = [said, np.array(beside).T, context, own_share, others, cues.table[:, SHARED], cues.table[:, OWN]]
    return np.column_stack(columns).astype(np.float32)


def clipped_logit(chance: np.ndarray) -> np.ndarray:
    """Logit of a probability held within 0.001 and 0.999."""
    return held_logit(chance, 0.001)


def _said(slot: Slot) -> np.ndarray:
    """What the ways say of each event, (n, 8): the two likeliest, all weighed, how many call it lost, the belief."""
    order, chance = np.argsort(-slot.right), probability(slot.right)
    first, second = slot.ways[order[0]], slot.ways[order[min(1, len(order) - 1)]]
    lost = np.array([way.lost for way in slot.ways])
    return np.column_stack([
        np.clip(first.strength, -1, 2), clipped_logit(first.lost), np.clip(second.strength, -1, 2),
        clipped_logit(second.lost), clipped_logit(chance @ lost / chance.sum()), (lost > 0.5).mean(0),
        np.mean([np.clip(way.strength, -1, 2) for way in slot.ways], axis=0), clipped_logit(slot.belief.lost),
    ])  # fmt: skip


WITHIN = (0.5, 0.75, 0.9, 0.97, "rank", "logit")


def _within(logit: np.ndarray) -> np.ndarray:
    """Where each logit lies among those of its slot, (n, len(WITHIN))."""
    held = np.clip(logit, -8, 8)
    rank = np.argsort(np.argsort(held)) / len(held)
    return np.column_stack([held[:, None] - quantiles(held, [0.5, 0.75, 0.9, 0.97]), rank, held])


SIGNS = (
    *("slowing_with_pulse", "slowing_with_change", "after_with_change"),
    *(f"{name}_of_weakest_{share}" for share in WEAKEST for name in ("slowing", "after")),
    *("logit_50", "logit_75", "logit_90", "logit_95", "logit_98", "logit_middle", "logit_95_off", "logit_98_off"),
    *(f"beyond_{spreads}" for spreads in OUTLYING),
    *("logit_parting", "logit_parting_left", "logit_parting_share"),
    *("pulse_spread", "change_spread", "pulse_middle", "change_middle", "strength_1", "strength_3", "strength_10"),
    *("strength_parting", "strength_parting_left"),
)


def signs(cues: Cues, own: np.ndarray, logit: np.ndarray) -> np.ndarray:
    """What the events of a slot say together, (len(SIGNS),): whether the crank slows where firings are weak, how far
    the suspicious ones lie from the others, and how much the strengths vary."""
    pulse, change = (np.clip(cues.column(name)[own], -1, 2) for name in ("pulse", "change"))
    slowing, held, strength = cues.slowing[own], np.clip(logit[own], -12, 8), pulse + change
    slowing = slowing - slowing.mean(0)
    weakest, each = np.argsort(strength), slowing.std(0) + 0.2
    found = [_together(slowing[:, 0], pulse), _together(slowing[:, 0], change), _together(slowing[:, 1], change)]
    for share in WEAKEST:
        count = max(2, round(share * len(own)))
        found += list(slowing[weakest[:count]].mean(0) / each * np.sqrt(count))
    low, *upper = quantiles(held, [0.25, 0.5, 0.75, 0.9, 0.95, 0.98])
    half = upper[1] - low + 0.3
    off = 1.35 * (held - upper[0]) / half
    found += [*upper, half, (upper[3] - upper[0]) / half, (upper[4] - upper[0]) / half]
    found += [*(np.log1p((off > spreads).sum()) for spreads in OUTLYING), *parting(held)]
    both = np.column_stack([pulse, change])
    found += [*both.std(0), *np.subtract(*quantiles(both, [0.75, 0.25], axis=0))]
    found += [*quantiles(strength, [0.01, 0.03, 0.1]), *parting(strength)[:2]]
    return np.clip(np.nan_to_num(np.array(found, float)), -15, 15)


def signs_of_all(cues: Cues, slots: list[Slot], logit: np.ndarray) -> list[np.ndarray]:
    """`signs` of each slot."""
    return [signs(cues, slot.own, logit) for slot in slots]


def _together(a: np.ndarray, b: np.ndarray) -> float:
    """Correlation of two arrays."""
    a, b = a - a.mean(), b - b.mean()
    return float(a @ b / np.sqrt((a @ a) * (b @ b) + 1e-9))


def candidates(slots: list[Slot], second: np.ndarray) -> np.ndarray:
    """(len(CANDIDATES), events): ways to tell all events. second: (events,) probabilities of the second classifier."""
    second = np.array(second, float)
    believed, best, none = (np.full(len(second), 0.5) for _ in range(3))
    for slot in slots:
        believed[slot.own] = slot.belief.lost
        best[slot.own] = slot.belief.lost if slot.dead else slot.best.lost
        none[slot.own] = DEAD if slot.dead else NO_LOSS
        second[slot.own] = DEAD if slot.dead else second[slot.own]
    between = probability(0.5 * (clipped_logit(believed) + clipped_logit(second)))
    return np.array([believed, second, between, best, none])
