"""How well each speed explains each moment: line contrast in spectra of the waveform and of band envelopes.

For a trial cycle rate f the lines of the layout lie at k*f. Evidence is the weighted level on the lines that ought to
be strong minus the level between them. Half the true speed puts every second line where nothing is, twice the true
speed puts strong lines where nothing ought to be; both lose.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from enginelog.dsp.pulses import line_strengths
from enginelog.dsp.signals import WORK_RATE_HZ, band, bands, envelope, resample
from enginelog.model import Clip, Engine

if TYPE_CHECKING:
    from scipy.sparse import csr_array

GRID_STEP = 0.01  # natural logarithm of speed from one state to the next

# Window lengths and the cycle rates they serve: at least four cycles, so that a Hann window parts the lines from the
# places between them; the ranges overlap so that the better of two windows can win.
WINDOWS = ((0.128, 36.0, 400.0), (0.256, 16.0, 130.0), (0.512, 8.0, 56.0), (1.024, 4.0, 26.0), (2.048, 1.0, 11.0))


@dataclass(frozen=True)
class Feature:
    """One signal that carries the firing rhythm.

    last_line: firing lines read. decay: their weight falls as line**-decay. top_hz: highest line.
    smooth_hz: width of the local mean by which spectra are whitened.
    """

    name: str
    rate_hz: float
    last_line: float
    decay: float
    top_hz: float
    smooth_hz: float


FEATURES = (
    Feature("low", 4000.0, 20.0, 0.5, 1800.0, 400.0),
    Feature("wide", 4000.0, 48.0, 0.0, 1800.0, 400.0),
    Feature("env_low", 1000.0, 6.0, 0.5, 480.0, 150.0),
    Feature("env_mid", 1000.0, 6.0, 0.5, 480.0, 150.0),
    Feature("env_high", 1000.0, 6.0, 0.5, 480.0, 150.0),
)
ENVELOPE = FEATURES[2]  # stands for all of them: they are read alike
# Signals whose spectra are taken together, and the features read from each of them.
TOGETHER: tuple[tuple[tuple[str, ...], tuple[Feature, ...]], ...] = (
    (("low",), FEATURES[:2]),
    (tuple(feature.name for feature in FEATURES[2:]), (ENVELOPE,)),
)
HELD = 1 << 18  # samples of frames whose spectra are held at a time
# Share of a matrix from which on a plain product, which a processor does ten times as fast, is the quicker.
DENSE = 0.09
ENVELOPE_BANDS = {"env_low": (150.0, 600.0), "env_mid": (600.0, 2000.0), "env_high": (2000.0, 7000.0)}


@dataclass(frozen=True)
class Layout:
    """What the spectrum of an engine looks like, on a grid of half lines (multiples of cycle rate / cycles / 2).

    weight: for the places 1..n of one repeat of the pattern; positive where a line ought to stand (up to 1), negative
        where nothing ought to be, 0 where either may be. The even places are the lines of the cycle.
    lines_per_firing: lines from one firing line to the next, counting it.
    cycles: working cycles after which the sound repeats (2 where every second firing differs).
    worth: factor on its evidence, below 1 for a sound that is the less likely one for this engine.
    """

    weight: tuple[float, ...]
    lines_per_firing: int
    cycles: int = 1
    worth: float = 1.0


# Every second firing weaker: lines half-way between the firing lines, weaker than these (rich or unloaded two-strokes).
EVERY_SECOND = Layout((-1.0, 0.3, -1.0, 1.0), 2, 2)
# Worth of an evenly firing engine whose cylinders sound unlike (see `unequal`): it settles draws with twice the speed.
# From 0.88 to 0.95 nothing changes (made-up recordings, tuning seeds).
UNEQUAL_WORTH = 0.92

# A hypothesis that accounts for many lines beats one that is right about a few of them: evidence grows as the number of
# lines to this power (0 would be their mean, 0.5 a significance).
TYPICAL_LINES, BREADTH = 8.0, 0.2
STRONG, FAINT = 0.6, 0.3  # line strengths (1 = all cylinders in step) taken as sure to be heard, and as absent


def layout_of(engine: Engine) -> Layout:
    """Weights from the ideal line strengths abs(sum exp(-j*k*angle)) of equal pulses at the firing angles.

    Between two firing lines the place half-way carries as much of the negative weight as all others together, because
    twice and half the true speed differ there. Angles are taken on a grid of 45 degrees.
    """
    cycle_deg, angles_deg = engine.cycle_deg, engine.firing_angles_deg
    count = len(angles_deg)
    if count == 1:
        return Layout((-1.0, 1.0), 1)
    lines = np.arange(1, int(round(cycle_deg / 45.0)) * (1 if cycle_deg > 400 else 2) + 1)
    lines = lines[: count * max(1, len(lines) // count)] if engine.even_firing else lines
    strength = line_strengths(np.asarray(angles_deg, float) / cycle_deg, len(lines))
    weight = np.full(2 * len(lines), -1.0)
    weight[1::2] = np.where(strength > STRONG, strength, np.where(strength < FAINT, -0.6, 0.0))
    return Layout(tuple(float(w) for w in np.round(_stress_half_way(weight, count), 4)), count)


def unequal(cylinders: int) -> Layout:
    """An evenly firing engine whose cylinders sound unlike, or one of them fails: faint lines of the cycle as well."""
    weight = [-1.0, 0.15] * cylinders
    weight[-1] = 1.0
    return Layout(tuple(weight), cylinders, worth=UNEQUAL_WORTH)


def _stress_half_way(weight: np.ndarray, count: int) -> np.ndarray:
    """Give the places half-way between firing lines as much negative weight as all the other empty places."""
    places = np.arange(1, len(weight) + 1)
    half_way = (places % (2 * count) == count) & (weight < 0)
    others = (weight < 0) & ~half_way
    result = weight.copy()
    if half_way.any() and others.any():
        result[half_way] *= -weight[others].sum() / half_way.sum()
    return result


def feature_signals(clip: Clip) -> dict[str, np.ndarray]:
    """The waveform at 4 kHz and the band envelopes at 1 kHz."""
    wide = resample(clip.samples, clip.rate_hz, WORK_RATE_HZ)
    low = band(resample(wide, WORK_RATE_HZ, 4000.0), 4000.0, 20.0, 1990.0)
    signals = {"low": low, "wide": low}
    for name, part in zip(ENVELOPE_BANDS, bands(wide, WORK_RATE_HZ, tuple(ENVELOPE_BANDS.values())), strict=True):
        signals[name] = envelope(part, WORK_RATE_HZ, 1000.0)
    return signals


def frame_times(seconds: float, hop_s: float) -> np.ndarray:
    """Middles of the frames, relative to the start of the clip."""
    return np.arange(0.5 * hop_s, max(seconds - 0.25 * hop_s, hop_s), hop_s)


def cycle_grid(low_hz: float, high_hz: float) -> np.ndarray:
    """Logarithmic grid of trial cycle rates in hertz."""
    return low_hz * np.exp(np.arange(0.0, np.log(high_hz / low_hz), GRID_STEP))


@lru_cache(maxsize=32)
def _kernels(
    features: tuple[Feature, ...], layouts: tuple[Layout, ...], grid: tuple[float, ...], bins: int, bin_hz: float
) -> csr_array | np.ndarray:
    """The matrices of all features and, for each, of all layouts, one below the other, as far as any bin is read; a
    plain array where more than DENSE of it is filled."""
    from scipy.sparse import vstack

    each = [_kernel(layout, feature, grid, bins, bin_hz) for feature in features for layout in layouts]
    whole = vstack(each, format="csr")
    whole = whole[:, : int(whole.indices.max(initial=0)) + 1]
    return whole.toarray() if whole.nnz > DENSE * whole.shape[0] * whole.shape[1] else whole


def _kernel(layout: Layout, feature: Feature, grid: tuple[float, ...], bins: int, bin_hz: float) -> csr_array:
    """Matrix (len(grid), bins): row j gives the contrast of trial rate grid[j] from a whitened spectrum.

    Sparse: a row reads two bins for each line, of thousands.
    """
    from scipy.sparse import csr_array

    rows, columns, values = [], [], []
    pattern = np.asarray(layout.weight)
    for row, cycle_hz in enumerate(grid):
        rate = cycle_hz / layout.cycles
        last = min(int(feature.last_line * layout.lines_per_firing), int(feature.top_hz / rate - 0.5))
        if last < 1:
            continue
        half_lines = np.arange(1, 2 * last + 2)
        amounts = (
            pattern[(half_lines - 1) % len(pattern)]
            * np.maximum(half_lines / (2 * layout.lines_per_firing), 0.5) ** -feature.decay
        )
        amounts = layout.worth * _balanced(amounts)
        places = half_lines * rate / (2 * bin_hz)
        below = places.astype(int)
        part = places - below
        keep = below + 1 < bins
        rows.append(np.full(2 * keep.sum(), row))
        columns += [below[keep], below[keep] + 1]
        values += [(amounts * (1 - part))[keep], (amounts * part)[keep]]
    if not rows:
        return csr_array((len(grid), bins), dtype=np.float32)
    placed = np.concatenate(values).astype(np.float32), (np.concatenate(rows), np.concatenate(columns))
    return csr_array(placed, shape=(len(grid), bins))


def _balanced(amounts: np.ndarray) -> np.ndarray:
    """Scale the positive amounts to sum to 1 and the negative ones to -1: noise then scores nothing in the mean."""
    plus, minus = np.maximum(amounts, 0.0), np.minimum(amounts, 0.0)
    if plus.sum() == 0 or minus.sum() == 0:
        return np.zeros_like(amounts)
    plus = plus / plus.sum()
    number = 1.0 / (plus**2).sum()
    return (number / TYPICAL_LINES) ** BREADTH * (plus - minus / minus.sum())


@dataclass(frozen=True)
class _Frames:
    """Hann frames of one signal: `view` has one starting at every sample, `starts` those wanted."""

    view: np.ndarray
    starts: np.ndarray
    window: np.ndarray
    size: int
    smooth: int
    bin_hz: float


def _frames(signal: np.ndarray, rate_hz: float, times: np.ndarray, window_s: float, smooth_hz: float) -> _Frames:
    """Frames of `window_s` round `times`, to be transformed with half as much again of zeros, or more."""
    length = int(round(window_s * rate_hz))
    padded = _padded(signal, length)
    starts = np.clip((times * rate_hz).astype(int) + length - length // 2, 0, len(padded) - length)
    size = 1 << int(np.ceil(np.log2(1.5 * length)))
    bin_hz = rate_hz / size
    window = _hann(length)
    view = np.lib.stride_tricks.sliding_window_view(padded, length)
    return _Frames(view, starts, window, size, max(3, int(smooth_hz / bin_hz)), bin_hz)


def _padded(signal: np.ndarray, length: int) -> np.ndarray:
    """The signal with `length` samples more at either end: turned over there, or zeros where it is no longer itself."""
    if len(signal) > length:
        return np.concatenate([signal[length:0:-1], signal, signal[-2 : -length - 2 : -1]])
    return np.pad(signal, length)


@lru_cache(maxsize=16)
def _hann(length: int) -> np.ndarray:
    return np.hanning(length + 2)[1:-1].astype(np.float32)


def _means(rows: np.ndarray) -> np.ndarray:
    """Mean of each row of `rows` (n, m), shape (n, 1), as a product, which a processor does faster."""
    return rows @ np.full((rows.shape[1], 1), 1.0 / rows.shape[1], rows.dtype)


def _whitened(of_signals: list[_Frames], part: slice, bins: int) -> np.ndarray:
    """The first `bins` of the amplitude spectra of some of the frames of each signal, one signal after the other, each
    divided by its own local mean."""
    from scipy.fft import rfft
    from scipy.ndimage import uniform_filter1d

    frames = of_signals[0]
    sound = np.concatenate([each.view[each.starts[part]] for each in of_signals])
    sound -= _means(sound)
    sound *= frames.window
    level = np.abs(rfft(sound, frames.size, axis=1, overwrite_x=True))
    least = 1e-3 * _means(level) + 1e-9
    local = uniform_filter1d(level[:, : bins + frames.smooth // 2 + 1], frames.smooth, axis=1, mode="nearest")[:, :bins]
    local += least
    level = level[:, :bins]
    level /= local
    return np.minimum(level, 5.0, out=level)


def whitened_frames(
    signal: np.ndarray, feature: Feature, times: np.ndarray, window_s: float
) -> tuple[np.ndarray, float]:
    """Whitened amplitude spectra of a signal about `times`, shape (len(times), bins), up to the feature's top_hz, and
    the width of a bin in hertz. All are held at once: for spectra far apart, of one block of sound."""
    frames = _frames(signal, feature.rate_hz, times, window_s, feature.smooth_hz)
    bins = int(feature.top_hz / frames.bin_hz) + 2
    at_once = max(1, HELD // frames.size)
    parts = [_whitened([frames], slice(first, first + at_once), bins) for first in range(0, len(times), at_once)]
    return np.concatenate(parts), frames.bin_hz


def evidence(
    signals: dict[str, np.ndarray], layouts: tuple[Layout, ...], grid: np.ndarray, times: np.ndarray
) -> dict[str, np.ndarray]:
    """Contrast of each feature, shape (len(times), len(grid)): about 0 in noise, 1 and more on clear lines.

    The best of the layouts and of the window lengths counts for each trial rate.
    """
    result = {feature.name: np.full((len(times), len(grid)), -9.0, np.float32) for feature in FEATURES}
    for window_s, low_hz, high_hz in WINDOWS:
        chosen = np.flatnonzero((grid >= low_hz) & (grid < high_hz))
        if len(chosen) == 0:
            continue
        columns = slice(chosen[0], chosen[-1] + 1)
        for names, features in TOGETHER:
            found = _window_scores([signals[name] for name in names], features, layouts, grid[columns], times, window_s)
            of = names if len(names) > 1 else [feature.name for feature in features]
            for name, values in zip(of, found, strict=True):
                np.maximum(result[name][:, columns], values, out=result[name][:, columns])
    return result


def _window_scores(signals: list[np.ndarray], features, layouts, grid, times, window_s: float) -> list[np.ndarray]:
    """Contrasts in one window length, of each signal and each feature read from it.

    Windows are taken a fifth of their length apart (but no closer than the frames) and interpolated.
    """
    hop = times[1] - times[0] if len(times) > 1 else 1.0
    every = max(1, int(window_s / 5 / hop + 0.5))
    some = times[::every]
    first_one = features[0]
    frames = [_frames(signal, first_one.rate_hz, some, window_s, first_one.smooth_hz) for signal in signals]
    size, bin_hz = frames[0].size, frames[0].bin_hz
    bins = min(size // 2 + 1, int(first_one.top_hz / bin_hz) + 2)
    kernel = _kernels(features, layouts, tuple(grid), bins, bin_hz)
    scores = np.empty((len(signals), len(features), len(some), len(grid)), np.float32)
    bins = kernel.shape[1]
    at_once = max(1, min(128, HELD // size // len(signals)))
    for first in range(0, len(some), at_once):
        part = slice(first, first + at_once)
        level = _whitened(frames, part, bins)
        turned = level.T if isinstance(kernel, np.ndarray) else np.ascontiguousarray(level.T)
        values = (kernel @ turned).reshape(len(features), len(layouts), len(grid), len(signals), -1)
        best = values.max(axis=1) if len(layouts) > 1 else values[:, 0]
        scores[:, :, part] = best.transpose(2, 0, 3, 1)
    return [_spread(values, times, some, every * hop) for of_signal in scores for values in of_signal]


def _spread(values: np.ndarray, times: np.ndarray, some: np.ndarray, step_s: float) -> np.ndarray:
    """Interpolate rows told at `some` moments to all `times`."""
    if len(some) == len(times):
        return values
    place = np.clip((times - some[0]) / step_s, 0, len(some) - 1)
    below = np.minimum(place.astype(int), max(len(some) - 2, 0))
    part = (place - below)[:, None].astype(np.float32)
    result, above = values[below], values[np.minimum(below + 1, len(some) - 1)]
    result *= 1 - part
    above *= part
    result += above
    return result
