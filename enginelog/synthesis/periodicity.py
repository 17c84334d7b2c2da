"""How periodic a recording is at its firing rate: the yardstick by which made-up recordings are held against real ones.

For each frame with a known firing rate, the sound is compared with itself one firing period later (normalised
correlation, the best lag within 1.5 % of the period): the whole band, below 2 kHz, and the envelope of 150 to 3000 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.synthesis.scenario import Scenario

PERIODS = 4
SHORTEST_S = 0.04


@dataclass(frozen=True)
class Periodicity:
    """One entry a frame, -1..1: correlation at the firing period, whole band, below 2 kHz, envelope."""

    whole: np.ndarray
    low: np.ndarray
    envelope: np.ndarray

    def table(self, percentiles=(10, 50, 90)) -> np.ndarray:
        """Percentiles over frames, shape (3, len(percentiles))."""
        return np.array([np.percentile(x, percentiles) for x in (self.whole, self.low, self.envelope)])


def periodicity(samples: np.ndarray, rate_hz: float, t_s: np.ndarray, firing_hz: np.ndarray) -> Periodicity:
    """Measure the frames centred at `t_s`, whose firing rate is `firing_hz` (NaN: left out)."""
    import soxr
    from scipy.signal import butter, hilbert, sosfiltfilt

    x = np.asarray(samples, float)
    x = soxr.resample(x, rate_hz, 44_100) if rate_hz > 44_100 else x
    rate = min(rate_hz, 44_100)
    low = sosfiltfilt(butter(4, 2000, fs=rate, output="sos"), x)
    band = sosfiltfilt(butter(4, (150, 3000), "bandpass", fs=rate, output="sos"), x)
    envelope = np.abs(hilbert(band))
    rows = [frame(x, low, envelope, rate, t, f) for t, f in zip(t_s, firing_hz, strict=True) if np.isfinite(f)]
    kept = np.array([r for r in rows if r is not None]).reshape(-1, 3)
    return Periodicity(*kept.T)


def frame(x: np.ndarray, low: np.ndarray, envelope: np.ndarray, rate: float, t: float, firing_hz: float):
    """The three figures of one frame, None where it does not fit into the recording or is silent."""
    lag = rate / firing_hz
    size = int(max(PERIODS * lag, SHORTEST_S * rate))
    start, spare = int(t * rate - (size + lag) / 2), int(0.015 * lag) + 1
    lags = np.arange(int(lag) - spare, int(lag) + spare + 2, max(1, int(lag / 300)))
    if start < 0 or start + size + lags[-1] > len(x):
        return None
    values = [best(part[start : start + size + lags[-1]], size, lags) for part in (x, low, envelope)]
    return values if np.all(np.isfinite(values)) else None


def best(part: np.ndarray, size: int, lags: np.ndarray) -> float:
    """Highest normalised correlation of the first `size` samples with those `lags` later, means taken off."""
    first = part[:size] - part[:size].mean()
    scores = []
    for lag in lags:
        later = part[lag : lag + size] - part[lag : lag + size].mean()
        scores.append(first @ later / (np.sqrt((first @ first) * (later @ later)) + 1e-20))
    return float(max(scores)) if first @ first > 1e-14 else float("nan")


def joined(parts: list[Periodicity]) -> Periodicity:
    """All frames of several recordings together."""
    return Periodicity(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("whole", "low", "envelope")))


def of_made(scenario: Scenario, step_s: float = 0.25) -> Periodicity:
    """Measure a made-up recording on its running frames; an uneven engine at its cycle, an even one at its firings."""
    from enginelog.synthesis import make

    clip, truth = make(scenario)
    engine = scenario.engine
    if truth.run_up_end_s is None or truth.run_end_s is None:
        return Periodicity(np.zeros(0), np.zeros(0), np.zeros(0))
    t = np.arange(max(truth.run_up_end_s, 0.1), truth.run_end_s - 0.1, step_s)
    firing_hz = truth.speed_at(t) * engine.firing_hz_per_rpm
    return periodicity(clip.samples, clip.rate_hz, t, firing_hz / (1 if engine.even_firing else engine.cylinders))
