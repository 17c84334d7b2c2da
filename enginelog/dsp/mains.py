"""Mains hum and taking it out: lines at exact multiples of 50 or 60 Hz, steadier than any engine.

A lamp, a freezer or a charger near the phone hums at the rate of the grid, which hardly moves within a minute; the
lines of an engine that happens to turn at the same rate wander, if only by a part in a thousand. So it is hum where
several multiples of one rate stand out of what lies close beside them, nothing half-way between does, and their phases
stay what they are from the first second to the last.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from enginelog.dsp.ranks import median
from enginelog.dsp.signals import resample

LISTENED_HZ = 2000.0  # rate at which hum is looked for: its lines lie below 900 Hz
GRID_HZ = (50.0, 60.0)
ASTRAY = 0.0015  # of a grid's rate, widest: large grids stay within 0.05 Hz nearly always (from memory), phones' clocks
MULTIPLES = 14  # of the grid's rate that are looked at
LEAST_S = 6.0  # shorter sound does not tell hum from a steady engine
BESIDE = (3, 13)  # bins beside a line, in widths of a bin of the whole stretch, that tell what it stands in
# What a line of it lies above that. Made-up recordings, tuning seeds: of 113 with hum 89 show it, of 371 without none.
CLEAR_DB, FAINT_DB, MOST_DB = 14.0, 10.0, 30.0
LINES = 2  # that must be clear
IN_STEP = 0.8  # length of the sum of a line's seconds over the sum of their lengths, from which it keeps its phase
MOST_IN_STEP = 0.75  # what the middle one of the lines must reach
ALL_IN_STEP = 0.995  # what all lines of at least LOUD of the loudest must reach, where no higher ones tell
LOUD = 0.1
HIGHER = 3  # multiples from which on an engine's lines, if it is as steady as a thousandth, have lost theirs
FRAME_S = 2.0  # over which the hum's level is taken for even
USUAL_OVER = 9  # frames, half a frame apart, of which the middle one is taken: an engine's line that passes is left
STEP_S = 1.0  # the same where its phase is asked for
DEEPEST_DB = 110.0  # below the loudest line: what lies deeper is rounding and the window's own lobes, not a sound


@dataclass(frozen=True)
class Hum:
    """base_hz: rate of the grid as this recording has it; multiples: of it, that stand out."""

    base_hz: float
    multiples: tuple[int, ...]


def find_hum(samples: np.ndarray, rate_hz: float) -> Hum | None:
    """The mains hum in a stretch of sound, float32 (n,); None where there is none, or too little sound to tell."""
    seconds = len(samples) / rate_hz
    if seconds < LEAST_S:
        return None
    slow = resample(samples, rate_hz, LISTENED_HZ)
    level_db = _level_db(slow)
    step_hz = LISTENED_HZ / 2 / (len(level_db) - 1)
    widen = round(1.0 / (seconds * step_hz))
    found = [one for grid_hz in GRID_HZ if (one := _of_grid(level_db, step_hz, widen, grid_hz)) is not None]
    if not found:
        return None
    _, likeliest, grid_hz = max(found, key=lambda one: one[0])
    hum, together, loud = _in_step(slow, likeliest)
    near = abs(hum.base_hz / grid_hz - 1.0) < ASTRAY
    keeping = together[np.array(hum.multiples) >= HIGHER] >= IN_STEP
    kept = keeping.sum() >= LINES and np.median(together) >= MOST_IN_STEP
    return hum if near and (kept or together[loud >= LOUD * loud.max()].min() >= ALL_IN_STEP) else None


def _in_step(samples: np.ndarray, hum: Hum) -> tuple[Hum, np.ndarray, np.ndarray]:
    """The hum at the rate that its phases tell, how well each line keeps its own all along, 0..1, and how loud each is.
    samples: at LISTENED_HZ."""
    size = int(STEP_S * LISTENED_HZ)
    window, waves = _waves(size, LISTENED_HZ, hum)
    starts = np.arange(0, len(samples) - size + 1, size // 2)
    heard = (np.lib.stride_tricks.sliding_window_view(samples, size)[starts] * window) @ waves.T
    multiples = np.array(hum.multiples)
    turned = heard * np.exp(-2j * np.pi * hum.base_hz / LISTENED_HZ * np.outer(starts, multiples))
    step = (turned[2:] * turned[:-2].conj()).sum(axis=0)  # over STEP_S; a line's phase tells the more, the higher it is
    off_hz = float(np.sum(multiples * np.angle(step) * np.abs(step)) / np.sum(multiples**2 * np.abs(step)))
    off_hz /= 2 * np.pi * STEP_S
    turned *= np.exp(-2j * np.pi * off_hz / LISTENED_HZ * np.outer(starts, multiples))
    loud = np.abs(turned).sum(axis=0)
    together = np.abs(turned.sum(axis=0)) / (loud + 1e-20)
    return Hum(hum.base_hz + off_hz, hum.multiples), together, loud


def _level_db(samples: np.ndarray) -> np.ndarray:
    """Level of a Hann-windowed transform with as many zeros more, DEEPEST_DB under the loudest at least, (bins,)."""
    from scipy.fft import next_fast_len, rfft

    window = np.hanning(len(samples) + 2)[1:-1].astype(np.float32)
    spectrum = rfft((samples - samples.mean()) * window, next_fast_len(2 * len(samples), real=True) // 2 * 2)
    power = spectrum.real**2 + spectrum.imag**2
    return 10.0 * np.log10(np.maximum(power, power.max() * 10.0 ** (-DEEPEST_DB / 10.0)) + 1e-20)


def _of_grid(level_db: np.ndarray, step_hz: float, widen: int, grid_hz: float) -> tuple[float, Hum, float] | None:
    """How clear the hum of one grid is, the hum, and the grid; None where too few of its lines are clear.

    widen: bins of `level_db` to one of the stretch itself.
    """
    rates = grid_hz * (1.0 + np.arange(-ASTRAY, ASTRAY, 0.4 * step_hz / (MULTIPLES * grid_hz)))
    places = np.round(np.outer(rates, np.arange(1, MULTIPLES + 1)) / step_hz).astype(int)
    over_db = _over_db(level_db, places, widen)
    worth = np.clip(over_db - FAINT_DB, 0.0, MOST_DB - FAINT_DB).sum(axis=1)
    best = int(worth.argmax())
    half_way = np.round(rates[best] * np.arange(0.5, MULTIPLES) / step_hz).astype(int)
    between = np.sum(_over_db(level_db, half_way, widen) > CLEAR_DB)
    if between or np.sum(over_db[best] > CLEAR_DB) < LINES:
        return None
    multiples = np.flatnonzero(over_db[best] > FAINT_DB) + 1
    if multiples[0] > 2:  # what hums does so at twice the rate, or at the rate: lines of something else
        return None
    return float(worth[best]), Hum(float(rates[best]), tuple(int(multiple) for multiple in multiples)), grid_hz


def _over_db(level_db: np.ndarray, places: np.ndarray, widen: int) -> np.ndarray:
    """Level at each place over the median of that on both sides of it, like `places`."""
    away = widen * np.arange(*BESIDE)
    around = places[..., None] + np.concatenate([-away, away])
    return level_db[places] - median(level_db[around.clip(0, len(level_db) - 1)])


def without_hum(samples: np.ndarray, rate_hz: float) -> tuple[np.ndarray, float]:
    """The sound, float32 (n,), less the mains hum that is found in it, the same array where none is; and how much of
    its power that was, 0..1, NaN where the sound is too short to tell."""
    hum = find_hum(samples, rate_hz)
    if hum is None:
        return samples, 0.0 if len(samples) >= LEAST_S * rate_hz else float("nan")
    found = hum_of(samples, rate_hz, hum)
    return samples - found, float(np.clip(np.var(found) / (np.var(samples) + 1e-20), 1e-9, 1.0))


def hum_of(samples: np.ndarray, rate_hz: float, hum: Hum) -> np.ndarray:
    """The hum itself as it sounds in `samples` (n,): each line with an amplitude of its own in overlapping frames of
    FRAME_S, the usual one of some seconds, so that a phone's gain may move it. All in single precision."""
    from scipy.ndimage import median_filter

    size = min(int(FRAME_S * rate_hz), len(samples)) // 2 * 2
    hop = size // 2
    frames = -(-len(samples) // hop) + 1
    padded = np.pad(samples, (hop, frames * hop + hop - len(samples) - hop))
    window, waves = _waves(size, rate_hz, hum)
    heard = np.lib.stride_tricks.sliding_window_view(padded, size)[: frames * hop : hop]
    ends = (len(samples) + hop - hop * np.arange(frames)).clip(1, size)
    inside = np.cumsum(window)[ends - 1]  # the first and the last frames lie partly outside
    inside[0] -= window[:hop].sum()
    amplitude = 2.0 * ((heard * window) @ waves.T) / np.maximum(inside, 0.05 * window.sum())[:, None]
    turn = np.exp(-2j * np.pi * hum.base_hz / rate_hz * hop * np.outer(np.arange(frames), hum.multiples))
    level = (amplitude * turn).astype(np.complex64)  # as if all frames began together
    usual = median_filter(level.view(np.float32), (USUAL_OVER, 1), mode="nearest").view(np.complex64)
    lines = ((usual * turn.conj()).astype(np.complex64).conj() @ waves).real * window
    result = np.zeros(len(padded), np.float32)
    for number, line in enumerate(lines):
        result[number * hop : number * hop + size] += line
    return result[hop : hop + len(samples)]


@lru_cache(maxsize=2)
def _waves(size: int, rate_hz: float, hum: Hum) -> tuple[np.ndarray, np.ndarray]:
    """Window of a frame (two half a frame apart sum to one), and the turns of each line in it, (lines, size)."""
    at = np.arange(size) / rate_hz
    window = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(size) + 0.5) / size)).astype(np.float32)
    turns = np.exp(-2j * np.pi * hum.base_hz * np.outer(hum.multiples, at))
    return window, turns.astype(np.complex64)
