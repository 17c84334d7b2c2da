"""Whether a block's track is of the true speed or of a part or a multiple of it, by the lines of the whole block.

A frame of a second or two sees the strongest lines alone. Read along the tracked speed, a whole block adds up to a
spectrum so fine that lines stand out that no frame shows: of the whole cycle of cylinders that sound nearly alike, or
of a third of the tracked speed. For each trial multiple of that speed a small network weighs how strongly the lines
that it asks for stand, and those that it leaves empty, beside what the frames said of it. Fitted as a choice among the
multiples (conditional logit: McFadden 1974) on recordings by both makers, tuning seeds; `scripts/fit_multiples.py`
makes `multiples.npz` from them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.pulses import line_strengths
from enginelog.limits import LimitSet
from enginelog.model import Engine
from enginelog.speed.emission import Net, stored
from enginelog.speed.evidence import FAINT, FEATURES, GRID_STEP, STRONG
from enginelog.speed.kinds import is_saw
from enginelog.speed.orders import Warp, read_at, warp_of
from enginelog.speed.refine import Refined

# Trial speeds over the tracked one, and how many sixths of the tracked cycle rate lie between their lines.
RATIOS = (1 / 3, 1 / 2, 2 / 3, 1.0, 3 / 2, 2.0, 3.0)
SIXTHS = (2, 3, 4, 6, 9, 12, 18)
OWN = RATIOS.index(1.0)
NO_OTHER = np.eye(len(RATIOS))[OWN]  # chances where no other speed is looked at
STEPS = tuple(round(float(np.log(ratio)) / GRID_STEP) for ratio in RATIOS)
NEAR = 2  # states about a trial speed among which its best counts
BINS = 24  # of a cycle's spectrum: four between the sixths, so that the noise is read between them
LEAST_S = 0.5  # of a frame
# Signal, its rate, the highest line read, in hertz and in firing lines.
SIGNALS = tuple(
    (feature.name, feature.rate_hz, feature.top_hz, lines)
    for feature, lines in zip(FEATURES, (24, 0, 10, 10, 10), strict=True)
    if lines
)
LOUDEST_DB, FAINTEST_DB = 20.0, -3.0  # a line over its noise counts no more, no less
MOST = 8.0  # log-odds
SMALLEST_SHARE = 1e-4  # of a group of lines in the power of all
CANCELLED = 2  # column, among the nine of a signal, of how far the lines that equal firings cancel stand out
COLUMNS = len(SIGNALS) * 9  # what the network reads of the lines; the rest is said by the frames and told


@dataclass(frozen=True)
class Sixths:
    """Mean power at the sixths of the tracked cycle rate, from the first on, and the noise there: each (n,)."""

    power: np.ndarray
    noise: np.ndarray


def shipped() -> Net:
    """The network that comes with the package."""
    return stored("multiples")


def chances(inputs: np.ndarray, path: np.ndarray, states: int) -> np.ndarray:
    """How likely each of RATIOS is the true speed over the tracked one, shape (len(RATIOS),), from `inputs_of`; 0 where
    that is none of the trial speeds, of which there are `states`."""
    chance = weighed(inputs)
    place = np.median(path) + np.array(STEPS)
    chance[(place < 0) | (place >= states)] = 0.0
    return chance / chance.sum()


def weighed(inputs: np.ndarray, net: Net | None = None) -> np.ndarray:
    """How likely each of RATIOS is, shape (len(RATIOS),), from `inputs_of`; by the shipped network if None."""
    logit = (net or shipped()).logit(inputs.T.astype(np.float32).copy())
    share = np.exp(logit.astype(float) - logit.max())
    return share / share.sum()


def odds(chance: np.ndarray, true: int, times: int, apart: bool = True) -> np.ndarray:
    """How sure a block's track is, once it is moved to the multiple number `true`: log-odds that its speed is the true
    one, and those of `times` that speed against it (the least there are where `times` is 1), each held within MOST.
    The faster one is as likely at least where the cylinders cannot be told `apart`.

    chance: (len(RATIOS),), from `chances`.
    """
    own = chance[true]
    faster = [part for part, ratio in zip(chance, RATIOS, strict=True) if abs(ratio / RATIOS[true] / times - 1) < 0.01]
    sure = np.log(own / max(1.0 - own, 1e-9))
    against = np.log(max(faster, default=0.0) / own + 1e-9) if times > 1 else -MOST
    if times > 1 and not apart:
        against = max(against, 0.0)
    return np.clip([sure, against], -MOST, MOST)


def told_apart(inputs: np.ndarray, true: int, engine: Engine, limits: LimitSet) -> bool:
    """Whether the lines that equal cylinders cancel stand over the noise beside them (on the mean, of the signal that
    shows them most), so that it is not one cylinder firing alone at a faster speed; of the multiple number `true`, from
    `inputs_of`, where lines that do not stand are about -2 dB, as the noise of a place scatters. Asked of evenly firing
    two-strokes of several cylinders alone: with one dead such an engine does the same on every turn of its crank, and
    no line of any kind is left at half of it; a four-stroke's valves leave some.
    """
    if engine.strokes != 2 or engine.cylinders == 1 or not engine.even_firing:
        return True
    stand_db = 10 * inputs[true, CANCELLED : CANCELLED + 9 * len(SIGNALS) : 9].max()
    return bool(stand_db >= limits.value("cancelled_lines_stand_db"))


def inputs_of(
    signals: dict[str, np.ndarray],
    times: np.ndarray,
    fine: Refined,
    said: tuple[np.ndarray, np.ndarray, np.ndarray],
    path: np.ndarray,
    engine: Engine,
) -> np.ndarray:
    """What the network reads of each multiple, shape (len(RATIOS), inputs).

    signals: by feature (`evidence.feature_signals`). fine: the refined track at `times` (n,). said: log-odds and plain
    sum of each trial speed in each frame, (n, states), and its cost, (states,). path: tracked states, (n,).
    """
    weight = np.clip(fine.coherence, 0.0, 1.0) ** 2 + 1e-6
    lines = sixths_of(signals, times, fine.cycle_hz, weight)
    log_odds, contrast, cost = said
    share = weight / weight.sum()
    places = path[:, None] + np.array(STEPS)
    inside = (places >= 0) & (places < log_odds.shape[1])
    of_frames = [
        share @ np.where(inside, _best_about(log_odds, places), log_odds.min(axis=1)[:, None]),
        share @ np.where(inside, _best_about(contrast, places), -1.0),
        share @ cost[places.clip(0, len(cost) - 1)],
    ]
    log_odds, contrast, cost = (values - values[OWN] for values in of_frames)
    rows = []
    for number, step in enumerate(SIXTHS):
        row = _of_lines(lines, step, engine) + [log_odds[number] / 5, contrast[number], cost[number], number == OWN]
        rows.append([*row, *(number == other for other in range(len(SIXTHS))), *_kind(engine)])
    return np.array(rows, np.float32)


def _best_about(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    """The largest of `values` (n, states) within NEAR states of `places` (n, k)."""
    row = np.arange(len(values))[:, None]
    near = [values[row, (places + step).clip(0, values.shape[1] - 1)] for step in range(-NEAR, NEAR + 1)]
    return np.max(near, axis=0)


def _kind(engine: Engine) -> tuple[bool, ...]:
    several, even = engine.cylinders > 1, engine.even_firing
    return (
        is_saw(engine),
        engine.strokes == 2 and several,
        engine.strokes == 4 and engine.cylinders == 2 and even,
        engine.strokes == 4 and engine.cylinders > 2 and even,
        several and not even,
        engine.strokes == 4 and not several,
    )


def sixths_of(
    signals: dict[str, np.ndarray], times: np.ndarray, cycle_hz: np.ndarray, weight: np.ndarray
) -> dict[str, Sixths]:
    """The lines of each signal along a track; none where the block is too short for a frame.

    weight: (n,), how much each moment counts.
    """
    hop_s = times[1] - times[0] if len(times) > 1 else 0.05
    warp = warp_of(times, cycle_hz, times[0] - hop_s / 2, times[-1] + hop_s / 2)
    middle_hz = float(np.median(cycle_hz))
    finer = 2
    while BINS * finer / middle_hz < LEAST_S:
        finer *= 2
    finer = finer if warp.total >= BINS * finer else 1
    if warp.total < BINS * finer:
        return {}
    found = {}
    for name, rate_hz, top_hz, _ in SIGNALS:
        top_line = max(4, int(min(top_hz, 0.45 * rate_hz) / middle_hz))
        power = _mean_power(signals[name], rate_hz, warp, (times, weight), BINS * finer, top_line)
        if power is not None:
            found[name] = _at_sixths(power, finer)
    return found


def _mean_power(
    signal: np.ndarray, rate_hz: float, warp: Warp, weight: tuple[np.ndarray, np.ndarray], cycles: int, top_line: int
) -> np.ndarray | None:
    """Mean over Hann frames of `cycles` cycles of their power, each divided by its own sum; None for want of a frame.

    Bins are `cycles` to a line of the cycle. weight: moments, and how much the frames about them count.
    """
    from scipy.fft import rfft

    per_cycle = 1 << int(np.ceil(np.log2(2.2 * (top_line + 1))))
    samples = read_at(signal, warp.moments(per_cycle) * rate_hz)
    length = cycles * per_cycle
    if len(samples) < length:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[:: length // 2]
    counted = np.interp(warp.time_at(cycles / 2 * (1 + np.arange(len(frames)))), *weight)
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    total = np.zeros(top_line * cycles + 2 * (cycles // BINS))
    for frame, share in zip(frames, counted / counted.sum(), strict=True):  # one at a time: few, and long
        spectrum = rfft((frame - frame.mean()) * window)[: len(total)]
        power = spectrum.real**2 + spectrum.imag**2
        total += share * power / max(float(power.sum()), 1e-30)
    return total


def _at_sixths(power: np.ndarray, finer: int) -> Sixths:
    """Power at the sixths, and the noise about them by the places between (the median of a power that is distributed
    exponentially is ln 2 of its mean)."""
    from scipy.ndimage import median_filter

    number = np.arange(1, (len(power) - 1) // (4 * finer))
    between = power[finer * np.arange(1, (len(power) - 1) // finer + 1, 2)]
    noise = median_filter(between, size=min(13, len(between)), mode="nearest") / np.log(2)
    noise = noise[np.clip(2 * number, 0, len(noise) - 1)]
    return Sixths(power[4 * finer * number], np.maximum(noise, 1e-12 * power.max() + 1e-30))


def _of_lines(lines: dict[str, Sixths], step: int, engine: Engine) -> list[float]:
    """Of each signal and each group of lines of a multiple, `step` sixths apart: how far they stand out, and their
    share of the power of all; and how many it has of the first group."""
    found: list[float] = []
    for name, _, _, most in SIGNALS:
        if name not in lines:
            found += [0.0] * 9
            continue
        power, noise = lines[name].power, lines[name].noise
        over_db = np.clip(10 * np.log10(np.maximum(power / noise, 1e-3)), FAINTEST_DB, LOUDEST_DB)
        line = np.maximum(power - noise, 0.0)
        last = min(len(power), most * engine.cylinders * step)
        whole = line[:last].sum() + 1e-30
        groups = _groups(step, last, engine)
        for group in groups:
            share = 10 * np.log10(line[group].sum() / whole + SMALLEST_SHARE) if len(group) else 0.0
            found += [over_db[group].mean() / 10 if len(group) else 0.0, max(share, -30.0) / 10]
        found.append(np.log(len(groups[0]) + 1.0))
    return found


def _groups(step: int, last: int, engine: Engine) -> tuple[np.ndarray, ...]:
    """Places, among the first `last` sixths, of the lines of a multiple that its firings make, of those that equal
    firings cancel, of what lies half-way between its lines, and at their thirds (none where these are no sixths)."""
    number = np.arange(1, last // step + 1)
    strength = _strengths(engine)
    strength = strength[(number - 1) % len(strength)]
    half = np.arange(step // 2, last + 1, step) - 1 if step % 2 == 0 else np.empty(0, int)
    third = np.arange(step // 3, last + 1, step // 3) if step % 3 == 0 else np.empty(0, int)
    return step * number[strength > STRONG] - 1, step * number[strength < FAINT] - 1, half, third[third % step != 0] - 1


def _strengths(engine: Engine) -> np.ndarray:
    """Strength of the lines of a cycle, as far as their pattern goes before it comes again."""
    count = engine.cylinders
    if engine.even_firing:
        return (np.arange(1, count + 1) % count == 0).astype(float)
    return line_strengths(engine.firing_places, max(8 * count, 16))
