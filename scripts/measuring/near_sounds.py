"""Sounds without an engine that come near to one: blades, fans, motors, wind, music; for fitting the timeline."""

from __future__ import annotations

import numpy as np

from enginelog import synthesis
from enginelog.model import Clip
from measuring.plain_others import plain_other


def rotor(seed: int) -> Clip:
    """Blades at an even 10 to 28 a second: dull thumps below some hundred hertz over a rush that hardly beats."""
    rng, rate = np.random.default_rng([seed, 1]), 16000
    t = np.arange(6 * rate) / rate
    turn = rng.uniform(10, 28) * (t + 0.002 * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * t)) + rng.random()
    phase = turn % 1 - 0.5
    width = rng.uniform(0.03, 0.12)
    thump = np.exp(-((phase / width) ** 2)) * np.where(np.floor(turn) % 2, 1.0, rng.uniform(0.7, 1.0))
    thump = np.diff(thump, prepend=thump[0])
    rush = noise(rng, len(t), rng.uniform(-1.2, -0.3)) * (1 + rng.uniform(0.05, 0.3) * np.cos(2 * np.pi * turn))
    whine = np.sin(2 * np.pi * rng.uniform(200, 900) * t) * rng.choice([0.0, 0.3])
    return loud(thump / thump.std() + 10 ** (rng.uniform(-15, 3) / 20) * rush + whine, rng, rate)


def humming_fan(seed: int) -> Clip:
    """A fan: a rush that swells a little once a blade, with steady tones."""
    rng, rate = np.random.default_rng([seed, 2]), 16000
    t = np.arange(6 * rate) / rate
    turn = rng.uniform(6, 60) * t * (1 + 0.001 * np.sin(2 * np.pi * 0.3 * t))
    rush = noise(rng, len(t), rng.uniform(-1.0, -0.2)) * (1 + rng.uniform(0.1, 0.5) * np.cos(2 * np.pi * turn))
    tones = sum(rng.lognormal(-1, 0.7) * np.sin(2 * np.pi * k * turn + rng.random()) for k in (1, 2, 3, 7, 14))
    return loud(rush + rng.choice([0.2, 1.0, 3.0]) * tones, rng, rate)


def noise(rng: np.random.Generator, n: int, slope: float) -> np.ndarray:
    """Noise of unit deviation whose amplitude falls as frequency**slope from 50 Hz."""
    spectrum = rng.standard_normal(n // 2 + 1) + 1j * rng.standard_normal(n // 2 + 1)
    shaped = np.fft.irfft(spectrum * np.maximum(np.arange(n // 2 + 1) / n * 16000, 50.0) ** slope, n)
    return shaped / shaped.std()


def loud(sound: np.ndarray, rng: np.random.Generator, rate: float) -> Clip:
    """The sound through a microphone's high-pass, at any level."""
    sound = synthesis.high_pass(sound, float(rng.uniform(30, 200)), rate)
    return Clip((sound / np.abs(sound).max() * rng.uniform(0.05, 0.9)).astype(np.float32), rate)


def once_more(kind: str, seed: int) -> Clip:
    """One of the sounds that come nearest to an engine, once more than they come among all other sounds."""
    return synthesis.make_other(6000 + seed, kind, 6.0, "hard" if seed % 2 else "ordinary")


def electric_motor(seed: int) -> Clip:
    """A motor that whines."""
    return once_more("electric_motor", seed)


def power_drill(seed: int) -> Clip:
    """A drill in bursts."""
    return once_more("power_drill", seed)


def hum(seed: int) -> Clip:
    """A transformer."""
    return once_more("hum", seed)


def wind(seed: int) -> Clip:
    """Wind over the microphone."""
    return once_more("wind", seed)


def music(seed: int) -> Clip:
    """Music from a loudspeaker."""
    return once_more("music", seed)


def notes(seed: int) -> Clip:
    """Single notes by the second maker."""
    return plain_other(seed, "notes")


def blower(seed: int) -> Clip:
    """A motor with brushes that drives air: slot and blade tones, sparks that swell with the mains, air, a load."""
    rng, rate = np.random.default_rng([seed, 4]), 16000
    n = 6 * rate
    t = np.arange(n) / rate
    drift = 1 + rng.choice([0.001, 0.005, 0.02]) * np.cumsum(noise(rng, n, -1.0)) / rate
    load = 1 - rng.choice([0.0, 0.0, 0.15]) * (np.sin(2 * np.pi * rng.uniform(0.1, 0.5) * t + 6 * rng.random()) > 0.3)
    load = np.convolve(load, np.ones(rate // 4) / (rate // 4), "same")
    ramp = 1 - np.exp(-np.maximum(t - rng.uniform(-2, 1.5), 0) / rng.uniform(0.2, 1.2))
    turn = np.cumsum(np.exp(rng.uniform(np.log(40), np.log(500))) * drift * load * ramp) / rate
    wobble = rng.uniform(0, 0.5) * np.sin(2 * np.pi * turn)
    orders = {int(rng.integers(2, 13)), int(rng.integers(5, 30)), int(rng.integers(12, 60))}
    gains = {1: 0.1, 2: 0.1} | {order: 1.0 for order in orders}  # a rotor in balance: little at its own rate
    tones = sum(
        gain * rng.lognormal(-0.5, 0.8) * np.sin(2 * np.pi * (k * turn + rng.random()) + wobble)
        for k, gain in gains.items()
        if k * turn[-1] < 0.45 * n
    )
    sparks = noise(rng, n, rng.uniform(-0.4, 0.2)) * (1 + rng.uniform(0, 0.8) * np.cos(2 * np.pi * 100 * t))
    air = noise(rng, n, rng.uniform(-1.2, -0.2)) * (1 + rng.uniform(0, 0.3) * np.cos(2 * np.pi * turn))
    whole = tones + 10 ** (rng.uniform(-20, 5) / 20) * sparks + 10 ** (rng.uniform(-20, 5) / 20) * air
    return loud(whole * ramp**1.5 + 0.01 * noise(rng, n, 0.0), rng, rate)
