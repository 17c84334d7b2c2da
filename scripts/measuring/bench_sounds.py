"""Tones and pulses of a known rate in noise, as clear as no engine is, and noise alone, from a seed."""

from __future__ import annotations

import numpy as np

from enginelog.model import Clip

RATE_HZ, SECONDS = 16000.0, 6.0


def bench_sound(seed: int, low_hz: float = 8.0, top_hz: float = 70.0) -> tuple[Clip, float | None]:
    """The sound and its firing rate: lines where the seed is odd, puffs where even; None: every fourth, noise alone."""
    rng = np.random.default_rng(seed)
    firing_hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(top_hz))))
    t = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    phase = firing_hz * t + rng.uniform() + rng.choice([0.0, 0.02]) * np.sin(2 * np.pi * rng.uniform(0.3, 2.0) * t)
    if seed % 2:
        lines = np.arange(rng.integers(1, 8), rng.integers(10, 40))
        sound = np.sum([np.cos(2 * np.pi * (k * phase + rng.uniform())) for k in lines], axis=0)
    else:
        sound = np.exp(-(phase % 1.0) / rng.uniform(0.03, 0.2)) * rng.standard_normal(len(t))
    noise = 10 ** (-rng.uniform(0, 30) / 20) * np.std(sound)
    whole = (sound + noise * rng.standard_normal(len(t))) / np.std(sound)
    if seed % 4 == 3:
        power = rng.uniform(0.0, 1.0)  # white to pink
        spectrum = np.fft.rfft(rng.standard_normal(len(t)))
        hiss = np.fft.irfft(spectrum / np.maximum(np.arange(len(spectrum)), 30) ** (power / 2), len(t))
        whole = hiss / np.std(hiss)
    return Clip((0.1 * whole).astype(np.float32), RATE_HZ), None if seed % 4 == 3 else firing_hz
