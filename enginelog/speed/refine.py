"""From a coarse path to a precise one: the line phases correct the speed, over long frames first, then over short ones.

Long frames tell the speed of a steady engine best; short ones follow the dip after a misfire. What the short frames add
counts as far as it stands out of their own noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.dsp.spread import MAD
from enginelog.speed.orders import LAG, frame_cycles, order_frames, phase_gain, warp_of

LEAST_CYCLES = 8
SHORT_CYCLES = 4  # fewer, and the lines of a cycle run into one another
USUAL_CHANGE = 0.01  # of the speed: a step of the coarse path
NOISE_WEIGHT = 3.0  # of the noise told by the two halves of the lines, which share part of it
WAVE_TOP_HZ = 1200.0
ENVELOPE_TOP_HZ = 400.0
MOST_WAVE_LINES = 64
MOST_ENVELOPE_LINES = 16


@dataclass(frozen=True)
class Refined:
    """Cycle rate (n,) in hertz, its standard deviation, and how far the lines agree (0..1)."""

    cycle_hz: np.ndarray
    std_hz: np.ndarray
    coherence: np.ndarray


def refine(
    signals: dict[str, np.ndarray],
    rates_hz: dict[str, float],
    times: np.ndarray,
    cycle_hz: np.ndarray,
    firings_per_cycle: int,
    passes: int = 2,
) -> Refined:
    """Correct `cycle_hz` (n,) at `times` (n,), a stretch without gaps, by the phases of the order lines.

    The stretch must hold at least eight cycles or the path is handed back with an unknown deviation.
    """
    current = np.asarray(cycle_hz, float)
    blank = np.full(len(times), np.nan)
    result = Refined(current, blank, np.zeros(len(times)))
    for number in range(passes):
        step = _one_pass(signals, rates_hz, times, result.cycle_hz, firings_per_cycle, smooth=5 - 2 * number)
        if step is None:
            return result
        result = step
    for _ in range(passes):
        result = _sharpened(signals, rates_hz, times, result, firings_per_cycle)
    return result


def _sharpened(signals, rates_hz, times, coarse: Refined, firings_per_cycle: int) -> Refined:
    """`coarse` with what short frames add to it, shrunk by the share of that which is their noise."""
    fine = _one_pass(signals, rates_hz, times, coarse.cycle_hz, firings_per_cycle, smooth=1, cycles=SHORT_CYCLES)
    if fine is None:
        return coarse
    change = np.log(fine.cycle_hz / coarse.cycle_hz)
    noise = NOISE_WEIGHT * (fine.std_hz / fine.cycle_hz) ** 2
    share = np.clip(1.0 - noise / np.maximum(moving_mean(change**2, min(21, len(change))), 1e-12), 0.0, 1.0)
    return Refined(coarse.cycle_hz * np.exp(share * change), coarse.std_hz, coarse.coherence)


def _one_pass(
    signals, rates_hz, times, cycle_hz, firings_per_cycle: int, smooth: int, cycles: int | None = None
) -> Refined | None:
    """One correction over frames of `cycles` cycles (None: as the speed asks for)."""
    hop_s = times[1] - times[0] if len(times) > 1 else 0.05
    warp = warp_of(times, cycle_hz, times[0] - hop_s / 2, times[-1] + hop_s / 2)
    middle_hz = float(np.median(cycle_hz))
    cycles = cycles or frame_cycles(middle_hz, warp.total)
    if warp.total < LEAST_CYCLES or cycles < 4:
        return None
    hop = max(1, cycles // 4)
    frames = []
    for name, signal in signals.items():
        is_wave = rates_hz[name] > 2000
        top_hz, most = (WAVE_TOP_HZ, MOST_WAVE_LINES) if is_wave else (ENVELOPE_TOP_HZ, MOST_ENVELOPE_LINES)
        top_line = int(np.clip(top_hz / np.max(cycle_hz), 2, most * firings_per_cycle))
        frames.append(order_frames(signal, rates_hz[name], warp, cycles, top_line, hop))
    if min(len(frame.lines) for frame in frames) < 3 + LAG:
        return None
    apart = hop * LAG
    gain = phase_gain(frames, min(0.45 / firings_per_cycle, 0.08 * apart), smooth, USUAL_CHANGE * apart)
    return _corrected(times, warp, gain, cycles, hop)


def _corrected(times, warp, gain, cycles: int, hop: int) -> Refined:
    """Speed from the corrected count of cycles: its rise between the middles of the pairs of frames compared."""
    per_hop = gain.cycles / LAG
    centres = cycles / 2 + (LAG - 1) * hop / 2 + hop * np.arange(len(per_hop) + 1.0)
    knots_s = warp.time_at(centres)
    drift = np.concatenate([[0.0], np.cumsum(per_hop)])
    spacing = float(np.median(np.diff(knots_s)))
    reach = max(0.5 * (times[1] - times[0] if len(times) > 1 else 0.05), 0.5 * spacing)

    def counted(at_s):
        # Beyond the first and last frame the path's own shape goes on, corrected as much as its neighbour.
        count = np.interp(at_s, warp.time_s, warp.cycles)
        early = np.minimum(count - centres[0], 0.0) * per_hop[0] / hop
        late = np.maximum(count - centres[-1], 0.0) * per_hop[-1] / hop
        smooth = np.interp(np.clip(at_s, knots_s[0], knots_s[-1]), knots_s, centres + drift)
        outside = count - np.clip(count, centres[0], centres[-1])
        return smooth + outside + early + late

    low, high = np.maximum(times - reach, warp.time_s[0]), np.minimum(times + reach, warp.time_s[-1])
    cycle_hz = (counted(high) - counted(low)) / (high - low)
    noise = _running_median(np.abs(gain.split), 21) * MAD / 2.0 / hop / LAG
    at = 0.5 * (knots_s[1:] + knots_s[:-1])
    return Refined(cycle_hz, cycle_hz * np.interp(times, at, noise), np.interp(times, at, gain.coherence))


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    from scipy.ndimage import median_filter

    return median_filter(values, size=min(width, len(values)), mode="nearest")
