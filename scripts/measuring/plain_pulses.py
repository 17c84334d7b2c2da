"""What one firing of a plain engine sounds like: knocks, puffs, and waves that are soft or mere sums of harmonics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

from enginelog.model import Engine

UNLIKE = 0.3  # of its sound a cylinder may have to itself
FORMS = ("tones", "burst", "puff")
FITTED_FORMS = ("tones", "burst")  # what fits see; the others are kept for measuring
SOFT_FORMS = ("bell", "decay", "series", "lobe", "saw")
FITTED_SOFT = ("bell", "decay", "series")  # what the engine's judge sees in its fit
HARMONIC = ("series", "saw")  # lines of the cycle in place of pulses
HIGHEST = 80  # line of such a one

Voice = Callable[[np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Fired:
    """(n,) moments of the firings, s, the number of each one's cylinder, its strength; and the engine."""

    at_s: np.ndarray
    cylinder: np.ndarray
    strength: np.ndarray
    engine: Engine


def sounded(
    rng: np.random.Generator, fired: Fired, between_s: float, forms: tuple[str, ...], count: int, rate_hz: int
) -> tuple[np.ndarray, str]:
    """The firings as sound, shape (count,), and its form, one of `forms`. between_s: shortest time between firings."""
    voice, form = pulse(rng, rate_hz, between_s, forms)
    if form in HARMONIC:
        return lines(rng, fired, form, count, rate_hz), form
    alike, samples = rng.random() < 0.6, np.zeros(count)
    for number in range(fired.engine.cylinders):
        own = fired.cylinder == number
        samples += laid(rng, fired.at_s[own], fired.strength[own], voice, count, rate_hz)
        if not alike:
            besides, _ = pulse(rng, rate_hz, between_s, forms)
            samples += laid(rng, fired.at_s[own], UNLIKE * fired.strength[own], besides, count, rate_hz)
    return samples, form


def pulse(
    rng: np.random.Generator, rate_hz: int, between_s: float, forms: tuple[str, ...] = FORMS
) -> tuple[Voice, str]:
    """A maker of single pulses, and its form: a damped tone or two, a burst of noise, a puff, or a soft one."""
    lasts_s = min(float(np.exp(rng.uniform(np.log(0.003), np.log(0.03)))), 1.2 * between_s)
    t_s = np.arange(int(5 * lasts_s * rate_hz) + 1) / rate_hz
    low_hz, high_hz = rng.uniform(70, 400), rng.uniform(500, 2500)
    how, noisy = str(rng.choice(forms)), float(rng.uniform(0.0, 0.5))
    fade = np.exp(-t_s / lasts_s)
    form = np.sin(2 * np.pi * low_hz * t_s) + float(rng.uniform(0, 0.6)) * np.sin(2 * np.pi * high_hz * t_s)
    if how == "puff":
        form = (t_s / lasts_s) * np.exp(1 - t_s / lasts_s)
    if how in SOFT_FORMS:
        return soft_pulse(rng, rate_hz, between_s, how), how
    share = 1.0 if how == "burst" else noisy
    plain = 0.0 if how == "burst" else 1.0
    smooth = float(rng.uniform(0.0, 0.9))

    def one(chance: np.random.Generator) -> np.ndarray:
        hiss = signal.lfilter([1 - smooth], [1, -smooth], chance.standard_normal(len(t_s)))
        return fade * (plain * form + share * hiss)

    return one, how


def soft_pulse(rng: np.random.Generator, rate_hz: int, between_s: float, how: str) -> Voice:
    """A pulse without a tone of its own: the slope of a bell, a sudden rise that fades, or a rounded lobe; half of them
    breathe a little noise."""
    t_s = np.arange(int(2 * between_s * rate_hz) + 1) / rate_hz
    width_s = between_s * float(rng.uniform(0.02, 0.12))
    bell = np.exp(-0.5 * ((t_s - 4 * width_s) / width_s) ** 2)
    form = bell * (4 * width_s - t_s) / width_s
    if how == "decay":
        form = np.exp(-t_s / (2 * width_s))
    if how == "lobe":
        wide_s = between_s * float(rng.uniform(0.15, 0.6))
        form = np.where(t_s < wide_s, 0.5 - 0.5 * np.cos(2 * np.pi * t_s / wide_s), 0.0)
    breath = float(rng.choice([0.0, rng.uniform(0.0, 0.3)]))
    return lambda chance: form + breath * np.abs(form) * chance.standard_normal(len(t_s))


def lines(rng: np.random.Generator, fired: Fired, form: str, count: int, rate_hz: int) -> np.ndarray:
    """Lines of the working cycle, as strong as the firings' angles and strengths add up to, falling with frequency.

    series: of any phase, each up to some decibels off. saw: those of a saw-tooth, in step.
    """
    engine = fired.engine
    angles = np.array(engine.firing_angles_deg) / (360.0 * engine.revs_per_cycle)
    first = np.flatnonzero(fired.cylinder == 0)
    t_s = np.arange(count) / rate_hz
    # firings that fail or are weak lower what is heard about them
    level = np.interp(t_s, fired.at_s, fired.strength, left=0.0, right=0.0)
    cycle = np.interp(t_s, fired.at_s[first], np.arange(len(first)))
    cycle_hz = (len(first) - 1) / (fired.at_s[first[-1]] - fired.at_s[first[0]])
    own = np.exp(0.1 * rng.standard_normal(engine.cylinders))
    slope, unevenness = (1.0, 0.0) if form == "saw" else (float(rng.uniform(0.5, 1.6)), float(rng.uniform(0.0, 0.8)))
    out = np.zeros(count)
    for order in range(1, min(HIGHEST, int(0.4 * rate_hz / cycle_hz)) + 1):
        added = np.sum(own * np.exp(-2j * np.pi * order * angles)) / engine.cylinders
        gain = order**-slope * np.exp(unevenness * rng.standard_normal())
        phase = np.angle(added) if form == "saw" else rng.uniform(0, 2 * np.pi)
        out += abs(added) * gain * np.sin(2 * np.pi * order * cycle + phase)
    return out * level


def laid(rng, at_s: np.ndarray, strength: np.ndarray, voice, count: int, rate_hz: int) -> np.ndarray:
    """Pulses of the given strengths laid at their moments, shape (count,)."""
    out = np.zeros(count)
    for moment_s, much in zip(at_s, strength, strict=True):
        first, sound = int(round(moment_s * rate_hz)), much * voice(rng)
        if 0 <= first < count:
            out[first : first + len(sound)] += sound[: count - first]
    return out
