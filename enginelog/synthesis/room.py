"""The place of the recording: reverberation, and everything else that can be heard there."""

from __future__ import annotations

import numpy as np

from enginelog.synthesis.chance import db, smooth, stream
from enginelog.synthesis.pulses import coloured, convolve, rms, train
from enginelog.synthesis.scenario import Place, Scenario


def impulse_response(place: Place, seed: int, rate_hz: float) -> np.ndarray:
    """Samples (n,) of direct sound, early reflections, and a tail that decays by 60 dB in `reverb_s` (faster at high
    frequencies)."""
    rng = stream(seed, "room")
    n = int(min(max(place.reverb_s, 0.05) * 1.1, 1.5) * rate_hz)
    t = np.arange(n) / rate_hz
    tail = np.zeros(n)
    for low, high, faster in ((60, 600, 1.0), (600, 3000, 0.85), (3000, 9000, 0.55)):
        tail += coloured(rng, n, rate_hz, -1, low, high) * np.exp(-6.9 * t / (place.reverb_s * faster))
    tail *= 1 - np.exp(-t / 0.004)
    early = train(rng.uniform(0.0015, 0.03, 8), rng.uniform(-0.6, 0.8, 8) / (1 + np.arange(8) * 0.3), n, rate_hz)
    late = early / (np.sqrt(np.sum(early**2)) + 1e-12) * 0.6 + tail / (np.sqrt(np.sum(tail**2)) + 1e-12) * 0.8
    out = late * 10 ** (-place.direct_db / 20)
    out[0] += 1.0
    return out


def heard_there(scenario: Scenario, dry: np.ndarray) -> np.ndarray:
    """The engine as it arrives at the phone: reverberant, its distance drifting a little."""
    s, p = scenario, scenario.place
    wet = convolve(dry, impulse_response(p, s.seed, s.rate_hz)) if p.reverb_s > 0 else dry
    drift = smooth(stream(s.take_seed, "distance"), len(wet), 3.0 * s.rate_hz)
    return wet * 10 ** (p.drift_db * drift / 20)


def surroundings(scenario: Scenario, n: int) -> list[tuple[float, np.ndarray]]:
    """(level in dB, sound) of each thing else that is heard; levels hold after the phone's high-pass."""
    from enginelog.synthesis import other

    s, p, rate = scenario, scenario.place, scenario.rate_hz
    rng = stream(s.take_seed, "surroundings")
    out = []
    if p.noise_db is not None:
        out.append((p.noise_db, coloured(rng, n, rate, p.noise_tilt_db_per_octave, 30, 12_000)))
    if p.wind_db is not None:
        out.append((p.wind_db, other.wind(rng, n, rate)))
    if p.talk_db is not None:
        out.append((p.talk_db, other.talk(rng, n, rate)))
    if p.hum_db is not None:
        out.append((p.hum_db, other.mains(rng, n, rate, p.hum_hz)))
    if p.birds_db is not None:
        out.append((p.birds_db, other.birds(rng, n, rate)))
    if p.knocks_db is not None:
        out.append((p.knocks_db, other.knocks(rng, n, rate)))
    return out


def mixed(engine: np.ndarray, others: list[tuple[float, np.ndarray]], active: np.ndarray, through) -> np.ndarray:
    """Engine and surroundings together, each taken `through` the phone's filter first, so that levels hold after it."""
    out = through(engine)
    size = rms(out[active]) if np.any(active) else rms(out)
    size = size if size > 1e-12 else 1.0
    for level, sound in others:
        part = through(sound)
        loud = loudness(part)
        out = out + part * (db(level) * size / loud if loud > 1e-12 else 0.0)
    return out


def loudness(part: np.ndarray) -> float:
    """RMS of the louder half of 50 ms blocks, so that pauses do not make talk or gusts louder than asked."""
    block = 2400
    if len(part) < 2 * block:
        return rms(part)
    power = np.mean(np.square(part[: len(part) // block * block].reshape(-1, block)), axis=1)
    return float(np.sqrt(np.mean(np.sort(power)[len(power) // 2 :])))
