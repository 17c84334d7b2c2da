"""The sound against crank angle: frames of whole cycles, their line spectra, and the speed error these reveal.

Once the recording is read along a nearly right speed, each line keeps its phase from frame to frame. What phase it
gains, in proportion to its order, is the error of the speed: all lines of all features vote on one number.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from enginelog.dsp.ranks import median

MIN_CYCLES = 8
MIN_FRAME_S = 0.12
LAG = 2  # frames are compared with the next but one: hops of a quarter frame, so half a frame apart
# What two Hann frames half a length apart share of the noise between them (autocorrelation of the window there, Welch
# 1967). Uncorrected it votes for no change at all, since the noise stays where it is.
SHARED_NOISE = 1 / 6
# Signal-to-noise ratio at which a gain of the usual size is believed half (made-up recordings, tuning seeds).
DOUBT = 4.0


@dataclass(frozen=True)
class Warp:
    """Cycles elapsed against time, from a speed path. `time_s` and `cycles` both grow."""

    time_s: np.ndarray
    cycles: np.ndarray
    _moments: dict[int, np.ndarray] = field(default_factory=dict, repr=False, compare=False)
    _places: dict[tuple, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict, repr=False, compare=False)

    def time_at(self, cycles: np.ndarray) -> np.ndarray:
        return np.interp(cycles, self.cycles, self.time_s)

    def moments(self, per_cycle: int) -> np.ndarray:
        """When each of the even steps of 1/per_cycle cycle is reached; kept, since several signals are read there."""
        if per_cycle not in self._moments:
            finer = self._moments.get(2 * per_cycle)
            at = np.arange(0.0, self.total, 1.0 / per_cycle)
            self._moments[per_cycle] = self.time_at(at) if finer is None else finer[::2]
        return self._moments[per_cycle]

    def places(self, per_cycle: int, rate_hz: float, count: int) -> tuple[np.ndarray, np.ndarray]:
        """The same moments as places between `count` samples: index of the one before, part of the way to the next."""
        key = (per_cycle, rate_hz, count)
        if key not in self._places:
            self._places[key] = _between(self.moments(per_cycle) * rate_hz, count)
        return self._places[key]

    @property
    def total(self) -> float:
        return float(self.cycles[-1])


@dataclass(frozen=True)
class OrderFrames:
    """Line spectra of one feature, in single precision. lines: complex (frames, lines); between: power half-way to the
    next lines."""

    lines: np.ndarray
    between: np.ndarray


@dataclass(frozen=True)
class Gain:
    """What the line phases say from frame to frame, each shape (frames-LAG,).

    cycles: phase gained over LAG hops beyond whole cycles. coherence: 0..1, share of the power that agrees on it.
    split: difference of the gain told by two disjoint halves of the lines, a measure of its noise.
    """

    cycles: np.ndarray
    coherence: np.ndarray
    split: np.ndarray


def warp_of(times: np.ndarray, cycle_hz: np.ndarray, start_s: float, end_s: float, step_s: float = 0.01) -> Warp:
    """Integrate a cycle rate (log-interpolated between frames, held at the ends) from start to end."""
    grid = np.arange(start_s, end_s + step_s, step_s)
    rate = np.exp(np.interp(grid, times, np.log(cycle_hz)))
    cycles = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(grid))])
    return Warp(grid, cycles)


def frame_cycles(median_cycle_hz: float, total_cycles: float) -> int:
    """Cycles a frame holds: a power of two, at least MIN_CYCLES and MIN_FRAME_S long, fewer in very short runs."""
    wanted = max(MIN_CYCLES, MIN_FRAME_S * median_cycle_hz)
    size = 1 << int(np.ceil(np.log2(wanted)))
    while size > 4 and size > total_cycles / 2:
        size //= 2
    return size


def order_frames(
    signal: np.ndarray, rate_hz: float, warp: Warp, cycles: int, top_line: int, hop_cycles: float
) -> OrderFrames:
    """Hann frames of `cycles` cycles every `hop_cycles`, as line spectra up to `top_line` lines a cycle."""
    from scipy.fft import rfft

    per_cycle = 1 << int(np.ceil(np.log2(2.2 * (top_line + 1))))
    samples = _read(signal, *warp.places(per_cycle, rate_hz, len(signal)))
    length, hop = cycles * per_cycle, max(1, int(round(hop_cycles * per_cycle)))
    if len(samples) < length:
        return OrderFrames(np.zeros((0, top_line), np.complex64), np.zeros((0, top_line), np.float32))
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::hop]
    spectra = rfft(_folded(frames, cycles // 2), axis=1)
    lines = spectra[:, 2 : 2 * top_line + 1 : 2]
    between = _power(spectra[:, 1 : 2 * top_line + 2 : 2])
    return OrderFrames(lines, 0.5 * (between[:, :-1] + between[:, 1:]))


def _folded(frames: np.ndarray, parts: int) -> np.ndarray:
    """Hann frames cut into `parts`, two at least, that are laid on one another: (frames, length // parts).

    The transform of that is each `parts`-th bin of the whole frame's: here the lines and the places half-way between.
    What is constant in a frame shows in bins 0 and 1 alone.
    """
    window = np.hanning(frames.shape[1] + 1)[:-1].astype(np.float32).reshape(parts, -1)
    size = window.shape[1]
    total = frames[:, :size] * window[0]
    for part in range(1, parts):
        total += frames[:, part * size : (part + 1) * size] * window[part]
    return total


def _power(spectra: np.ndarray) -> np.ndarray:
    return spectra.real**2 + spectra.imag**2


def read_at(signal: np.ndarray, places: np.ndarray) -> np.ndarray:
    """The signal at `places` counted in samples, on straight lines between these and held at the ends; float32."""
    return _read(signal, *_between(places, len(signal)))


def _between(places: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Places between `count` samples as the index of the one before, and part of the way to the next."""
    place = np.clip(places, 0.0, count - 1.0)
    before = np.minimum(place.astype(np.intp), max(count - 2, 0))
    return before, (place - before).astype(np.float32)


def _read(signal: np.ndarray, before: np.ndarray, part: np.ndarray) -> np.ndarray:
    """The signal, float32, on straight lines between its samples; at least one of them."""
    signal = np.asarray(signal, np.float32)
    if len(signal) < 2:
        return np.full(len(before), signal[0], np.float32)
    return signal[before] + part * np.diff(signal)[before]


def phase_gain(frames: list[OrderFrames], widest: float, smooth: int, usual: float) -> Gain:
    """Phase gained from each frame to the LAG-th next beyond whole cycles, by the vote of all lines of all features.

    widest: largest gain considered, in cycles (below half the spacing of the firings, or a neighbour would be taken).
    usual: size of a gain that needs no special evidence; larger ones must stand out the more.
    """
    votes = [_votes(frame, smooth) for frame in frames]
    count = min(len(vote) for vote in votes)
    total = np.zeros((count, max(vote.shape[1] for vote in votes)), np.complex64)
    power = np.full(count, 1e-30)
    for vote in votes:
        power += np.abs(vote[:count]).sum(axis=1, dtype=float)
        total[:, : vote.shape[1]] += vote[:count]
    reach = min(int(max(widest * SHIFTS, 2.0)), SHIFTS // 2 - 2)
    halves = [_agreement(total, half, reach) for half in (0, 1)]
    gain, height = _peak(halves[0] + halves[1], usual)
    odd, _ = _peak(halves[0], usual)
    even, _ = _peak(halves[1], usual)
    return Gain(gain, height / power, odd - even)


def _votes(frame: OrderFrames, smooth: int) -> np.ndarray:
    """Line-by-line products of frames LAG hops apart, weighted by signal over noise and smoothed in time."""
    from scipy.ndimage import uniform_filter1d

    noise = np.maximum(median(frame.between, axis=0), 1e-30)
    shared = SHARED_NOISE * 0.5 * (frame.between[LAG:] + frame.between[:-LAG])
    products = (frame.lines[LAG:] * np.conj(frame.lines[:-LAG]) - shared) / noise
    # No single loud frame (a bang, a knock) may outvote its neighbours.
    loud = np.abs(products)
    cap = 6.0 * median(loud, axis=0) + 1e-30
    products *= cap / np.maximum(loud, cap)
    if smooth > 1 and len(products) > 1:
        products = uniform_filter1d(products.view(np.float32), smooth, axis=0, mode="nearest").view(np.complex64)
    return products


SHIFTS = 512  # phases tried in a whole cycle


def _agreement(votes: np.ndarray, half: int, reach: int) -> np.ndarray:
    """How well the votes (frames, lines) of every second line, from number `half` on, agree with each shift of up to
    `reach` of SHIFTS steps both ways, and one step more: (frames, 2 * reach + 3)."""
    mine = np.ascontiguousarray(votes[:, half::2])
    return mine.view(np.float32) @ _turns(half, mine.shape[1], reach)


@lru_cache(maxsize=4)
def _turns(half: int, count: int, reach: int) -> np.ndarray:
    """What real and imaginary part of the vote of each line, in turn, say for each shift: (2 * count, shifts)."""
    lines, steps = np.arange(half + 1, half + 1 + 2 * count, 2), np.arange(-reach - 1, reach + 2)
    angle = 2 * np.pi / SHIFTS * np.outer(lines, steps)
    return np.stack([np.cos(angle), np.sin(angle)], axis=1).reshape(2 * count, -1).astype(np.float32)


def _peak(curve: np.ndarray, usual: float) -> tuple[np.ndarray, np.ndarray]:
    """Shift (in cycles) at which an agreement `curve`, see `_agreement`, is best, and how high it is there.

    A shift is taken at the expense of what is `usual`, as by a normal prior: weak votes move nothing.
    """
    reach = (curve.shape[1] - 3) // 2
    steps = np.arange(-reach - 1, reach + 2)
    near = curve - (DOUBT * 0.5 * (steps / (SHIFTS * usual)) ** 2).astype(np.float32)
    best = near[:, 1:-1].argmax(axis=1) + 1
    row = np.arange(len(near))
    left, middle, right = near[row, best - 1], near[row, best], near[row, best + 1]
    bend = left - 2 * middle + right
    offset = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return (steps[best] + np.clip(offset, -0.5, 0.5)) / SHIFTS, middle
