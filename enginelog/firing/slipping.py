"""Whether the order of strong and empty turns slips: what tells a two-stroke that fires on every second turn from one
that fires on every turn at half the speed.

Both repeat themselves at the same rate. But one that misses every second firing does so unevenly: now and then it
misses twice in a row or fires twice, and from then on the other turns are the strong ones (encyclopedias under
"four-stroking": uneven, an unpredictable mixture of two- and four-stroke cycles at first; repairers' forums: not
completely regular, at times it misses twice in a row). One that fires on every turn of half the speed cannot fire half
a turn late. So the turns of the faster speed are laid out and told strong from empty, and the places are counted where
their order slips from one turn to the next.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.spread import MAD
from enginelog.firing import locating, shapes
from enginelog.firing.envelopes import Sound
from enginelog.firing.grid import Grid
from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine, Track

LEAST_TURNS = 60  # of one stretch, below which no template is worth learning
CLEAR = (12, 22)  # a clear slip: turns on either side that show it, and how many of all these follow its pattern
LIKELY = (8, 14)  # a likely one
SLIP_COST = 4.6  # -log of the chance that the order slips at a pair of turns: 1 in 100
MOST_EVIDENCE = 2.0  # log-likelihood ratio of one pair, at most: no single knock decides


@dataclass(frozen=True)
class Order:
    """What the turns of some sound showed. turns: of which strong and empty ones are told apart; slips, likely_slips:
    places among them where their order slips, clearly or likely; left: how much of a firing's pulse is heard in the
    empty turns (NaN without turns)."""

    turns: int
    slips: int
    likely_slips: int
    left: float


NO_TURNS = Order(0, 0, 0, np.nan)


def order_of_turns(clip: Clip, track: Track, faster: Track, engine: Engine, limits: LimitSet) -> Order:
    """The order of strong and empty turns of a single-cylinder two-stroke in `clip` (up to some minutes), whose speed
    is that of `track` or of `faster`, about its double, told in each frame. Stretches in which every turn sounds alike,
    or too much else is heard, count no turns."""
    known = np.isfinite(track.rpm)
    laid_by = replace(faster, t_s=faster.t_s - clip.start_s, rpm=np.where(known, faster.rpm, np.nan))
    sound, grids = locating.lay(clip, laid_by, engine, limits)
    if sound is None:
        return NO_TURNS
    seen = []
    for laid in (locating.whole(laid, sound, 1.0) for laid in grids):
        if len(laid.t_s) >= LEAST_TURNS:
            double_rpm = 2 * np.interp(laid.t_s, (track.t_s - clip.start_s)[known], track.rpm[known])
            seen.append(_order(sound, laid, double_rpm, limits))
    turns = sum(one.turns for one in seen)
    left = sum(one.turns * one.left for one in seen if one.turns) / turns if turns else np.nan
    return Order(turns, sum(one.slips for one in seen), sum(one.likely_slips for one in seen), left)


def fires_every_second(order: Order, limits: LimitSet) -> bool:
    """Whether an engine turns at the faster speed: the order slips, and not just once by chance."""
    return order.slips >= max(limits.value("least_slips"), limits.value("slips_per_turn") * order.turns)


def fires_every_turn(order: Order, limits: LimitSet) -> bool:
    """Whether an engine turns at the slower speed: over many turns the order did not slip once, and nothing of a firing
    is heard half a turn late."""
    long = order.turns >= limits.value("turns_without_slip")
    return bool(long and order.likely_slips == 0 and order.left < limits.value("left_in_empty_turns"))


def _order(sound: Sound, laid: Grid, double_rpm: np.ndarray, limits: LimitSet) -> Order:
    """The order of turns of one stretch. double_rpm: (turns,), twice the slower speed."""
    seen = _windows(sound, laid)
    strong, expected = _strong(seen)
    if np.mean(strong == expected) < limits.value("turns_told_apart"):
        return NO_TURNS
    sure = np.abs(np.gradient(laid.t_s) * double_rpm / 60.0 - 1.0) < limits.value("turns_near_double")
    slips, likely = (_slips(strong, sure, *pattern) for pattern in (CLEAR, LIKELY))
    return Order(len(strong), slips, likely, _left(seen[: len(strong)], strong, len(sound.amplitude)))


def _windows(sound: Sound, laid: Grid) -> np.ndarray:
    """What is heard in each turn, (turns, bands x points), over the local level."""
    cut = shapes.windows(sound.amplitude, sound.rate_hz, laid.t_s, laid.cycle_s)
    return cut[:, :, shapes.REACH : -shapes.REACH].transpose(1, 0, 2).reshape(len(laid.t_s), -1)


def _strong(seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which turns are strong, (turns,), and which would be if strong and empty ones took turns but for rare slips; an
    odd last turn is left out. Which of both are called strong is arbitrary."""
    seen = seen[: len(seen) // 2 * 2]
    pairs, template = _pairs(seen)
    second = np.repeat(_path(pairs), 2)  # whether the second of a pair is the strong one
    expected = second == np.tile([0, 1], len(pairs))
    shown = seen @ template
    return shown > (np.median(shown[expected]) + np.median(shown[~expected])) / 2, expected


def _pairs(seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """By how much the first of each two turns is stronger, (pairs,), and the template that tells it: the main direction
    in which neighbours differ, whatever a firing sounds like."""
    spread = np.maximum(seen.std(axis=0), 1e-6)
    apart = (seen[0::2] - seen[1::2]) / spread
    size = np.linalg.norm(apart, axis=1, keepdims=True)
    apart *= np.minimum(1.0, 1.5 * np.median(size) / np.maximum(size, 1e-9))
    left, height, right = np.linalg.svd(apart, full_matrices=False)
    return left[:, 0] * height[0], right[0] / spread


def _path(pairs: np.ndarray) -> np.ndarray:
    """Which of each two turns is the strong one, (pairs,), 0 the first: the likeliest path with rare slips (Viterbi,
    IEEE Trans. Inform. Theory 13, 1967)."""
    size = np.abs(pairs)
    middle = float(np.median(size))
    spread = max(MAD * float(np.median(np.abs(size - middle))), 0.3 * middle, 1e-9)
    for_first = np.clip(2 * middle * pairs / spread**2, -MOST_EVIDENCE, MOST_EVIDENCE) / 2
    score, origin = np.zeros(2), np.zeros((len(pairs), 2), int)
    for number, own in enumerate(for_first):
        slipped = score[::-1] - SLIP_COST
        origin[number] = np.where(slipped > score, [1, 0], [0, 1])
        score = np.maximum(score, slipped) + [own, -own]
    path = np.empty(len(pairs), int)
    path[-1] = score.argmax()
    for number in range(len(pairs) - 1, 0, -1):
        path[number - 1] = origin[number, path[number]]
    return path


def _slips(strong: np.ndarray, sure: np.ndarray, beside: int, least: int) -> int:
    """Places where the order of strong and empty turns, (turns,), slips: two alike next to each other, and `beside` to
    either side strong and empty ones in turn, of all these `least` as they should be.

    sure: mask of the turns laid as long as those of the double speed: where the track strays, the grid slips and not
    the engine.
    """
    if len(strong) < 2 * beside:
        return 0
    after = np.arange(2 * beside) - beside
    double = np.where(after < 0, after % 2 == 1, after % 2 == 0)  # strong, strong in the middle
    windows = np.lib.stride_tricks.sliding_window_view(strong, 2 * beside)
    alike = np.maximum((windows == double).sum(axis=1), (windows == ~double).sum(axis=1))
    slips, free = 0, 0
    for place in np.flatnonzero(alike >= least):
        if place >= free:
            slips, free = slips + bool(np.mean(sure[place : place + 2 * beside]) > 0.5), int(place) + beside
    return slips


def _left(seen: np.ndarray, strong: np.ndarray, bands: int) -> float:
    """How much of a firing's pulse is heard in the empty turns: their mean along that of the firings, each band less
    its mean. seen: (turns, bands x points)."""
    means = [seen[chosen].reshape(-1, bands, shapes.POINTS).mean(axis=0) for chosen in (strong, ~strong)]
    fired, empty = sorted(means, key=np.mean, reverse=True)
    fired, empty = (mean - mean.mean(axis=1, keepdims=True) for mean in (fired, empty))
    return float(np.sum(fired * empty) / max(np.sum(fired**2), 1e-12))
