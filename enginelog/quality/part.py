"""What is kept of one block of a recording to judge its quality: a few numbers and two short series."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Clip
from enginelog.quality import amplitude, bands, ceiling, rhythm

_LEVEL_FRAMES = 10  # of 5 ms: the levels that are kept are of 50 ms


@dataclass(frozen=True)
class QualityPart:
    """Measures of one block. Parts of one recording are judged together; what two blocks share counts twice (a second
    or two in two minutes).

    peak: largest swing of a sample about the offset. clipped_share: 0..1. levels_db: RMS of each 50 ms, dB of full
    scale.
    gaps, gap_s: holes of silence inside sound. black_share: share of 5 ms frames so quiet that no microphone does it.
    bands_db: (frames, bands) of a few spectra, NaN beyond half the sampling rate. holes_share: share of places in
    time and frequency that were emptied. repeats: how regularly the loudness beats, one value each 0.75 s.
    hum_share: share of its power that was mains hum, 0..1, NaN where nobody asked or it was too short to tell.
    silent_s: (start, end) of each stretch without any sound, seconds from the start of the recording: holes, and what
    is black for longer; see `_silent`.
    offset: the constant level on which the samples stand, in full scale, which is no sound; 0 where it is smaller than
    the sound itself. Levels, holes and blackness are measured from there.
    """

    seconds: float
    rate_hz: float
    peak: float
    clipped_share: float
    levels_db: np.ndarray
    gaps: int
    gap_s: float
    black_share: float
    bands_db: np.ndarray
    holes_share: float
    repeats: np.ndarray
    hum_share: float = math.nan
    offset: float = 0.0
    silent_s: tuple[tuple[float, float], ...] = ()


def measure(clip: Clip, limits: LimitSet) -> QualityPart:
    """Measure one block of a recording. limits: of the topic `quality`.

    Cost: about 20 ms of processor time for a minute at 48 kHz.
    """
    samples, rate_hz = clip.samples, clip.rate_hz
    peak = _peak(samples)
    offset = amplitude.offset(samples, limits.value("silent_peak"))
    swings = samples - np.float32(offset) if offset else samples
    levels = amplitude.levels_db(swings, rate_hz)
    loud_db = float(np.percentile(levels, 95)) if len(levels) else -120.0
    holes = _holes(loud_db, limits)
    gaps, gap_s = amplitude.dropouts(levels, *holes)
    power = bands.spectra(samples, rate_hz)
    return QualityPart(
        seconds=clip.seconds,
        rate_hz=rate_hz,
        peak=_peak(swings) if offset else peak,
        clipped_share=_clipped(samples, rate_hz, peak, power, limits),
        levels_db=_coarse(levels),
        gaps=gaps,
        gap_s=gap_s,
        black_share=float(np.mean(levels < limits.value("black_db"))) if len(levels) else 0.0,
        bands_db=bands.band_levels_db(power, rate_hz),
        holes_share=bands.holes_share(samples, rate_hz, limits.value("hole_depth_db")),
        repeats=rhythm.repeats(samples, rate_hz),
        offset=offset,
        silent_s=_silent(levels, clip, holes, limits),
    )


def _holes(loud_db: float, limits: LimitSet) -> tuple[float, float, float]:
    """What a hole is beside loud parts of `loud_db`: below which level, between which levels, how long at most."""
    silent_db = min(limits.value("gap_silent_db"), loud_db - limits.value("gap_depth_db"))
    return silent_db, loud_db - limits.value("gap_edge_db"), limits.value("gap_longest_s")


def _silent(
    levels: np.ndarray, clip: Clip, holes: tuple[float, float, float], limits: LimitSet
) -> tuple[tuple[float, float], ...]:
    """(start, end) in seconds of the recording of each stretch in which a program left no sound: holes, and what is as
    black as no microphone is, and far below what is loud, for `black_least_s` and more, edges of any kind and ends of
    the recording included. They may overlap."""
    sounding = levels[levels > amplitude.SILENT_DB]
    loud_db = float(np.percentile(sounding, 95)) if len(sounding) else 0.0
    black_db = min(limits.value("black_db"), loud_db - limits.value("gap_depth_db"))
    black = amplitude.blacked(levels, black_db, limits.value("black_least_s"))
    starts, ends = np.concatenate([amplitude.torn(levels, *holes), black], axis=1)
    step_s = max(1, round(amplitude.LEVEL_HOP_S * clip.rate_hz)) / clip.rate_hz
    edges = zip(np.sort(starts), np.sort(ends), strict=True)
    return tuple((clip.start_s + float(first) * step_s, clip.start_s + float(past) * step_s) for first, past in edges)


def with_hum(part: QualityPart, shares: np.ndarray | None) -> QualityPart:
    """The same measures with the block's share of mains hum, as the speed track tells it (`Track.hum`)."""
    told = np.empty(0) if shares is None else shares[np.isfinite(shares)]
    return replace(part, hum_share=float(told.mean())) if len(told) else part


def _peak(samples: np.ndarray) -> float:
    return float(max(samples.max(initial=0.0), -samples.min(initial=0.0)))


def _clipped(samples: np.ndarray, rate_hz: float, peak: float, power: np.ndarray, limits: LimitSet) -> float:
    """Share of samples cut off at a ceiling, 0..1."""
    if not len(samples):
        return 0.0
    full = limits.value("full_scale")
    reaching = amplitude.at_ceiling(samples, full) / len(samples) if peak >= full else 0.0
    lingers = ceiling.lingers(power, rate_hz, limits.value("tonal_share"), limits.value("few_tones_share"))
    return ceiling.clipped_share(amplitude.histogram(samples, peak), reaching, lingers, limits.value("pile_ratio"))


def _coarse(levels: np.ndarray) -> np.ndarray:
    """Levels of 5 ms as levels of 50 ms; at least one value where there is any sound."""
    n = len(levels) // _LEVEL_FRAMES
    if not n:
        return levels[:1]
    power = 10 ** (levels[: n * _LEVEL_FRAMES].reshape(n, _LEVEL_FRAMES) / 10)
    return (10 * np.log10(power.mean(axis=1))).astype(np.float32)
