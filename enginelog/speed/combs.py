"""Another engine that runs beside the one that was tracked: a second comb of lines, which does not turn with its crank.

Two combs beat. Where a line of the other lies near one of the engine under test, the firings seem to come and go, or
earlier and later, at the difference of the two: so sounds hunting, a load, or a firing lost now and then. So the
spectra of two seconds each are read once more without the lines of the tracked engine, its half lines included (a
two-stroke that fires on every second turn), and what is left is held against combs of all spacings: places where a line
ought to stand less those half-way between, where none ought to. What is geared or belted to the crank (a pump, a
gearbox, an alternator) makes such a comb, too, but one that follows each small change of its speed; what keeps another
rate than that of a told speed for seconds, and goes its own ways, is another machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from enginelog.speed.orders import read_at, warp_of

if TYPE_CHECKING:
    from scipy.sparse import csr_array

# What follows was chosen on made-up sounds of one engine and of two, tuning seeds 995000 on; a half more or less of
# each changes little.
WINDOW_S, HOP_S = 2.048, 1.024
STEP = 0.004  # natural logarithm of the spacing of a comb from one to the next
LOWEST_HZ, HIGHEST_HZ = 8.0, 260.0  # spacings looked for: of an idling single, of a saw at full speed
REACH = 2  # steps by which a comb may wander within the seconds that are taken together
ROWS = 6  # windows in a row that must show it, seven seconds
FEWEST = 4  # windows of a block in which one is looked for
LOBE = 1.7  # half width of a line in a Hann window, in widths of a bin
SWAY = 1.3  # times the change of the speed within a window by which its lines are held to be smeared
DRAWN = 7e-4  # of its frequency by which a line may lie aside of where the track has it
UNHEARD_HZ = 7.0  # what lies below is no line
LOUDEST = 6.0  # times the mean of what is left that a place counts at most
STANDS = 1.8  # times that mean from which a line stands out by itself; one place in thirteen of noise does
FEWEST_LINES, FEWEST_GAPS = 2.5, 1.5  # of a comb that the tracked engine's lines leave free, or it tells nothing
ENOUGH_LINES = 8.0  # that tell all they can: a mean of fewer scatters more
GATE = 1.0  # of the waveform alone, below which the envelopes are not asked
# Change of the speed within a window from which it may be no swing but two combs; what is left of it in one of them; by
# how much the sound is clearer read along a true swing (4 dB and more; along the beat of two engines 1 to 2 dB less).
SWINGING, STILL, CLEARER_DB = 0.008, 0.001, 1.5
# Lowest line whose level is read, how far a swing smears it, and how much of the spectrum tells the noise beside it.
FROM_HZ, SMEARED, FLOOR_HZ = 20.0, 0.01, 30.0
LOWER_QUARTILE = 0.2877  # of the power of noise over its mean: -ln 0.75, it being distributed exponentially
MOST_DB = 30.0


@dataclass(frozen=True)
class _Read:
    """What is read of a signal: its rate, up to which frequency and line, and the width of the local mean."""

    names: tuple[str, ...]
    rate_hz: float
    top_hz: float
    lines: int
    smooth_hz: float


WAVE = _Read(("low",), 4000.0, 700.0, 12, 120.0)
ENVELOPES = _Read(("env_low", "env_mid", "env_high"), 1000.0, 300.0, 6, 60.0)
BIN_HZ = 1.0 / WINDOW_S


@dataclass(frozen=True)
class Comb:
    """The second comb that stands out most in a block, window by window (arrays of equal length).

    t_s: middle of the window. hz: its spacing; own_hz: the tracked cycle rate. clear: how far it stands out, about 0 in
    noise, 1 for the best of all combs there. lines_db: level of its lines over those of the tracked engine. clearest:
    `clear` on the mean of the ROWS windows in a row that show it best; breadth: see `_breadth`. parted: the track went
    to and fro between this comb and a stronger one, which was taken for the engine's.
    """

    t_s: np.ndarray
    hz: np.ndarray
    own_hz: np.ndarray
    clear: np.ndarray
    lines_db: float
    clearest: float
    breadth: float
    parted: bool


def spacings() -> np.ndarray:
    """The spacings of combs that are tried, in hertz."""
    return LOWEST_HZ * np.exp(np.arange(0.0, np.log(HIGHEST_HZ / LOWEST_HZ), STEP))


def second_comb(
    signals: dict[str, np.ndarray], times: np.ndarray, cycle_hz: np.ndarray, known: np.ndarray
) -> Comb | None:
    """The second comb in a block, from its feature signals and the cycle rate tracked in it; None where it is too
    short, or the waveform shows none. known: in which frames of the track there is an engine.

    None as well where the engine itself swings, and with it whatever it drives: the sidebands of both (of the k-th line
    k times as far as the first of the first) make combs that go no way of the track's.
    """
    seconds = len(signals["low"]) / WAVE.rate_hz
    starts = np.arange(0.0, seconds - WINDOW_S + 1e-9, HOP_S)
    starts = starts[_share(known.astype(float), times, starts) > 0.5] if len(starts) else starts
    if len(starts) < FEWEST:
        return None
    wave = _levels(signals, WAVE, starts)
    own = np.exp(_share(np.log(cycle_hz), times, starts)), _swing(cycle_hz, times, starts)
    parted = bool(np.median(own[1]) > SWINGING)
    if parted:
        even = _even_if_clearer(signals["low"], wave, times, cycle_hz, starts)
        if even is None:
            return None
        own = even
    free = _free(own, wave.shape[2])
    clear = _scores(wave, free, WAVE)
    if _best(clear)[0] < GATE:
        return None
    clear = clear + _scores(_levels(signals, ENVELOPES, starts), free, ENVELOPES)
    clearest, centre = _best(clear)
    hz, height = _followed(clear, centre)
    level = _lines_db(wave[0], own, hz, height)
    breadth = _breadth(_white(wave, free, WAVE)[0], free, hz, height >= np.median(height))
    return Comb(starts + WINDOW_S / 2, hz, own[0], height, level, clearest, breadth, parted)


def _even_if_clearer(
    low: np.ndarray, wave: np.ndarray, times: np.ndarray, cycle_hz: np.ndarray, starts: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Of a track that swings: the even rate of the strongest comb within its range, window by window, and how little it
    swings; None where the sound is clearer when read along the track. That goes to and fro between two combs at the
    rate at which they beat; where an engine hunts, its swing is what makes the lines sharp."""
    whole = np.ones((len(starts), wave.shape[2]), np.float32)
    whole[:, : int(UNHEARD_HZ / BIN_HZ)] = 0.0
    combs = spacings()
    slow, fast = np.quantile(cycle_hz, [0.05, 0.95])
    inside = (combs > slow * (1 - 4 * STEP)) & (combs < fast * (1 + 4 * STEP))
    if not inside.any():
        return None
    clear = np.where(inside, _scores(wave, whole, WAVE), -1.0)
    even, _ = _followed(clear, _best(clear)[1])
    along = np.exp(np.interp(times, starts + WINDOW_S / 2, np.log(even)))
    along_db, track_db = (_clearness_db(low, times, rate) for rate in (along, cycle_hz))
    return None if track_db > along_db + CLEARER_DB else (even, np.full(len(even), STILL))


def _clearness_db(low: np.ndarray, times: np.ndarray, rate: np.ndarray) -> float:
    """How far the lines of a rate stand over what lies between them, of the sound read along it."""
    from scipy.fft import rfft

    half_s = (times[1] - times[0]) / 2
    warp = warp_of(times, rate, times[0] - half_s, times[-1] + half_s)
    middle = float(np.median(rate))
    cycles = max(8, round(WINDOW_S * middle))
    last = max(4, int(WAVE.top_hz / middle))
    per_cycle = 1 << int(np.ceil(np.log2(2.2 * (last + 1))))
    sound = read_at(low, warp.moments(per_cycle) * WAVE.rate_hz)
    length = cycles * per_cycle
    if len(sound) < length:
        return 0.0
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[:: length // 2] * _window(length)
    spectra = rfft(frames, axis=1)[:, : (last + 1) * cycles]
    power = (spectra.real**2 + spectra.imag**2).reshape(len(frames), last + 1, cycles)
    between = np.median(power[:, :, 4 : cycles - 3], axis=2) / np.log(2) + 1e-30
    over = 10 * np.log10(power[:, :, 0] / between + 1e-6)
    return float(over[:, max(1, int(40 / middle) + 1) :].mean())


@lru_cache(maxsize=8)
def _window(size: int) -> np.ndarray:
    return np.hanning(size + 2)[1:-1].astype(np.float32)


def _share(values: np.ndarray, times: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Mean of the values at `times` in each window, weighted as the window is."""
    aside = starts[:, None] + WINDOW_S / 2 - times
    weight = np.where(np.abs(aside) < WINDOW_S / 2, 1.0 + np.cos(2 * np.pi * aside / WINDOW_S), 0.0) + 1e-12
    return (weight @ values) / weight.sum(axis=1)


def _swing(cycle_hz: np.ndarray, times: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """By how much the tracked rate changes within each window, share of it: half of the whole change."""
    first = np.searchsorted(times, starts + 0.05 * WINDOW_S)
    last = np.maximum(np.searchsorted(times, starts + 0.95 * WINDOW_S), first + 1)
    ends = [
        (cycle_hz[a:b].min(), cycle_hz[a:b].max()) if a < b else (1.0, 1.0) for a, b in zip(first, last, strict=True)
    ]
    low, high = np.array(ends).T
    return (high - low) / (high + low)


def _levels(signals: dict[str, np.ndarray], read: _Read, starts: np.ndarray) -> np.ndarray:
    """Amplitude spectra of the windows: (signals, windows, bins)."""
    from scipy.fft import rfft

    size = round(WINDOW_S * read.rate_hz)
    window = _window(size)
    bins = int(read.top_hz / BIN_HZ) + 4
    found = np.empty((len(read.names), len(starts), bins), np.float32)
    for row, name in enumerate(read.names):
        view = np.lib.stride_tricks.sliding_window_view(signals[name], size)
        frames = view[np.clip((starts * read.rate_hz).astype(int), 0, len(view) - 1)] * window
        found[row] = np.abs(rfft(frames, axis=1)[:, :bins])
    return found


def _free(own: tuple[np.ndarray, np.ndarray], bins: int) -> np.ndarray:
    """Which bins no line or half line of the tracked engine reaches: (windows, bins)."""
    rate, swing = own
    hz = np.arange(bins) * BIN_HZ
    half = rate[:, None] / 2
    line = np.rint(hz / half)
    aside = np.abs(hz - line * half)
    free = aside > LOBE * BIN_HZ + line * half * (SWAY * swing[:, None] + DRAWN)
    free[:, : int(UNHEARD_HZ / BIN_HZ)] = False
    return free.astype(np.float32)


def _white(levels: np.ndarray, free: np.ndarray, read: _Read) -> np.ndarray:
    """The levels over the local mean of the places that are free, LOUDEST at most, and 0 where they are not."""
    from scipy.ndimage import uniform_filter1d

    width = int(read.smooth_hz / BIN_HZ) | 1
    there = np.maximum(uniform_filter1d(free, width, axis=1, mode="nearest"), 1e-3)
    white = levels * free
    local = uniform_filter1d(white, width, axis=2, mode="nearest")
    local /= there
    white /= np.maximum(local, 1e-12, out=local)
    return np.minimum(white, LOUDEST, out=white)


def _breadth(white: np.ndarray, free: np.ndarray, hz: np.ndarray, shows: np.ndarray) -> float:
    """Share of the free lines of a comb that stand out by themselves, in the windows that show it."""
    stands = there = 0.0
    for row in np.flatnonzero(shows):
        line = np.arange(1, min(WAVE.lines, int(WAVE.top_hz / hz[row] - 0.5)) + 1)
        at = np.rint(line * hz[row] / BIN_HZ).astype(int)
        at = at[free[row, at] > 0]
        near = np.maximum(np.maximum(white[row, at - 1], white[row, at]), white[row, at + 1])
        stands, there = stands + float((near > STANDS).sum()), there + len(at)
    return stands / max(there, 1.0)


def _scores(levels: np.ndarray, free: np.ndarray, read: _Read) -> np.ndarray:
    """How far each comb stands out in each window, (windows, combs): the sum over the signals."""
    count, bins = len(levels), levels.shape[2]
    free = free[:, :bins]
    rows = np.concatenate([*_white(levels, free, read), free])
    told = (_kernel(read, bins) @ np.ascontiguousarray(rows.T)).reshape(2, -1, count + 1, len(free))
    lines, gaps = told[0, :, count], told[1, :, count]
    sums = told[:, :, :count].sum(axis=2)
    score = sums[0] / np.maximum(lines, 0.1) - sums[1] / np.maximum(gaps, 0.1)
    score *= np.sqrt(np.minimum(lines, ENOUGH_LINES) / ENOUGH_LINES)
    return np.where((lines > FEWEST_LINES) & (gaps > FEWEST_GAPS), score, 0.0).T


@lru_cache(maxsize=4)
def _kernel(read: _Read, bins: int) -> csr_array:
    """Matrix (2 * combs, bins) that adds up what stands on the lines of each comb, and half-way between."""
    from scipy.sparse import csr_array

    combs = spacings()
    count = np.minimum(read.lines, (read.top_hz / combs - 0.5).astype(int))
    rows, columns, values = [], [], []
    for part, line in enumerate((np.arange(1, read.lines + 1), np.arange(read.lines + 1) + 0.5)):
        row, column = np.nonzero(line <= count[:, None] + 0.5 * part)
        place = combs[row] * line[column] / BIN_HZ
        below = place.astype(int)
        rows += [row + part * len(combs)] * 2
        columns += [below, below + 1]
        values += [below + 1 - place, place - below]
    placed = np.concatenate(values).astype(np.float32), (np.concatenate(rows), np.concatenate(columns))
    return csr_array(placed, shape=(2 * len(combs), bins))


def _reached(clear: np.ndarray) -> np.ndarray:
    """The best of each comb and its neighbours within REACH."""
    from scipy.ndimage import maximum_filter1d

    return maximum_filter1d(clear, 2 * REACH + 1, axis=1, mode="nearest")


def _best(clear: np.ndarray) -> tuple[float, int]:
    """How far the comb stands out that does so most in ROWS windows in a row, on their mean, and its number."""
    near = _reached(clear)
    rows = min(ROWS, len(near))
    total = np.cumsum(np.vstack([np.zeros(near.shape[1]), near]), axis=0)
    mean = (total[rows:] - total[:-rows]) / rows
    place = int(mean.argmax())
    return float(mean.flat[place]), place % mean.shape[1]


def _followed(clear: np.ndarray, centre: int) -> tuple[np.ndarray, np.ndarray]:
    """The spacing of the comb about number `centre` in each window, in hertz, and how far it stands out there."""
    first, last = max(centre - REACH - 1, 1), min(centre + REACH + 2, clear.shape[1] - 1)
    best = clear[:, first:last].argmax(axis=1) + first
    row = np.arange(len(clear))
    left, middle, right = clear[row, best - 1], clear[row, best], clear[row, best + 1]
    bend = left - 2 * middle + right
    aside = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return LOWEST_HZ * np.exp(STEP * (best + np.clip(aside, -0.5, 0.5))), middle


def _lines_db(levels: np.ndarray, own: tuple[np.ndarray, np.ndarray], hz: np.ndarray, clear: np.ndarray) -> float:
    """Level of the lines of the second comb over those of the tracked engine, in the windows that show it best."""
    shown = clear >= np.median(clear)
    power = levels[shown] ** 2
    theirs = _power_on(power, hz[shown], own[0][shown])
    ours = _power_on(power, own[0][shown], hz[shown])
    return float(np.clip(10 * np.log10(max(theirs, 1e-30) / max(ours, 1e-30)), -MOST_DB, MOST_DB))


def _power_on(power: np.ndarray, hz: np.ndarray, other_hz: np.ndarray) -> float:
    """Power over the noise about the lines of one comb, as wide as a swing smears them, those left out that the other
    comb reaches; as if all were there."""
    from scipy.ndimage import percentile_filter

    total, wide = 0.0, int(FLOOR_HZ / BIN_HZ) | 1
    for spectrum, own, other in zip(power, hz, other_hz, strict=True):
        line = np.arange(1, int((WAVE.top_hz - 10) / own) + 1) * own
        line = line[line > FROM_HZ]
        reach = LOBE * BIN_HZ + SMEARED * line
        apart = np.abs(line - np.rint(line / other) * other) > reach + LOBE * BIN_HZ
        if not apart.any():
            continue
        noise = percentile_filter(spectrum, 25, size=wide, mode="nearest") / LOWER_QUARTILE
        above = np.concatenate([[0.0], np.cumsum(spectrum - noise)])
        first = np.rint((line - reach)[apart] / BIN_HZ).astype(int)
        past = np.rint((line + reach)[apart] / BIN_HZ).astype(int) + 1
        total += max(float((above[past] - above[first]).mean()), 0.0) * len(line)
    return total
