"""What is kept of one block of a recording to judge its quality: a few numbers and two short series."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Clip
from enginelog.quality import amplitude, bands, ceiling, rhythm

_LEVEL_FRAMES = 10  # of 5 ms: the levels that are kept are of 50 ms
_NONE = np.zeros(0, np.float32)


@dataclass(frozen=True)
class QualityPart:
    """Measures of one block. Parts of one recording are judged together; what two blocks share counts twice (a second
    or two in two minutes). Entries of a series are spread evenly over the block, so that those of a stretch of it can
    be taken (`places.within`).

    peak: largest swing of a sample about the offset. clipped_share: 0..1; piled_share: as
    the pile at a ceiling alone tells it, without regard to full scale. clipped_at: where these lie, how many of the
    largest samples, as many as were cut off, in each 50 ms; empty where none was. levels_db: RMS of each 50 ms, dB of
    full scale.
    gaps_s: (start, end) of each place where the sound is missing for a moment, seconds from the start of the
    recording. black: share of the 5 ms frames in each 50 ms that are so quiet that no microphone does it; black_share:
    of all of them.
    bands_db: (frames, bands) of a few spectra, NaN beyond half the sampling rate. holes_share: share of places in
    time and frequency that were emptied. repeats: how regularly the loudness beats, one value each 0.75 s.
    hum: share of the power that was mains hum over time, NaN where there was too little sound to tell, None where
    nobody asked.
    silent_s: (start, end) of each stretch without any sound, seconds from the start of the recording: holes, and what
    is black for longer; see `_silent`.
    offset: the constant level on which the samples stand, in full scale, which is no sound; 0 where it is smaller than
    the sound itself. Levels, holes and blackness are measured from there.
    """

    start_s: float
    seconds: float
    rate_hz: float
    peak: float
    clipped_share: float
    piled_share: float
    clipped_at: np.ndarray
    levels_db: np.ndarray
    gaps_s: tuple[tuple[float, float], ...]
    black: np.ndarray
    black_share: float
    bands_db: np.ndarray
    holes_share: float
    repeats: np.ndarray
    hum: np.ndarray | None = None
    offset: float = 0.0
    silent_s: tuple[tuple[float, float], ...] = ()

    @property
    def hum_share(self) -> float:
        """Of the whole block; NaN where it is not told."""
        told = np.empty(0) if self.hum is None else self.hum[np.isfinite(self.hum)]
        return float(told.mean(dtype=float)) if len(told) else math.nan


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
    black = levels < limits.value("black_db")
    power = bands.spectra(samples, rate_hz)
    piled_share = clipped_share = 0.0
    if len(levels) >= _LEVEL_FRAMES:  # in less than 50 ms a share of the samples tells nothing
        piled_share = _piled(samples, rate_hz, peak, power, limits)
        clipped_share = max(_at_full_scale(samples, peak, limits), piled_share)
    return QualityPart(
        start_s=clip.start_s,
        seconds=clip.seconds,
        rate_hz=rate_hz,
        peak=_peak(swings) if offset else peak,
        clipped_share=clipped_share,
        piled_share=piled_share,
        clipped_at=amplitude.largest(samples, peak, clipped_share, _LEVEL_FRAMES * amplitude.hop(rate_hz)),
        levels_db=_coarse(levels),
        gaps_s=_times(*amplitude.torn(levels, *holes), clip),
        black=_shares(black),
        black_share=float(np.mean(black)) if len(black) else 0.0,
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
    return _times(np.sort(starts), np.sort(ends), clip)


def _times(starts: np.ndarray, ends: np.ndarray, clip: Clip) -> tuple[tuple[float, float], ...]:
    """(start, end) in seconds of the recording of rows of 5 ms frames, given by the first and past the last of each."""
    step_s = amplitude.hop(clip.rate_hz) / clip.rate_hz
    edges = zip(starts, ends, strict=True)
    return tuple((clip.start_s + float(first) * step_s, clip.start_s + float(past) * step_s) for first, past in edges)


def with_hum(part: QualityPart, shares: np.ndarray | None) -> QualityPart:
    """The same measures with the block's share of mains hum over time, as the speed track tells it (`Track.hum`)."""
    return part if shares is None else replace(part, hum=shares.astype(np.float32))


def _peak(samples: np.ndarray) -> float:
    return float(max(samples.max(initial=0.0), -samples.min(initial=0.0)))


def _at_full_scale(samples: np.ndarray, peak: float, limits: LimitSet) -> float:
    """Share of samples that reach full scale, 0..1: cut off for certain where nothing can lie beyond it, though a lossy
    codec hides some."""
    full = limits.value("full_scale")
    return amplitude.at_ceiling(samples, full) / len(samples) if len(samples) and peak >= full else 0.0


def _piled(samples: np.ndarray, rate_hz: float, peak: float, power: np.ndarray, limits: LimitSet) -> float:
    """Share of samples cut off at a ceiling, wherever that lies, 0..1."""
    lingers = ceiling.lingers(power, rate_hz, limits.value("tonal_share"), limits.value("few_tones_share"))
    return ceiling.piled_share(amplitude.histogram(samples, peak), lingers, limits.value("pile_ratio"))


def _shares(mask: np.ndarray) -> np.ndarray:
    """Share of true frames of 5 ms in each 50 ms, the last of them perhaps shorter."""
    if not len(mask):
        return _NONE
    firsts = np.arange(0, len(mask), _LEVEL_FRAMES)
    counts = np.add.reduceat(mask, firsts, dtype=np.float32)
    return counts / np.diff(firsts, append=len(mask)).astype(np.float32)


def _coarse(levels: np.ndarray) -> np.ndarray:
    """Levels of 5 ms as levels of 50 ms; at least one value where there is any sound."""
    n = len(levels) // _LEVEL_FRAMES
    if not n:
        return levels[:1]
    power = 10 ** (levels[: n * _LEVEL_FRAMES].reshape(n, _LEVEL_FRAMES) / 10)
    return (10 * np.log10(power.mean(axis=1))).astype(np.float32)
