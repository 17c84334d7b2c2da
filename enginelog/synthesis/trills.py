"""Sounds that beat as evenly as an engine and are none: insects, frogs and birds that trill, a sprinkler, a freewheel.

They are what a yard sounds like before a machine starts. An insect holds its rhythm for minutes, ten to fifty pulses a
second, each a short whistle or hiss in a narrow band; an engine's pulses have all bands in them. Rates: Ragge and
Reynolds 1998, "The Songs of the Grasshoppers and Crickets of Western Europe" (bush-crickets: 10 to 15 pairs of
syllables a second, 5 to 20 by temperature, up to three minutes without a break; grasshoppers: 10 to 40 a second, for
one to four seconds); tree crickets 36 to 48 a second at 18 to 20 C (counts published with recordings); frogs, birds,
cicadas, sprinkler and freewheel from memory.

Every function takes (rng, n, rate_hz) and returns float64 samples, shape (n,), of about unit RMS.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from enginelog.synthesis.chance import smooth
from enginelog.synthesis.other import normal
from enginelog.synthesis.pulses import add, coloured, modes, stamp


def spaced(rng, start_s: float, end_s: float, per_s: float, wander: float, jitter: float) -> np.ndarray:
    """Moments from `start_s` to `end_s`, `per_s` of them a second: a rate that wanders slowly by the share `wander`,
    each moment off by the share `jitter` of the time between two. Shape (m,)."""
    count = int((end_s - start_s) * per_s * 1.2) + 2
    gaps = np.exp(wander * smooth(rng, count, 2.0 * per_s)) / per_s
    at = start_s + np.cumsum(gaps) + jitter / per_s * rng.standard_normal(count)
    return at[at < end_s]


def whistle(rng, pitch_hz: float, length_s: float, rate: float) -> np.ndarray:
    """One pulse of a cricket: a whistle that swells and falls and sinks a little in pitch."""
    x = np.linspace(0, 1, max(8, int(length_s * rate)))
    pitch = pitch_hz * (1.02 - rng.uniform(0.0, 0.06) * x)
    return np.sin(2 * np.pi * np.cumsum(pitch) / rate) * np.sin(np.pi * x) ** 1.5


def rasp(rng, low_hz: float, high_hz: float, length_s: float, rate: float) -> np.ndarray:
    """One syllable of a bush-cricket: a comb drawn over an edge, many small knocks in a band."""
    m = max(8, int(length_s * rate))
    hiss = coloured(rng, m, rate, 0, low_hz, min(high_hz, 0.45 * rate))
    return hiss * np.sin(np.pi * np.linspace(0, 1, m)) ** rng.uniform(0.5, 2.0)


def phrases(rng, seconds: float, length_s: tuple[float, float], pause_s: tuple[float, float]) -> list[tuple]:
    """(start, end) of the stretches in which one animal sings, singing already at the start half of the time."""
    t, out = rng.uniform(-length_s[1], 0.5), []
    while t < seconds:
        end = t + np.exp(rng.uniform(*np.log(length_s)))
        out.append((t, end))
        t = end + np.exp(rng.uniform(*np.log(pause_s)))
    return out


def sung(rng, n: int, rate: float, shape: np.ndarray, beats: np.ndarray, swell_s: float) -> np.ndarray:
    """A pulse at each of `beats`, none quite as strong as the last, swelling in over `swell_s`."""
    strength = np.clip((beats - beats[:1]) / swell_s, 0.2, 1.0) * rng.lognormal(0, 0.12, len(beats))
    return stamp(beats, strength, shape, n, rate)


def together(rng, n: int, rate: float, one, most: int) -> np.ndarray:
    """One to `most` singers at various distances, over the faint rush of a yard."""
    out = sum(rng.uniform(0.1, 1.0) * normal(one(rng, n, rate)) for _ in range(rng.integers(1, most + 1)))
    return normal(normal(out) + 10 ** (rng.uniform(-35, -10) / 20) * coloured(rng, n, rate, -3, 60, 6000))


def one_cricket(rng, n: int, rate: float) -> np.ndarray:
    """Chirps of a few pulses, two to four a second, or a trill that goes on and on."""
    pitch, per_s = rng.uniform(1600, 5500), float(rng.uniform(15, 60))
    tone = whistle(rng, pitch, rng.uniform(0.3, 0.8) / per_s, rate)
    if rng.random() < 0.6:
        singing = phrases(rng, n / rate, (5.0, 60.0), (0.2, 3.0))
    else:
        chirp = rng.integers(2, 8) / per_s
        singing = [(t, t + chirp) for t in spaced(rng, 0.0, n / rate, 1.0 / (chirp * rng.uniform(1.5, 4)), 0.03, 0.02)]
    beats = [spaced(rng, a, b, per_s, 0.01, rng.choice([0.005, 0.03])) for a, b in singing]
    return sung(rng, n, rate, tone, np.concatenate([np.empty(0), *beats]), 0.3)


def one_bush_cricket(rng, n: int, rate: float) -> np.ndarray:
    """Pairs of hissing syllables, five to twenty pairs a second, for seconds to minutes; or grasshoppers' phrases."""
    per_s, low = float(rng.uniform(5, 20)), rng.uniform(4000, 9000)
    length, gap = rng.uniform(0.1, 0.3) / per_s, rng.uniform(0.35, 0.5) / per_s
    first, second = (rasp(rng, low, 2.2 * low, length * k, rate) for k in (1.0, rng.uniform(1.0, 1.4)))
    pair = np.zeros(int(gap * rate) + len(second))
    add(pair, first[: len(pair)], 0)
    add(pair, second, len(pair) - len(second))
    singing = phrases(rng, n / rate, (2.0, 90.0), (0.2, 4.0))
    beats = [spaced(rng, a, b, per_s, 0.01, 0.01) for a, b in singing]
    return sung(rng, n, rate, pair, np.concatenate([np.empty(0), *beats]), 0.5)


def one_frog(rng, n: int, rate: float) -> np.ndarray:
    """A toad's trill or a croak: pulses of a low whistle with overtones, for one to ten seconds, then a breath."""
    per_s, pitch = float(rng.uniform(10, 45)), rng.uniform(500, 1900)
    length = rng.uniform(0.3, 0.8) / per_s
    tones = [whistle(rng, pitch * k, length, rate) * g for k, g in ((1, 1.0), (2, rng.uniform(0.0, 0.4)))]
    singing = phrases(rng, n / rate, (0.8, 10.0), (0.5, 4.0))
    beats = [spaced(rng, a, b, per_s, 0.02, 0.01) for a, b in singing]
    size = min(len(tone) for tone in tones)
    shape = np.sum([tone[:size] for tone in tones], axis=0)
    return sung(rng, n, rate, shape, np.concatenate([np.empty(0), *beats]), 0.3)


def one_churr(rng, n: int, rate: float) -> np.ndarray:
    """A nightjar: thirty to forty pulses a second for minutes, pitch and rate stepping between two settings."""
    pitch, per_s = rng.uniform(1300, 2400), float(rng.uniform(25, 45))
    out, t, fast = np.zeros(n), rng.uniform(-5, 0.3), False
    while t < n / rate:
        end = t + (rng.uniform(0.6, 2.0) if fast else rng.uniform(2.0, 12.0))
        now = per_s * (1.35 if fast else 1.0)
        tone = whistle(rng, pitch * (0.85 if fast else 1.0), rng.uniform(0.5, 0.9) / now, rate)
        out += sung(rng, n, rate, tone, spaced(rng, t, end, now, 0.005, 0.01), 0.05)
        t, fast = end, not fast
    return out


def one_cicada(rng, n: int, rate: float) -> np.ndarray:
    """A buzz of 80 to 300 pulses a second in a high band, swelling and dying away, at times in beats."""
    per_s, pitch = float(rng.uniform(80, 300)), rng.uniform(3500, 9000)
    beats = np.concatenate(
        [spaced(rng, a, b, per_s, 0.01, 0.03) for a, b in phrases(rng, n / rate, (1.0, 30.0), (0.3, 3.0))]
    )
    ring = modes([pitch, pitch * 1.2], [12, 12], [3, 2], rate, 0.0)
    t = np.arange(n) / rate
    beat = 1 + rng.choice([0.0, 0.8]) * np.sin(2 * np.pi * rng.uniform(2, 12) * t)
    return sung(rng, n, rate, ring, beats, 1.0) * beat


def one_sprinkler(rng, n: int, rate: float) -> np.ndarray:
    """The arm of a lawn sprinkler knocking through its jet, two to eight times a second, running back in between."""
    per_s, out, t = float(rng.uniform(2, 8)), 0.15 * coloured(rng, n, rate, -1, 400, 9000), rng.uniform(-5, 0)
    knock = coloured(rng, int(0.05 * rate), rate, 0, 800, 9000) * np.exp(-np.arange(int(0.05 * rate)) / (0.012 * rate))
    while t < n / rate:
        out_s, back_s = rng.uniform(5, 15), rng.uniform(1, 3)
        for start, end, now in ((t, t + out_s, per_s), (t + out_s, t + out_s + back_s, 4 * per_s)):
            beats = spaced(rng, start, end, now, 0.01, 0.02)
            out += stamp(beats, rng.lognormal(0, 0.15, len(beats)), knock, n, rate)
        t += out_s + back_s
    return out


def one_freewheel(rng, n: int, rate: float) -> np.ndarray:
    """A bicycle's freewheel or a ratchet let run: clicks that slow down over seconds, again and again."""
    out, t = np.zeros(n), rng.uniform(-2, 0.5)
    click = modes(rng.uniform(2000, 8000, 4), rng.uniform(5, 15, 4), [2, 2, 2, 2], rate, 0.3)
    while t < n / rate:
        length, from_hz = rng.uniform(1.0, 8.0), rng.uniform(20, 80)
        x = np.arange(0, length, 1e-3)
        turned = np.cumsum(from_hz * np.exp(-x / rng.uniform(2, 10))) * 1e-3
        beats = t + x[np.flatnonzero(np.diff(np.floor(turned)) > 0)]
        out += stamp(beats, rng.lognormal(0, 0.15, len(beats)), click, n, rate)
        t += length + rng.uniform(0.2, 2.0)
    return out


TRILLS = {  # each called with (rng, n, rate_hz)
    "crickets": partial(together, one=one_cricket, most=4),
    "bush_crickets": partial(together, one=one_bush_cricket, most=4),
    "frogs": partial(together, one=one_frog, most=3),
    "churr": partial(together, one=one_churr, most=1),
    "cicadas": partial(together, one=one_cicada, most=6),
    "sprinkler": partial(together, one=one_sprinkler, most=1),
    "freewheel": partial(together, one=one_freewheel, most=1),
}
