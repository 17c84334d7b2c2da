"""The words of the project: frozen types that the stages pass to each other.

No behaviour lives here beyond small properties. Units are in the names: `_s` seconds, `_hz` hertz, `_rpm` crankshaft
revolutions per minute, `_percent` 0..100, `_deg` crank degrees, `_db` decibels. An unknown number in an array is NaN;
an unknown single number is None.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from enginelog.model.course import Timeline
from enginelog.model.engine import Engine
from enginelog.model.loads import LoadRelease, LoadStep, Surges, ThrottleMove
from enginelog.model.speed import Speed

SCHEMA = "enginelog/run/1"

# ---------------------------------------------------------------- what goes in


@dataclass(frozen=True)
class ClipInfo:
    """Where a recording came from. `recorded_at` is ISO 8601 with zone, or None where the file does not say."""

    name: str
    sha256: str
    seconds: float
    sample_rate_hz: int
    channels: int
    codec: str
    recorded_at: str | None = None


@dataclass(frozen=True)
class Clip:
    """A stretch of one recording as mono samples.

    samples: float32, shape (n,), full scale is -1..1, every value finite.
    rate_hz: sampling rate of `samples` (at most 48000; higher rates are resampled on reading).
    start_s: where the stretch begins in the recording.
    """

    samples: np.ndarray
    rate_hz: float
    start_s: float = 0.0

    @property
    def seconds(self) -> float:
        return len(self.samples) / self.rate_hz


# ---------------------------------------------------------------- what the stages pass on


@dataclass(frozen=True)
class Problem:
    """Something wrong with a recording, and how to record better."""

    code: str
    text: str
    advice: str


@dataclass(frozen=True)
class Quality:
    """Whether the recording can be trusted at all. `trust` 0..1 scales the confidence of what is read from it.

    hum_percent: share of the power that was mains hum, 0 where none was found, None where that could not be told or
        the record was made before it was kept.
    silent_s: (start, end) in seconds of each stretch in which a phone or an editor left no sound at all, in order."""

    usable: bool
    snr_db: float | None
    clipped_percent: float
    low_cut_hz: float | None
    problems: tuple[Problem, ...] = ()
    trust: float = 1.0
    hum_percent: float | None = None
    silent_s: tuple[tuple[float, float], ...] = ()


READ_OVER_S = 0.25  # over which the speed of a run is read, so that single firings do not count


@dataclass(frozen=True)
class Track:
    """Crankshaft speed over time. Arrays of equal length, one entry a frame (at least ten frames a second).

    t_s: middle of each frame, seconds from the start of the recording, evenly spaced.
    rpm: NaN where the speed could not be told.
    confidence: 0..1, how likely the value is right within 3 %; 0 where rpm is NaN.
    rpm_std: standard deviation of the measurement of `rpm` (NaN where unknown).
    rhythm: shape (n, len(RHYTHM)), how the firing rhythm showed itself along the tracked path, for judging what was
        heard; None where not kept. Filled in every frame, also where `rpm` is NaN.
    turning_rpm: the speed over READ_OVER_S about each frame as the located firings tell it, NaN where they do not; None
        where none were looked for.
    hum: share of the power about each frame that was mains hum, NaN where there was too little sound to tell; None
        where not kept.
    settled: 1 or 2 where the order of the turns told that a two-stroke fires on each of them or on every second one
        (`firing.order_of_turns`), so that no other speed is possible; 0 where it told neither; None where not asked.
    beside: shape (n, len(BESIDE)), the lines of another engine that runs beside, NaN where none shows; None where not
        looked for or not kept.
    """

    t_s: np.ndarray
    rpm: np.ndarray
    confidence: np.ndarray
    rpm_std: np.ndarray
    rhythm: np.ndarray | None = None
    turning_rpm: np.ndarray | None = None
    hum: np.ndarray | None = None
    settled: np.ndarray | None = None
    beside: np.ndarray | None = None


# Columns of Track.rhythm. The first five are line contrasts (0 to 0.5 in noise, 1 and more on clear lines): of the
# low lines and all lines of the waveform's spectrum, and of the envelope spectra of 150-600, 600-2000, 2000-7000 Hz.
RHYTHM = (
    "low",
    "wide",
    "env_low",
    "env_mid",
    "env_high",
    "octave_margin",  # lead over the best octave or fifth of the path, over 2 s
    "other_margin",  # lead over the best other speed, over 0.45 s
    "coherence",  # share of the lines' power whose phases agree from frame to frame, 0..1
    "noise",  # natural logarithm of the relative deviation between two halves of the lines
    "restless",  # mean change of the path in per cent a frame
    "pitch",  # natural logarithm of the cycle rate in hertz
    "octave_odds",  # lead in log-odds over the best octave or fifth of the path, over 2 s
    "other_odds",  # lead in log-odds over the best other speed, over 0.45 s
    "whole_odds",  # log-odds by the lines of the whole block that its speed is the true one, no part or multiple
    "faster_odds",  # the same of the speed it may turn at that sounds alike (`speed.kinds`), against its own
    "tones_beside",  # logarithm of the tones that lie on no line of the cycle (and 1 more)
    "tones_on",  # share of the tones on lines of the cycle, less the share of places that are
    "same",  # correlation of the spectrum with that of half a second before
    "same_turned",  # the same with the change of speed taken out
)

# Columns of Track.beside.
BESIDE = (
    "beats_hz",  # spacing of the other engine's lines: how often it fires, or its cycle comes again
    "over_db",  # level of its lines over those of the tracked engine
    "own_hz",  # the tracked engine's cycle rate meanwhile
)


@dataclass(frozen=True)
class Firings:
    """Every firing opportunity found. Arrays of equal length, in order of time; one entry an opportunity.

    t_s: when it sounds (or would have sounded, where the firing failed).
    slot: which place in the cycle's firing order, 0..cylinders-1 (which one is slot 0 is arbitrary).
    strength: linear, relative to the local norm of its neighbours of the same slot and the others (healthy = 1).
    slot_level: linear, the slow (local-median) strength of this slot over that of all slots: a weak cylinder reads < 1.
    miss_probability: 0..1 that this opportunity was lost. Where no count is likely to be right it is NaN, above 0.95
        for what is lost without doubt and 0.9 for what is lost or weak, of a cylinder that is faint all along.
    timing: deviation of the moment from the even place between its neighbours, in firing intervals (NaN unknown).
    snr_db: how far a normal firing stands above the noise near it.
    revolutions: crank revolutions from the first opportunity, growing across gaps by time and speed.
    """

    t_s: np.ndarray
    slot: np.ndarray
    strength: np.ndarray
    slot_level: np.ndarray
    miss_probability: np.ndarray
    timing: np.ndarray
    snr_db: np.ndarray
    revolutions: np.ndarray


# ---------------------------------------------------------------- the run record's own parts


@dataclass(frozen=True)
class CylinderFiring:
    """One cylinder. index: its place in the firing order, 0 on (which one is 0 cannot be heard).

    misfire_percent: 0..100 of its own firings. relative_strength: linear, over the mean of all cylinders.
    """

    index: int
    misfire_percent: float | None
    relative_strength: float | None


@dataclass(frozen=True)
class FiringWindow:
    """The worst counting window of so many revolutions: share lost, its 95 % interval, and where it lies."""

    revolutions: float
    percent: float
    low: float
    high: float
    start_s: float
    end_s: float


@dataclass(frozen=True)
class FiringSummary:
    """All firings of the run. misfire_low, misfire_high: 95 % interval of misfire_percent, 0..100.

    pattern: none, random, burst, cylinder or every_second. timing_spread_percent: standard deviation of the moments, of
    the firing interval; strength_spread_percent: of the strengths, of a normal firing. What cannot be told is None; a
    low end alone: so many at least, and the pattern is theirs.
    """

    events: int
    misfires: int | None
    misfire_percent: float | None
    misfire_low: float | None
    misfire_high: float | None
    pattern: str | None
    timing_spread_percent: float | None
    strength_spread_percent: float | None
    cylinders: tuple[CylinderFiring, ...] = ()
    windows: tuple[FiringWindow, ...] = ()


@dataclass(frozen=True)
class Hunting:
    """swing_low_percent, swing_high_percent: 95 % interval of swing_percent."""

    found: bool | None
    rate_hz: float | None = None
    swing_rpm: float | None = None
    swing_percent: float | None = None
    swing_low_percent: float | None = None
    swing_high_percent: float | None = None


@dataclass(frozen=True)
class Settling:
    """settle_low_s, settle_high_s: 95 % interval of settle_s. course: see `findings.settling`; None where untold."""

    found: bool | None
    settle_s: float | None = None
    rough_misfire_percent: float | None = None
    rough_swing_rpm: float | None = None
    settle_low_s: float | None = None
    settle_high_s: float | None = None
    course: str | None = None


@dataclass(frozen=True)
class Finding:
    """One verdict with its evidence. verdict: ok, watch, fault, unknown (then `text` says why). of: what its value
    is and its limit is one on, where findings of this code hold more than one thing against one
    (`model.held_against`), of settling its course; empty in records made before it was kept."""

    code: str
    verdict: str
    text: str
    value: float | None = None
    unit: str | None = None
    limit: float | None = None
    source: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    next: tuple[str, ...] = ()
    of: str = ""


@dataclass(frozen=True)
class Measures:
    """What the findings stage hands back: the measured parts and the verdicts drawn from them."""

    speed: Speed
    firing: FiringSummary
    hunting: Hunting
    settling: Settling
    loads: tuple[LoadStep, ...]
    findings: tuple[Finding, ...]
    releases: tuple[LoadRelease, ...] = ()
    throttle: tuple[ThrottleMove, ...] = ()
    surges: Surges | None = None


@dataclass(frozen=True)
class Spectrum:
    """Order spectrum of the run for the report: level in dB against engine order (1 = once a revolution)."""

    order: np.ndarray
    level_db: np.ndarray


@dataclass(frozen=True)
class Run:
    """One frozen record: what was heard, by which program, from which file."""

    program_version: str
    analysed_at: str
    clip: ClipInfo
    engine: Engine
    quality: Quality
    timeline: Timeline
    track: Track
    firings: Firings
    measures: Measures
    spectrum: Spectrum | None = None
    limits_used: dict[str, float] = field(default_factory=dict)

    @property
    def track_told(self) -> Track:
        """The track as it is written and drawn: unknown (NaN, confidence 0) wherever no engine turned by itself.

        In talk, in quiet and between pulls something can beat, and what is read there is right half the time at best.
        """
        turning, track = self.timeline.turning(self.track.t_s), self.track
        rpm, std = (np.where(turning, values, np.nan) for values in (track.rpm, track.rpm_std))
        return replace(track, rpm=rpm, rpm_std=std, confidence=np.where(np.isfinite(rpm), track.confidence, 0.0))
