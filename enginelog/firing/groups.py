"""Ways to part the firings of one slot into lost ones and others, each with what speaks for and against it.

Several starts are tried: what the first classifier says, that with its limit moved to where the widest gap in its
answers is (it ranks well where it does not know how much of a firing the noise and the other cylinders leave), and the
weakest few or many by the shared change. From each,
the best linear cut between the two groups is learned from the recording itself and the groups follow from it, in turn.
None of the ways is believed here; `evidence` describes each for the classifier that chooses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.logistic import logit_of, probability
from enginelog.dsp.ranks import quantiles
from enginelog.firing import local
from enginelog.firing.cues import BINS, NAMES, SLOT_CUES, Cues, parting

FEWEST = 20  # firings of a slot among which lost ones are looked for
WEAKEST = (0.04, 0.12)  # shares of the weakest with which is started
ROUNDS, MORE_ROUNDS = 3, 6  # the latter where the first classifier leads
GAP_FROM, GAP_TO = -5.0, 3.0  # logits between which the widest gap may part lost from fired
HALF = 8  # neighbours on either side that make the local norm
FIRST_EVENT_CUES = 11
WHOLE = len(NAMES) - len(SLOT_CUES) - 10  # where the cues begin that all events of a slot share
KINDS = ("told", "told_parted", "gap", "gap_parted", "parted", "all")
EVIDENCE = (
    *("apart", "apart_in_lost", "log_share", "root_count", "doubt", "doubtful", "left", "left_all", "logit_apart"),
    *("logit_lost", "logit_fired", "in_turn"),
    *(f"lost_{name}" for name in NAMES[:FIRST_EVENT_CUES]),
    *("fired_pulse", "spread", "pulse_apart", "change_apart", "plain_apart", "strongest_apart"),
    *("slowing_about", "slowing_after", *(f"{name}_apart" for name in NAMES[FIRST_EVENT_CUES:16])),
    *("pulse_below", "change_below", *KINDS, *NAMES[WHOLE:-2], "usual_confidence"),
    *("told_first", "told_second", "told_third", "told_fifth", "told_eighth"),
    *("second_pulse_below", "fifth_pulse_below", "second_change_below", "fifth_change_below"),
)


@dataclass(frozen=True)
class Parted:
    """One way. strength: (n,), 1 for firings and about 0 for lost ones; lost: (n,) probabilities if this way is right;
    evidence: (len(EVIDENCE),); left: what is left of the pulse in the lost ones, 0 nothing, 1 all."""

    strength: np.ndarray
    lost: np.ndarray
    evidence: np.ndarray
    left: float


def ways(cues: Cues, logit: np.ndarray, own: np.ndarray) -> list[Parted]:
    """All ways to part the events `own` (indices of one slot); the first is what `logit` (events,) says by itself.

    Empty where there are fewer than FEWEST.
    """
    if len(own) < FEWEST:
        return []
    told = np.clip(logit[own], -8.0, 8.0)
    ready = folded(np.hstack([cues.parts[own], cues.slowing[own]]))
    change = np.clip(cues.column("change")[own], -1, 2)
    plain = 0.5 * (cues.column("pulse")[own] + cues.column("change")[own])
    found = [(plain, probability(told), 0), (*_followed(ready, told, probability(told), 0.5, MORE_ROUNDS), 1)]
    gap = widest_gap(told)
    if gap is not None:
        moved = 1.5 * (told - gap)
        found += [(plain, probability(moved), 2), (*_followed(ready, moved, probability(moved), 0.3), 3)]
    for start in (_two_groups(change), *(_weakest(change, share) for share in WEAKEST)):
        found.append((*_followed(ready, told, start, 0.1), 4))
    if cues.slots > 1:
        found.append((plain, np.full(len(own), 0.97), 5))
    return [_described(cues, own, told, *one) for one in found if one[0] is not None]


def _two_groups(y: np.ndarray) -> np.ndarray:
    """Probabilities of the lower of two groups, cut where the spread within is least, softly."""
    share = parting(y)[2]
    order = np.sort(y)
    count = max(1, round(share * len(y)))
    low, high = order[:count].mean(), order[count:].mean()
    return probability((0.5 * (low + high) - y) / (0.1 * (high - low) + 1e-9))


def widest_gap(told: np.ndarray) -> float | None:
    """Middle of the widest gap between neighbouring logits, shape (n,), that lies apart from 0; None where the widest
    is at 0 anyway, or there is none within GAP_FROM..GAP_TO."""
    order = np.sort(told)
    low, high = order[:-1], order[1:]
    inside = (high > GAP_FROM) & (low < GAP_TO) & (np.arange(1, len(order)) >= 0.5 * len(order))
    if not inside.any():
        return None
    width = np.where(inside, high - low, 0.0)
    widest = int(np.argmax(width))
    middle = 0.5 * float(low[widest] + high[widest])
    return None if width[widest] < 0.3 or low[widest] < 0.0 < high[widest] else middle


def _weakest(y: np.ndarray, share: float) -> np.ndarray:
    """Probabilities that single out the weakest `share`, four at least."""
    edge = np.sort(y)[max(4, round(share * len(y))) - 1]
    return np.where(y <= edge, 0.9, 0.02)


def _followed(ready: Folded, told: np.ndarray, lost: np.ndarray, trust: float, rounds: int = ROUNDS):
    """(strength, lost) after learning the cut and parting anew in turn; (None, None) where a group is too small.

    trust: weight of the first classifier's logits `told` beside what the cut says.
    """
    strength = None
    for _ in range(rounds):
        cut = linear_cut(ready, lost)
        if cut is None:
            break
        strength = cut - local.weighted_mean(cut, 1.0 - lost, HALF, 4.0) + 1.0
        share = np.clip((lost.sum() + 0.3) / (len(lost) + 8), 1e-3, 0.97)
        odds = _log_ratio(strength, lost) + logit_of(share)
        lost = probability(trust * told + (1 - trust) * odds)
    return (None, None) if strength is None else (strength, lost)


def _moments(y: np.ndarray, lost: np.ndarray) -> tuple[float, float, float, float]:
    """Mean of the lost and of the others, and spread of each, that of few lost ones pulled towards 0.15."""
    many, rest = lost.sum() + 1e-3, (1 - lost).sum() + 1e-3
    low, high = float(lost @ y / many), float((1 - lost) @ y / rest)
    low_std = np.sqrt((lost @ (y - low) ** 2 + 4 * 0.15**2) / (many + 4))
    return low, high, float(low_std), float(np.sqrt((1 - lost) @ (y - high) ** 2 / rest + 0.003))


def _log_ratio(y: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """Logarithm of how much likelier y is among the lost than among the others, both normal. Stronger than a firing is
    a firing and weaker than a lost one is lost, however unusual."""
    low, high, low_std, high_std = _moments(y, lost)
    held = np.clip(y, low, high) if low < high else y
    return (
        -0.5 * ((held - low) / low_std) ** 2 - np.log(low_std)
        + 0.5 * ((held - high) / high_std) ** 2 + np.log(high_std)
    )  # fmt: skip


@dataclass(frozen=True)
class Folded:
    """Events made ready for many cuts. x: (events, parts) less their mean; learn: for each fold the events learned
    from; gram, total: for each fold x.T @ x over those, and their sum."""

    x: np.ndarray
    learn: tuple[np.ndarray, ...]
    gram: tuple[np.ndarray, ...]
    total: tuple[np.ndarray, ...]


def folded(x: np.ndarray, folds: int = 3) -> Folded:
    """Fold x, shape (events, parts), three neighbours at a time."""
    x = np.asarray(x, float) - x.mean(0)
    part = np.arange(len(x)) // 3 % folds
    learn = tuple(part != fold for fold in range(folds))
    grams = tuple(mine.T @ mine for mine in (x[chosen] for chosen in learn))
    return Folded(x, learn, grams, tuple(chosen @ x for chosen in learn))


def linear_cut(ready: Folded, lost: np.ndarray, keep: float = 0.35) -> np.ndarray | None:
    """Strength by the best linear cut: about 1 for firings, 0 for lost ones. None where a side has too few events.

    Fisher's linear discriminant with a covariance shrunk by `keep` to its diagonal, learned on other events than it
    is used on (each fold in turn), so that it cannot praise itself. The scatter within the two groups is that of all
    less that of their means.
    """
    out = np.empty(len(ready.x))
    for learn, gram, total in zip(ready.learn, ready.gram, ready.total, strict=True):
        weight, count = np.where(learn, lost, 0.0), int(learn.sum())
        many = weight.sum()
        rest = count - many
        if many < 2.5 or rest < 10:
            return None
        below = weight @ ready.x
        means = np.array([below / many, (total - below) / rest])
        low, high = means
        covariance = gram - (means.T * (many, rest)) @ means
        covariance /= count
        diagonal = np.diag(covariance).copy()
        covariance *= 1 - keep
        covariance.ravel()[:: len(covariance) + 1] = diagonal + 1e-6 * diagonal.mean() + 1e-12
        direction = _solved(covariance, high - low)
        out[~learn] = (ready.x[~learn] @ direction - low @ direction) / ((high - low) @ direction + 1e-12)
    return out


def _solved(covariance: np.ndarray, right: np.ndarray) -> np.ndarray:
    """The solution of covariance @ x = right, by Cholesky's way where the matrix allows it, which it ought to."""
    from scipy.linalg.lapack import dposv

    _, found, wrong = dposv(covariance, right)
    return np.linalg.solve(covariance, right) if wrong else found


def pulse_left(parts: np.ndarray, lost: np.ndarray) -> tuple[float, float]:
    """What is left of a firing's pulse in the mean of the lost ones, 0 nothing to 1 all: in the bands in which least is
    left (lower third), and over all. Intake and neighbours keep their pulses in some bands whatever fires."""
    if lost.sum() < 1.5 or (1 - lost).sum() < 2:
        return 1.0, 1.0
    low, high = ((w @ parts / w.sum()).reshape(-1, BINS) for w in (lost, 1 - lost))
    low, high = (mean - mean.mean(1, keepdims=True) for mean in (low, high))
    size = (high * high).sum(1)
    left = (low * high).sum(1) / (size + 1e-9)
    heard = size >= 0.1 * size.max()
    least, over_all = quantiles(left[heard], (0.33,))[0], left @ size / (size.sum() + 1e-9)
    return float(np.clip(least, -1, 2)), float(np.clip(over_all, -1, 2))


def _described(cues: Cues, own: np.ndarray, told: np.ndarray, strength: np.ndarray, lost: np.ndarray, kind: int):
    low, high, low_std, high_std = _moments(strength, lost)
    many, rest, table = lost.sum() + 1e-3, (1 - lost).sum() + 1e-3, cues.table[own]
    of_lost, of_fired = lost @ table / many, (1 - lost) @ table / rest
    spread = np.sqrt((1 - lost) @ (table[:, 4] - of_fired[4]) ** 2 / rest + 0.01)
    left = pulse_left(cues.parts[own], lost)
    told_lost, told_fired = lost @ told / many, (1 - lost) @ told / rest
    apart, called = of_lost - of_fired, lost > 0.5
    changes = np.mean(called[1:] != called[:-1]) / max(2 * min(called.mean(), 1 - called.mean()), 0.02)
    evidence = [
        np.clip((high - low) / high_std, -2, 12), np.clip((high - low) / low_std, -2, 12),
        np.log(many / len(lost) + 1e-3), np.sqrt(min(many, 30)), np.minimum(lost, 1 - lost).mean(),
        np.mean(np.abs(lost - 0.5) < 0.4), *left, told_lost - told_fired, told_lost, told_fired, min(changes, 3.0),
        *of_lost[:FIRST_EVENT_CUES].clip(-1, 2), of_fired[4], spread, *(apart[[4, 5, 6, 10]] / spread), *apart[18:20],
        *apart[FIRST_EVENT_CUES:16], *of_lost[16:18], *(float(kind == k) for k in range(len(KINDS))),
        *table[len(own) // 2, WHOLE:-2], np.median(table[:, -2]),
        *np.sort(told)[[-1, -2, -3, -5, -8]], *np.sort(table[:, 16])[[1, 4]], *np.sort(table[:, 17])[[1, 4]],
    ]  # fmt: skip
    return Parted(strength, lost, np.array(evidence, float).clip(-25, 25), left[0])
