"""From samples to what the other parts read: the amplitude of each band, and one activity curve over all bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp import bands
from enginelog.dsp.signals import WORK_RATE_HZ, resample
from enginelog.dsp.smoothing import mean_within
from enginelog.limits import LimitSet

EDGES_HZ = np.array([70.0, 180, 330, 550, 850, 1300, 2000, 3000, 4200, 5500, 7000])
POINTS_A_FIRING = 24  # samples of an envelope in one firing interval, at least


@dataclass(frozen=True)
class Sound:
    """amplitude: float32 of shape (bands, m), of each band; rate_hz: samples a second; centres_hz: (bands,)."""

    amplitude: np.ndarray
    rate_hz: float
    centres_hz: np.ndarray


def band_edges(rate_hz: float, firing_hz: float) -> np.ndarray:
    """Edges of the bands: each at least 2.5 times the firing rate wide, so that a band's envelope shows each firing."""
    edges = [max(EDGES_HZ[0], 0.6 * firing_hz)]
    for edge in EDGES_HZ[1:]:
        if edge <= 0.46 * rate_hz and edge - edges[-1] >= 2.5 * firing_hz:
            edges.append(edge)
    return np.array(edges if len(edges) > 1 else [edges[0], max(0.46 * rate_hz, 2 * edges[0])])


def amplitudes(samples: np.ndarray, rate_hz: float, firing_hz: float, limits: LimitSet) -> Sound:
    """Amplitude of each band over time.

    The amplitude, not the power, is used on: it separates lost firings better, since single loud moments weigh less.
    What lies above all bands is taken off first: a third of the samples is a third of the transform.
    """
    if rate_hz > WORK_RATE_HZ:
        samples, rate_hz = resample(samples, rate_hz, WORK_RATE_HZ), WORK_RATE_HZ
    edges = band_edges(rate_hz, firing_hz)
    out_rate = max(1.15 * np.diff(edges).max(), POINTS_A_FIRING * firing_hz, limits.value("slowest_envelope_hz"))
    split = bands.split(samples, rate_hz, edges, out_rate)
    return Sound(np.abs(split.signals), split.rate_hz, np.sqrt(edges[1:] * edges[:-1]))


def activity(amplitude: np.ndarray, rate_hz: float) -> np.ndarray:
    """One curve, shape (m,): square root of each band's amplitude over its mean of one second, averaged over bands."""
    total = np.zeros(amplitude.shape[1], np.float32)
    for band in amplitude:
        root = np.sqrt(band)
        slow = mean_within(root, min(max(int(rate_hz), 1), len(root)))
        total += np.minimum(root / (slow + 1e-12), 4.0)
    return total / len(amplitude)
