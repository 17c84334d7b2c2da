"""Sounds that are no combustion engine: talk, music, weather, clocks, motors, animals, tools.

Every function takes (rng, n, rate_hz) and returns float64 samples, shape (n,), of about unit RMS.
"""

from __future__ import annotations

import numpy as np

from enginelog.synthesis.chance import smooth
from enginelog.synthesis.pulses import add, coloured, convolve, modes, rms, train

VOWELS_HZ = np.array(
    [[730, 1090, 2440], [530, 1840, 2480], [390, 1990, 2550], [270, 2290, 3010], [570, 840, 2410], [300, 870, 2240]]
)


def normal(x: np.ndarray) -> np.ndarray:
    """The sound scaled to a root mean square of 1."""
    return x / (rms(x) + 1e-12)


def syllables(rng, seconds: float) -> list[tuple[float, float, bool]]:
    """(start, length, voiced) of the syllables of running speech, with pauses between phrases."""
    t, out = rng.uniform(0, 0.8), []
    while t < seconds:
        for _ in range(rng.integers(3, 14)):
            length = rng.uniform(0.09, 0.28)
            out.append((t, length, rng.random() > 0.15))
            t += length * rng.uniform(0.95, 1.25)
        t += rng.uniform(0.2, 1.3)
    return out


def one_voice(rng, n: int, rate: float) -> np.ndarray:
    """A formant voice: glottal pulses with a falling pitch contour, three formants gliding over vowels, fricatives."""
    out = np.zeros(n)
    pitch, tract = rng.choice([rng.uniform(85, 150), rng.uniform(160, 260)]), rng.uniform(0.9, 1.2)
    for start, length, voiced in syllables(rng, n / rate):
        m = int(length * rate)
        env = np.sin(np.pi * np.arange(m) / m) ** rng.uniform(0.4, 0.9) * rng.lognormal(0, 0.3)
        sound = vowel(rng, m, rate, pitch * rng.uniform(0.8, 1.3), tract) if voiced else hiss(rng, m, rate)
        at = int(start * rate)
        end = min(at + m, n)
        if end > at:
            out[at:end] += (sound * env)[: end - at]
    return normal(out)


def vowel(rng, m: int, rate: float, pitch: float, tract: float) -> np.ndarray:
    """A voiced sound through three formants."""
    glide = pitch * (1 + rng.normal(0, 0.12) * np.linspace(-1, 1, m)) * (1 + 0.01 * smooth(rng, m, 0.02 * rate))
    phase = np.cumsum(glide) / rate
    beats = np.flatnonzero(np.diff(np.floor(phase)) > 0) / rate
    pulse = np.exp(-np.arange(int(0.006 * rate)) / (0.0012 * rate))
    source = np.diff(convolve(train(beats, rng.lognormal(0, 0.08, len(beats)), m, rate), pulse), prepend=0)
    a, b = VOWELS_HZ[rng.integers(6)] * tract, VOWELS_HZ[rng.integers(6)] * tract
    mix = np.linspace(0, 1, m)
    shaped = [convolve(source, modes(f, [8, 10, 12], [10, 6, 3], rate, 0.1)) for f in (a, b)]
    return normal(shaped[0] * (1 - mix) + shaped[1] * mix)


def hiss(rng, m: int, rate: float) -> np.ndarray:
    """A consonant: noise in a band."""
    return 0.4 * coloured(rng, m, rate, 2, 2500, 8000)


def talk(rng, n: int, rate: float) -> np.ndarray:
    """One to three people talking, not always at once."""
    voices = [one_voice(rng, n, rate) * rng.uniform(0.5, 1) for _ in range(rng.integers(1, 4))]
    return normal(np.sum(voices, axis=0))


def note(rng, m: int, rate: float, freq: float) -> np.ndarray:
    """One note with its harmonics and decay."""
    t = np.arange(m) / rate
    env = np.exp(-t / rng.uniform(0.15, 0.8)) * np.clip(t / 0.008, 0, 1)
    vibrato = 2 * np.pi * freq * t + 0.3 * np.sin(2 * np.pi * 5.3 * t)
    return env * sum(np.sin(k * vibrato) / k**1.3 for k in range(1, 8) if k * freq < 0.45 * rate)


def music(rng, n: int, rate: float) -> np.ndarray:
    """Chords, a melody over them, bass and drums on a steady beat."""
    beat = 60 / rng.uniform(80, 150)
    out, root = np.zeros(n), 55 * 2 ** (rng.integers(0, 12) / 12)
    scale = np.array([0, 2, 4, 5, 7, 9, 11, 12])
    for k in range(int(n / rate / beat) + 1):
        chord = [0, 5, 7, 9][(k // 4) % 4]
        notes = [chord - 12] + ([chord + 12, chord + 16, chord + 19] if k % 2 == 0 else [])
        notes += [12 + scale[rng.integers(8)] + chord % 12 for _ in range(rng.integers(0, 3))]
        for semi in notes:
            add(out, 0.5 * note(rng, int(1.2 * beat * rate), rate, root * 2 ** (semi / 12)), int(k * beat * rate))
        add(out, drum(rng, rate, k % 2 == 0), int(k * beat * rate))
        add(out, 0.3 * drum(rng, rate, False), int((k + 0.5) * beat * rate))
    return normal(out)


def drum(rng, rate: float, bass: bool) -> np.ndarray:
    """One drum stroke."""
    t = np.arange(int(0.2 * rate)) / rate
    if bass:
        return 2.0 * np.sin(2 * np.pi * (55 * t + 4 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.08)
    return rng.standard_normal(len(t)) * np.exp(-t / 0.04)


def wind(rng, n: int, rate: float) -> np.ndarray:
    """Turbulence at the microphone: low, in gusts, with buffeting."""
    gust = np.exp(0.8 * smooth(rng, n, 0.7 * rate) + 0.4 * smooth(rng, n, 0.12 * rate))
    return normal(coloured(rng, n, rate, -9, 15, 900) * gust)


def rain(rng, n: int, rate: float) -> np.ndarray:
    """Many drops on leaves and ground."""
    drops = train(
        np.sort(rng.random(int(n / rate * 120))) * n / rate, rng.lognormal(0, 1, int(n / rate * 120)), n, rate
    )
    taps = convolve(drops, modes([1800, 3300, 5200], [4, 5, 6], [3, 3, 2], rate, 0.2))
    return normal(normal(taps) + coloured(rng, n, rate, -0.5, 500, 11_000) * np.exp(0.15 * smooth(rng, n, rate)))


def waves(rng, n: int, rate: float) -> np.ndarray:
    """Surf that comes and goes."""
    swell = np.exp(1.0 * smooth(rng, n, 2.5 * rate))
    return normal(coloured(rng, n, rate, -3, 80, 7000) * swell)


def clock(rng, n: int, rate: float) -> np.ndarray:
    """A clock: ticks at an even rate between 1 and 6 a second, tick and tock a little different."""
    per_s = rng.choice([1.0, 2.0, 4.0, 5.0, 6.0])
    t = np.arange(1, int(n / rate * per_s)) / per_s
    level = np.where(np.arange(len(t)) % 2, 0.7, 1.0) * rng.lognormal(0, 0.05, len(t))
    ring = modes([1700, 3100, 4700, 7100], [15, 18, 20, 20], rng.lognormal(0, 0.4, 4) * 4, rate, 0.1)
    return normal(convolve(train(t, level, n, rate), ring)) + 0.03 * rng.standard_normal(n)


def dripping(rng, n: int, rate: float) -> np.ndarray:
    """Drops from a gutter, seconds apart."""
    t = np.cumsum(rng.gamma(8, 1 / 8 / rng.uniform(1, 4), 200))
    out = np.zeros(n)
    for at in t[t < n / rate]:
        m = int(0.12 * rate)
        x = np.arange(m) / rate
        plop = np.sin(2 * np.pi * (rng.uniform(500, 900) * x + 6000 * x**2)) * np.exp(-x / 0.02)
        add(out, plop * rng.lognormal(0, 0.3), int(at * rate))
    return normal(out) + 0.03 * rng.standard_normal(n)


def electric_motor(rng, n: int, rate: float, spinning_up: bool | None = None) -> np.ndarray:
    """A motor's whine: commutator and gear tones that follow its speed, brush hiss, a once-a-turn rumble."""
    t = np.arange(n) / rate
    up = rng.random() < 0.5 if spinning_up is None else spinning_up
    start, stop = rng.uniform(0.3, 1.5), n / rate - rng.uniform(0.3, 2.0)
    run = (1 - np.exp(-np.maximum(t - start, 0) / rng.uniform(0.2, 0.8))) if up else np.ones(n)
    run = np.where(up & (t > stop), np.exp(-np.maximum(t - stop, 0) / 0.8) * run, run)
    phase = np.cumsum(rng.uniform(40, 250) * run * (1 + 0.004 * smooth(rng, n, 0.3 * rate))) / rate
    out = 0.05 * coloured(rng, n, rate, -1, 400, 9000) * run
    for order, gain in (
        (1, 0.25),
        (2, 0.15),
        (int(rng.integers(7, 14)), 1.0),
        (int(rng.integers(20, 40)), 0.6),
        (22, 0.3),
    ):
        out += (
            gain
            * np.sin(2 * np.pi * (order * phase + rng.random()))
            * run**1.5
            * np.exp(0.15 * smooth(rng, n, 0.2 * rate))
        )
    return normal(out) + 0.01 * rng.standard_normal(n)


def power_drill(rng, n: int, rate: float) -> np.ndarray:
    """A drill in bursts: an electric motor switched on and off, loaded down while it bites."""
    t, out = rng.uniform(0.2, 1.0), np.zeros(n)
    while t < n / rate:
        m = int(rng.uniform(0.8, 3.0) * rate)
        add(
            out,
            electric_motor(rng, m, rate, spinning_up=True) + 0.6 * coloured(rng, m, rate, -1, 800, 8000),
            int(t * rate),
        )
        t += m / rate + rng.uniform(0.3, 1.2)
    return normal(out) + 0.01 * rng.standard_normal(n)


def mains(rng, n: int, rate: float, base_hz: float | None = None) -> np.ndarray:
    """Transformer hum: mains and its even multiples, exactly steady."""
    base, t = base_hz or float(rng.choice([50.0, 60.0])), np.arange(n) / rate
    gains = {1: 0.4, 2: 1.0, 3: 0.15, 4: 0.5, 6: 0.35, 8: 0.2, 10: 0.15, 12: 0.1, 14: 0.06}
    return normal(
        sum(g * rng.lognormal(0, 0.4) * np.sin(2 * np.pi * (k * base * t + rng.random())) for k, g in gains.items())
    )


def silence(rng, n: int, rate: float) -> np.ndarray:
    """A quiet room: little but the microphone's own noise."""
    return 1e-3 * coloured(rng, n, rate, -2, 50, 15_000)


def birds(rng, n: int, rate: float) -> np.ndarray:
    """Chirps with pauses."""
    t, out = rng.uniform(0, 1), np.zeros(n)
    while t < n / rate:
        base, count = rng.uniform(2200, 5500), rng.integers(2, 9)
        for _ in range(count):
            m = int(rng.uniform(0.03, 0.14) * rate)
            x = np.linspace(0, 1, m)
            sweep = base * (1 + rng.normal(0, 0.2) * x + rng.normal(0, 0.1) * np.sin(2 * np.pi * rng.uniform(1, 6) * x))
            add(out, np.sin(2 * np.pi * np.cumsum(sweep) / rate) * np.sin(np.pi * x), int(t * rate))
            t += m / rate + rng.uniform(0.01, 0.08)
        t += rng.uniform(0.2, 1.5)
    return normal(out) + 0.01 * rng.standard_normal(n)


def dog(rng, n: int, rate: float) -> np.ndarray:
    """Barks in groups."""
    t, out, base = rng.uniform(0.1, 0.8), np.zeros(n), rng.uniform(250, 600)
    while t < n / rate:
        m = int(rng.uniform(0.1, 0.25) * rate)
        x = np.linspace(0, 1, m)
        phase = 2 * np.pi * np.cumsum(base * (1 + 0.5 * np.sin(np.pi * x))) / rate
        voice = sum(np.sin(k * phase) / k**0.7 for k in range(1, 9)) + rng.standard_normal(m)
        add(out, voice * np.sin(np.pi * x) ** 0.6 * rng.lognormal(0, 0.2), int(t * rate))
        t += rng.choice([rng.uniform(0.25, 0.5), rng.uniform(0.8, 2.0)])
    return normal(out) + 0.02 * rng.standard_normal(n)


def knocks(rng, n: int, rate: float) -> np.ndarray:
    """Hammering and handling: hard knocks, some in a row, some single, scraping between."""
    t, moments = rng.uniform(0, 1), []
    while t < n / rate:
        gap = rng.uniform(0.15, 0.6)
        for _ in range(rng.integers(1, 8)):
            moments.append(t)
            t += gap * rng.lognormal(0, 0.08)
        t += rng.uniform(0.3, 2.0)
    ring = modes(rng.uniform(200, 5000, 7), rng.uniform(8, 40, 7), rng.lognormal(0, 0.5, 7) * 4, rate, 0.5)
    hits = convolve(train(np.array(moments), rng.lognormal(0, 0.5, len(moments)), n, rate), ring)
    scrape = coloured(rng, n, rate, -1, 300, 6000) * np.clip(smooth(rng, n, 0.4 * rate) - 0.8, 0, None)
    return normal(normal(hits) + 0.3 * scrape)


def footsteps(rng, n: int, rate: float) -> np.ndarray:
    """Steps on gravel."""
    t = np.arange(0.3, n / rate, 60 / rng.uniform(95, 125))
    t = t + rng.normal(0, 0.012, len(t))
    thud = modes([90, 160, 340, 900], [3, 3, 4, 4], [4, 3, 2, 1], rate, 0.1)
    grit = coloured(rng, n, rate, -1, 600, 7000) * convolve(
        train(t, np.ones(len(t)), n, rate), np.exp(-np.arange(4000) / 1200)
    )
    return normal(normal(convolve(train(t, rng.lognormal(0, 0.2, len(t)), n, rate), thud)) + 0.5 * normal(grit))


def talk_over_music(rng, n: int, rate: float) -> np.ndarray:
    """A voice with music behind it."""
    return normal(talk(rng, n, rate) + 0.6 * music(rng, n, rate))


OTHER = {
    "talk": talk, "music": music, "talk_over_music": talk_over_music, "wind": wind, "rain": rain, "waves": waves,
    "clock": clock, "dripping": dripping, "electric_motor": electric_motor, "hum": mains, "silence": silence,
    "birds": birds, "dog": dog, "knocks": knocks, "power_drill": power_drill, "footsteps": footsteps,
}  # fmt: skip
