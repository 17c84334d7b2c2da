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
    gaps, gap_s = amplitude.dropouts(
        levels,
        min(limits.value("gap_silent_db"), loud_db - limits.value("gap_depth_db")),
        loud_db - limits.value("gap_edge_db"),
        limits.value("gap_longest_s"),
    )
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
    )


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
