"""Sounds that are no engine, put together in the plainest way, from a seed: see `plain_engines`."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import signal

from enginelog.model import Clip
from measuring.plain_engines import RATES_HZ, recorded
from measuring.plain_pulses import laid, pulse

KEPT_BACK = ("gusts", "sweep")  # kinds that no fit sees
DRONE = "drone"  # learned from apart from the kinds in turn


def plain_other(seed: int, kind: str) -> Clip:
    """A sound of a kind of OTHERS."""
    rng = np.random.default_rng((seed, 2))
    rate_hz, seconds = int(rng.choice(RATES_HZ)), float(rng.uniform(6, 12))
    t_s = np.arange(int(seconds * rate_hz)) / rate_hz
    return recorded(rng, OTHERS[kind](rng, t_s, rate_hz), rate_hz, float(rng.uniform(5, 40)))


def _noise(rng, t_s, rate_hz):
    """Nothing but the noise that every recording has."""
    return np.zeros(len(t_s))


def _tone(rng, t_s, rate_hz):
    """A steady tone with or without overtones."""
    pitch_hz, many = float(np.exp(rng.uniform(np.log(60), np.log(1500)))), int(rng.integers(1, 12))
    return sum(np.sin(2 * np.pi * k * pitch_hz * t_s + rng.uniform(0, 6)) / k for k in range(1, many + 1))


def _hum(rng, t_s, rate_hz):
    """What mains gives off: lines of 50 or 60 Hz, mostly of twice that, at times a buzz."""
    mains_hz = float(rng.choice([50.0, 60.0])) * (1 + 1e-4 * rng.standard_normal())
    lines = np.arange(1, int(rng.integers(3, 20)))
    levels = np.exp(-lines / rng.uniform(1, 8)) * np.where(lines % 2, rng.uniform(0.02, 1), 1.0)
    hum = sum(
        a * np.sin(2 * np.pi * k * mains_hz * t_s + rng.uniform(0, 6)) for k, a in zip(lines, levels, strict=True)
    )
    buzz = np.maximum(np.sin(4 * np.pi * mains_hz * t_s), 0) ** 4 * rng.standard_normal(len(t_s))
    return hum + float(rng.choice([0.0, 0.0, 0.3])) * buzz


def _notes(rng, t_s, rate_hz):
    """A melody of decaying notes in a fixed beat."""
    beat_s, out = float(rng.uniform(0.15, 0.6)), np.zeros(len(t_s))
    for start_s in np.arange(0, t_s[-1], beat_s):
        pitch_hz, since_s = 110.0 * 2 ** (int(rng.integers(0, 30)) / 12), t_s - start_s
        note = np.exp(-since_s / 0.4) * sum(np.sin(2 * np.pi * k * pitch_hz * since_s) / k for k in range(1, 5))
        out += np.where(since_s >= 0, note, 0.0)
    return out


def _ticks(rng, t_s, rate_hz):
    """A clock or dripping: short knocks, up to four a second."""
    each_s = 1.0 / float(rng.uniform(0.7, 4.0))
    at_s = np.arange(0.1, t_s[-1], each_s)
    at_s = at_s + float(rng.choice([0.0, 0.1])) * each_s * rng.standard_normal(len(at_s))
    return laid(rng, at_s, np.ones(len(at_s)), pulse(rng, rate_hz, 0.05)[0], len(t_s), rate_hz)


def _clicks(rng, t_s, rate_hz):
    """Knocks without any beat: rain on a roof, gravel, fire."""
    count = rng.poisson(float(rng.uniform(5, 80)) * t_s[-1])
    strength = np.exp(0.5 * rng.standard_normal(count))
    return laid(
        rng,
        rng.uniform(0, t_s[-1], count),
        strength,
        pulse(rng, rate_hz, 0.05)[0],
        len(t_s),
        rate_hz,
    )


def _gusts(rng, t_s, rate_hz):
    """Noise that rises and falls: wind, waves, traffic."""
    slow = signal.sosfiltfilt(signal.butter(2, 1.0, fs=rate_hz, output="sos"), rng.standard_normal(len(t_s)))
    return np.exp(slow / slow.std()) * signal.lfilter([1], [1, -0.97], rng.standard_normal(len(t_s)))


def _syllables(rng, t_s, rate_hz):
    """Voiced syllables of changing pitch with pauses."""
    pitch_hz = float(rng.uniform(90, 240)) * np.exp(0.15 * np.cumsum(rng.standard_normal(len(t_s))) / rate_hz**0.5)
    voice = signal.lfilter([1], [1, -1.9 * np.cos(0.15), 0.9025], np.diff(np.cumsum(pitch_hz) / rate_hz % 1, prepend=0))
    return voice * np.maximum(np.sin(2 * np.pi * float(rng.uniform(1.5, 3.0)) * t_s + np.sin(0.7 * t_s)), 0) ** 0.5


def _sweep(rng, t_s, rate_hz):
    """A siren: a tone that rises and falls."""
    pitch_hz = float(rng.uniform(200, 800)) * np.exp(0.5 * np.sin(2 * np.pi * float(rng.uniform(0.1, 1.0)) * t_s))
    return np.sin(2 * np.pi * np.cumsum(pitch_hz) / rate_hz)


def _drone(rng, t_s, rate_hz):
    """A perfectly even sum of harmonics at an engine's rate, which nothing of a machine disturbs."""
    pitch_hz, orders = float(np.exp(rng.uniform(np.log(8), np.log(90)))), np.arange(1, int(rng.integers(5, 14)))
    gains = orders ** -float(rng.uniform(0.5, 2.0)) * np.exp(rng.uniform(0.0, 0.6) * rng.standard_normal(len(orders)))
    phases = rng.uniform(0, 2 * np.pi, len(orders))
    return sum(g * np.sin(2 * np.pi * k * pitch_hz * t_s + p) for k, g, p in zip(orders, gains, phases, strict=True))


OTHERS: dict[str, Callable] = {
    "noise": _noise, "tone": _tone, "hum": _hum, "notes": _notes, "ticks": _ticks,
    "clicks": _clicks, "gusts": _gusts, "syllables": _syllables, "sweep": _sweep, DRONE: _drone,
}  # fmt: skip
FITTED_KINDS = tuple(kind for kind in OTHERS if kind not in (*KEPT_BACK, DRONE))
