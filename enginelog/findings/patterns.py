"""Patterns of lost firings: random, in bursts, one cylinder's own, every second firing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Engine, Firings

TURNS_LEAST = 30  # firings of a cylinder among which turns are looked for
TURNS_FROM, TURNS_TO = 0.35, 0.6  # share lost where every second firing is, but for a few
CROWD = 10  # firings within which two doubtful ones crowd
STRONGEST = 2.0  # of the usual strength; a bang says nothing of turns
SURELY_FIRED = 0.05  # probability of a miss under which a firing of a weak turn is taken to have burned


@dataclass(frozen=True)
class Alternation:
    """Strong and weak firings taking turns. ratio: weak over strong (None where they do not take turns).

    weak: mask of the weak ones of stretches that alternate; lost: True where no more is left of them than a cylinder
    that does not burn breathes out; open: True where that much is left that they may be lost or burn weakly.
    """

    ratio: float | None
    weak: np.ndarray
    lost: bool
    open: bool = False


def with_dead_slots(engine: Engine, firings: Firings, limits: LimitSet) -> np.ndarray:
    """Miss probabilities (n,), 0..1; set to 1 for a cylinder whose own level has sunk too far for it to be firing."""
    probability = np.array(firings.miss_probability, float)
    if engine.cylinders < 2:
        return probability
    dead = np.flatnonzero(levels_over_loudest(engine, firings) < limits.value("dead_cylinder_level"))
    return np.where(np.isin(firings.slot, dead), 1.0, probability)


def levels_over_loudest(engine: Engine, firings: Firings) -> np.ndarray:
    """Level of each cylinder over that of the loudest, (cylinders,), 0..1; NaN where it is not known of all."""
    levels = np.array(
        [
            np.nanmedian(firings.slot_level[firings.slot == k]) if np.any(firings.slot == k) else np.nan
            for k in range(engine.cylinders)
        ]
    )
    known = np.isfinite(levels).all() and levels.max() > 0
    return levels / levels.max() if known else np.full(engine.cylinders, np.nan)


@dataclass(frozen=True)
class Faint:
    """Cylinders that are faint, or taken to hardly ever fire, and yet sound: they may fire and be heard less. own: mask
    of their opportunities; level: of the faintest over the loudest cylinder, 0..1, None where there is none."""

    own: np.ndarray
    level: float | None


def faint_slots(
    engine: Engine, firings: Firings, probability: np.ndarray, limits: LimitSet, silent_too: bool = False
) -> Faint:
    """The cylinders whose silence is not sure. Of one that fires now and then the firings themselves show what it
    sounds like when it does; of one that never seems to, only that it is quieter than the others, as is one whose
    outlet is farther away or turned from the microphone. silent_too: also those of which next to nothing is heard."""
    levels = levels_over_loudest(engine, firings)
    if engine.cylinders == 1 or not np.isfinite(levels).all():
        return Faint(np.zeros(len(probability), bool), None)
    lost = np.array([np.mean(probability[firings.slot == k] > 0.5) for k in range(engine.cylinders)])
    never = (lost > limits.value("never_fires_share")) | (levels < limits.value("faint_cylinder_level"))
    heard = silent_too | (levels >= limits.value("dead_cylinder_level"))
    open_ones = np.flatnonzero(never & heard)
    level = float(levels[open_ones].min()) if len(open_ones) else None
    return Faint(np.isin(firings.slot, open_ones), level)


def with_turns(probability: np.ndarray, turns: Alternation) -> np.ndarray:
    """Miss probabilities (n,), 0..1, where strong and weak firings take turns: the weak are lost, their strong
    neighbours are not, unless they are surely lost too. A weak one that is told to have fired stays so: now and then
    it burns."""
    beside = np.zeros(len(probability), bool)
    beside[1:] |= turns.weak[:-1]
    beside[:-1] |= turns.weak[1:]
    fired = beside & ~turns.weak & (probability < 0.95)
    return np.where(turns.weak & (probability >= SURELY_FIRED), 1.0, np.where(fired, 0.0, probability))


def in_turn(firings: Firings, turns: Alternation) -> np.ndarray:
    """The weak ones of an alternation, mask (n,), with those outside the stretches where it is plain: where most of a
    run takes turns, a firing weaker than the one before and the one after of its cylinder may be one of them."""
    weak = turns.weak.copy()
    for slot in np.unique(firings.slot):
        own = np.flatnonzero(firings.slot == slot)
        strength = np.concatenate([[np.inf], firings.strength[own], [np.inf]])
        weak[own] |= (strength[1:-1] < strength[:-2]) & (strength[1:-1] < strength[2:])
    return weak


def may_burn(firings: Firings, lost: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Which firings, mask (n,), may be weak ones that burn: those of an alternation, or else any of a cylinder whose
    firings take turns all along, though noise hides it in the windows of one. lost: mask (n,) of those that seem lost
    without doubt; where the weak ones are lost, no more is left of them than `alternation_lost_ratio` of the strong."""
    turns = alternation(firings, limits)
    if turns.open or turns.lost:
        return in_turn(firings, turns) & turns.open
    rest = np.where(lost, np.nan, np.minimum(firings.strength, STRONGEST))
    slots = [slot for slot in np.unique(firings.slot) if _rest_takes_turns(rest[firings.slot == slot], limits)]
    return np.isin(firings.slot, slots)


def _rest_takes_turns(strength: np.ndarray, limits: LimitSet) -> bool:
    """Whether one cylinder's firings, strength (n,), NaN unknown, are weak after strong and strong after weak: by the
    correlation of neighbours and of those two apart."""
    x = strength - np.nanmean(strength) if np.isfinite(strength).any() else strength
    pairs = [x[lag:] * x[:-lag] for lag in (1, 2)]
    if min(np.isfinite(pair).sum() for pair in pairs) < TURNS_LEAST:
        return False
    power = max(float(np.nanmean(x * x)), 1e-12)
    beside, apart = (float(np.nanmean(pair)) / power for pair in pairs)
    least, inner = limits.value("turns_correlation"), strength[1:-1]
    if beside > -least or apart < 0.5 * least:
        return False
    weak, strong = inner < np.minimum(strength[:-2], strength[2:]), inner > np.maximum(strength[:-2], strength[2:])
    if not weak.any() or not strong.any():
        return False
    return bool(np.median(inner[weak]) > limits.value("alternation_lost_ratio") * np.median(inner[strong]))


def alternation(firings: Firings, limits: LimitSet) -> Alternation:
    """Stretches in which every second firing (of the same cylinder) is weak, judged on windows of twelve firings, and
    of forty-eight where noise hides it in the shorter ones."""
    short = _alternation(firings, 12, limits)
    return short if short.ratio is not None else _alternation(firings, 48, limits)


def _alternation(firings: Firings, width: int, limits: LimitSet) -> Alternation:
    weak = np.zeros(len(firings.t_s), bool)
    ratios: list[float] = []
    for slot in np.unique(firings.slot):
        own = np.flatnonzero(firings.slot == slot)
        marked, own_ratios = _alternating(firings.strength[own], width, limits)
        weak[own[marked]] = True
        ratios.extend(own_ratios)
    if not ratios or 2 * weak.sum() < limits.value("alternation_share") * len(weak):
        return Alternation(None, np.zeros(len(weak), bool), False)
    ratio = float(np.median(ratios))
    lost = ratio < limits.value("alternation_lost_ratio")
    return Alternation(ratio, weak, lost, not lost and ratio < limits.value("alternation_burns_ratio"))


def _alternating(strength: np.ndarray, width: int, limits: LimitSet) -> tuple[np.ndarray, list[float]]:
    """Places of the weak firings in alternating windows, and each such window's ratio of weak to strong."""
    count = len(strength) // width
    pairs = strength[: count * width].reshape(count, width // 2, 2)
    sides, variance = pairs.mean(axis=1), pairs.var(axis=1, ddof=1)
    spread = np.sqrt(0.5 * variance.sum(axis=1) * 2 / (width / 2)) + 1e-6
    beyond = ~(np.abs(sides[:, 0] - sides[:, 1]) / spread < limits.value("alternation_sigmas"))
    parity = np.where(sides[:, 0] < sides[:, 1], 0, 1)
    marked = (width * np.arange(count) + parity)[beyond, None] + np.arange(0, width, 2)
    ratios = sides[beyond].min(axis=1) / sides[beyond].max(axis=1)
    return marked.ravel(), [float(ratio) for ratio in ratios]


def name_pattern(
    engine: Engine, firings: Firings, probability: np.ndarray, turns: Alternation, limits: LimitSet
) -> str | None:
    """One of none, random, burst, cylinder, every_second; None where firings count as lost but not one surely."""
    lost = probability > 0.5
    many = turns.lost and lost[turns.weak].mean() > 0.5  # else the weak ones burn, and those lost are others
    by_turns = many and (turns.weak[lost].mean() > 0.6 or _alternates(lost))
    if by_turns or takes_turns(firings.slot, lost):
        return "every_second"
    if not np.any(probability > limits.value("misfire_sure")):
        return None if lost.any() else "none"
    if attributed_cylinders(firings.slot, lost, engine.cylinders, limits):
        return "cylinder"
    return "burst" if comes_in_bursts(lost, limits) else "random"


def _alternates(lost: np.ndarray) -> bool:
    """True where most losses stand between two firings that fired."""
    if lost.sum() < 4:
        return False
    inner = lost[1:-1]
    alone = inner & ~lost[:-2] & ~lost[2:]
    return bool(alone.sum() > 0.6 * inner.sum())


def takes_turns(slot: np.ndarray, lost: np.ndarray) -> bool:
    """True where most losses belong to cylinders that lose near half of their firings, most of them between two that
    fired, and clearly more than chance would put there: (1 - share)^2 of them."""
    regular = 0
    for k in np.unique(slot):
        own = lost[slot == k]
        if len(own) < TURNS_LEAST or not TURNS_FROM < own.mean() < TURNS_TO:
            continue
        inner = own[1:-1]
        alone = np.mean(~own[:-2][inner] & ~own[2:][inner]) if inner.any() else 0.0
        regular += int(own.sum()) if alone > max(0.6, (1 - own.mean()) ** 2 + 0.15) else 0
    return bool(regular > 0.6 * max(lost.sum(), 1))


def attributed_cylinders(slot: np.ndarray, lost: np.ndarray, cylinders: int, limits: LimitSet) -> tuple[int, ...]:
    """The cylinder that owns the losses, by the attribution rule of 13 CCR 1968.2(e)(3.1.3); () where none does.

    One cylinder may be named where more than 90 % of the losses are its own; otherwise they are multiple. At least
    `attribution_least` losses are needed for the share to mean anything.
    """
    total = int(lost.sum())
    if cylinders < 2 or total < limits.value("attribution_least"):
        return ()
    shares = np.bincount(slot[lost], minlength=cylinders) / total
    return tuple(int(k) for k in np.flatnonzero(shares > limits.value("attribution_share")))


def sounds_as_single(engine: Engine, firings: Firings, lost: np.ndarray, limits: LimitSet) -> bool:
    """Whether an evenly firing twin sounds as half of it does: the losses, mask (n,), are one cylinder's, and where one
    of its firings was lost or faint the next that was judged nearly always is, too, all along or in a stretch. So it is
    where few could be judged but these; then many of all must be lost, or the cylinder sounds weak on the whole."""
    owners = attributed_cylinders(firings.slot, lost, engine.cylinders, limits)
    if engine.cylinders != 2 or not engine.even_firing or not owners:
        return False
    own = firings.slot == owners[0]
    missing = firings.miss_probability[own & np.isfinite(firings.miss_probability)] > 0.5
    after = missing[1:][missing[:-1]]
    throughout = len(after) > 0 and after.mean() >= limits.value("never_fires_share")
    weak = np.nanmedian(firings.strength[own]) < limits.value("weak_cylinder_level")
    return bool(throughout and (weak or missing.sum() >= limits.value("single_lost_share") * own.sum()))


def crowded(probability: np.ndarray, limits: LimitSet) -> int:
    """How many of the firings are perhaps lost (`crowd_probability`) and have another such within ten: by chance none
    has, of a healthy engine (see its limit)."""
    at = np.flatnonzero(probability > limits.value("crowd_probability"))
    near = np.diff(at) < CROWD
    return int(np.sum(np.append(near, False) | np.append(False, near))) if len(at) else 0


def comes_in_bursts(lost: np.ndarray, limits: LimitSet) -> bool:
    """True where losses follow each other more closely than the share around them explains.

    Pairs of losses one to three places apart are compared with the number expected from the share 6 to 40 places
    away on both sides, so that a slow change of the share (a rough start) is no burst. Poisson tail against
    `burst_chance`, and at least `burst_ratio` times as many as expected.
    """
    from scipy.special import pdtrc

    if lost.sum() < 4:
        return False
    x = lost.astype(float)
    pairs = sum(float(np.dot(x[lag:], x[:-lag])) for lag in (1, 2, 3))
    expected = 3 * float(np.dot(x, _share_around(x)))
    enough = pairs >= limits.value("burst_ratio") * expected
    return bool(enough and pdtrc(pairs - 1, max(expected, 1e-3)) < limits.value("burst_chance"))


def burst_effect(lost: np.ndarray, lags: int = 10) -> float:
    """How many times more a count of losses varies because they come in bursts: 1 + 2 * pairs above expectation a loss.

    Pairs up to `lags` places apart, expectation from the share farther away, so that a slow change of the share does
    not count; at least 1.
    """
    x = np.asarray(lost, float)
    if x.sum() < 4:
        return 1.0
    pairs = sum(float(np.dot(x[lag:], x[:-lag])) for lag in range(1, lags + 1))
    expected = lags * float(np.dot(x, _share_around(x, near=lags + 2, far=lags + 40)))
    return max(1 + 2 * (pairs - expected) / x.sum(), 1.0)


def _share_around(x: np.ndarray, near: int = 6, far: int = 40) -> np.ndarray:
    """Share lost between `near` and `far` places away, both sides."""
    kernel = np.ones(2 * far + 1)
    kernel[far - near : far + near + 1] = 0
    count = np.convolve(np.ones(len(x)), kernel, mode="same") if len(x) > len(kernel) else None
    if count is None:
        return np.full(len(x), x.mean())
    return np.convolve(x, kernel, mode="same") / np.maximum(count, 1)
