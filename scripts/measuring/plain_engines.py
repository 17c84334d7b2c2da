"""Engines put together in the plainest way, from a seed, with known truth.

A second maker beside `enginelog.synthesis`, of which it uses nothing: damped pulses at the firing moments and noise, as
anyone would write them who wants to try the program. What is learned from one maker alone shows here: perfectly even
speed, no room, no phone, pulses of any form. Everything is drawn by numpy from the seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from enginelog.model import Clip, Engine, Span
from measuring.plain_pulses import FITTED_FORMS, FITTED_SOFT, FORMS, SOFT_FORMS, Fired, sounded

RATES_HZ = (16_000, 22_050, 44_100, 48_000)
FOUR_FOLD = (0.0, 180.0, 360.0, 540.0)
# engine, lowest and highest speed, how often it is drawn
LAYOUTS = (
    (Engine(), 1200.0, 4200.0, 8),
    (Engine(strokes=2), 2500.0, 13500.0, 5),
    (Engine(cylinders=2, firing_angles_deg=(0.0, 360.0)), 1200.0, 3900.0, 2),
    (Engine(cylinders=2, firing_angles_deg=(0.0, 270.0)), 1200.0, 3900.0, 1),
    (Engine(cylinders=2, firing_angles_deg=(0.0, 180.0)), 1200.0, 3900.0, 1),
    (Engine(cylinders=3, firing_angles_deg=(0.0, 240.0, 480.0)), 900.0, 3500.0, 1),
    (Engine(cylinders=4, firing_angles_deg=FOUR_FOLD), 700.0, 3500.0, 2),
)
EVEN_RPM = (1500.0, 1800.0, 2800.0, 3000.0, 3200.0, 3600.0, 4500.0, 9000.0, 12000.0)  # what one would choose by hand
PUFFS = 0.12  # strength from which a firing that fails still puffs, and its share is harder to tell


@dataclass(frozen=True)
class PlainEngine:
    """One such recording. firing_t_s, firing_slot, missed: (n,) moment of each firing of the run, its cylinder, and
    whether it fails; misfire_pattern: how they fail, None where none does; left: strength of one that fails.

    rpm: median speed of the run, read over a quarter of a second about each moment, its run-up left out. t_s,
    rpm_over_t: (m,) the speed over time, 0 where it stands. start_s, end_s: of the run; stop_s: when the crank stands
    again, where it runs down. hunting_hz: None where it does not hunt.
    """

    clip: Clip
    engine: Engine
    rpm: float
    t_s: np.ndarray
    rpm_over_t: np.ndarray
    start_s: float
    end_s: float
    stop_s: float
    firing_t_s: np.ndarray
    firing_slot: np.ndarray
    missed: np.ndarray
    misfire_pattern: str | None
    left: float
    form: str
    hunting_hz: float | None

    @property
    def lost_percent(self) -> float:
        """Share of the firings that fail, per cent."""
        return 100.0 * float(np.mean(self.missed))

    @property
    def puffs(self) -> bool:
        """Whether a firing that fails still puffs."""
        return self.left > PUFFS

    def rpm_at(self, at_s: np.ndarray) -> np.ndarray:
        """Speed at moments in seconds."""
        return np.interp(at_s, self.t_s, self.rpm_over_t)

    @property
    def is_even(self) -> bool:
        """Whether the speed of the run is the same to the last digit."""
        return bool(np.ptp(self.rpm_over_t[(self.t_s > self.start_s + 1) & (self.t_s < self.end_s)]) < 1e-9)

    @property
    def spans(self) -> tuple[Span, ...]:
        """What is heard when: quiet, run, run-down, quiet."""
        edges = [
            ("quiet", 0.0, self.start_s),
            ("run", self.start_s, self.end_s),
            ("rundown", self.end_s, self.stop_s),
            ("quiet", self.stop_s, self.clip.seconds),
        ]
        return tuple(Span(kind, start_s, end_s, None) for kind, start_s, end_s in edges if end_s > start_s)


def plain_engine(seed: int, hard: bool = False, forms: tuple[str, ...] = FORMS, faulty: bool = False) -> PlainEngine:
    """An engine that runs all the time or from and to a moment, its pulses of one of `forms`.

    `hard`: in noise up to its own level. `faulty`: firings fail in any of the ways of `failing`, not only one by one.
    """
    rng = np.random.default_rng((seed, 1))
    rate_hz, seconds = int(rng.choice(RATES_HZ)), float(rng.uniform(8, 16))
    shares = np.array([layout[3] for layout in LAYOUTS], float)
    engine, low, high, _ = LAYOUTS[int(rng.choice(len(LAYOUTS), p=shares / shares.sum()))]
    start_s = float(rng.uniform(1, 2.5)) if rng.random() < 0.2 else 0.0
    end_s = seconds - float(rng.uniform(1, 2.5)) if rng.random() < 0.2 else seconds
    course = speed_course(rng, low, high, seconds)
    t_s = course.t_s
    up_s = float(rng.choice([0.0, rng.uniform(0.3, 0.8)])) if start_s else 0.0
    stop_s = end_s + (float(rng.choice([0.0, rng.uniform(0.6, 2.0)])) if end_s < seconds else 0.0)
    rpm = course.rpm * started_and_stopped(t_s, start_s, up_s, end_s, stop_s)
    fired_s, cylinder = firings(t_s, rpm, engine, start_s, min(stop_s, seconds))
    strength, (lost, left, pattern) = strengths(rng, engine, cylinder), lost_at_random(rng, cylinder)
    if faulty:
        lost, left, pattern = failing(np.random.default_rng((seed, 3)), engine, cylinder)
    strength = np.where(lost, left, strength)
    strength = np.where(fired_s < end_s, strength, float(rng.uniform(0.05, 0.3)) * strength)
    between_s = np.interp(fired_s, t_s, 60.0 * engine.revs_per_cycle / engine.cylinders / course.rpm)
    shaken_s = fired_s + float(rng.choice([0.0, 0.003, 0.012])) * between_s * rng.standard_normal(len(fired_s))
    fired = Fired(shaken_s, cylinder, strength, engine)
    samples, form = sounded(rng, fired, float(between_s.min()), forms, int(seconds * rate_hz), rate_hz)
    clip = recorded(rng, samples, rate_hz, rng.uniform(0, 8) if hard else rng.uniform(8, 30))
    inside, running = (t_s >= start_s + up_s) & (t_s <= end_s), fired_s < end_s
    when = (start_s, end_s, min(stop_s, seconds))
    pattern = pattern if lost[running].any() else None
    of_the_run = (fired_s[running], cylinder[running], lost[running], pattern, left)
    median_rpm = float(np.median(over_a_quarter(rpm[inside])))
    return PlainEngine(clip, engine, median_rpm, t_s, rpm, *when, *of_the_run, form, course.hunting_hz)


def fitted_engine(seed: int, faulty: bool = False) -> PlainEngine:
    """One for a fit: every second one hard, no form of pulse that is kept for measuring."""
    return plain_engine(seed, hard=seed % 2 == 1, forms=FITTED_FORMS, faulty=faulty)


def soft_engine(seed: int, fitted: bool = False) -> PlainEngine:
    """One whose sound is soft or a mere sum of harmonics, every second one hard; `fitted`: of a form for fits."""
    return plain_engine(seed, hard=seed % 2 == 1, forms=FITTED_SOFT if fitted else SOFT_FORMS)


@dataclass(frozen=True)
class Course:
    """Moments 10 ms apart and the speed wanted at each, rpm; how often and how far it hunts (peak to peak), or None."""

    t_s: np.ndarray
    rpm: np.ndarray
    hunting_hz: float | None = None
    swing_percent: float | None = None


def speed_course(rng: np.random.Generator, low: float, high: float, seconds: float) -> Course:
    """A speed that is even to the last digit, wanders, hunts, or gives way to a load."""
    t_s = np.arange(0.0, seconds, 0.01)
    even = [rpm for rpm in EVEN_RPM if low <= rpm <= high]
    rpm = float(rng.choice(even)) if rng.random() < 0.4 else float(np.exp(rng.uniform(np.log(low), np.log(high))))
    how = rng.choice(["even", "wander", "hunt", "load"], p=[0.4, 0.3, 0.2, 0.1])
    change = np.zeros(len(t_s))
    if how == "wander":
        slow = signal.lfilter(*signal.butter(2, 0.5, fs=100.0), rng.standard_normal(len(t_s) + 1000))[1000:]
        change = float(rng.uniform(0.001, 0.01)) * slow / slow.std()
    elif how == "hunt":
        swing, hunting_hz = float(rng.uniform(0.02, 0.12)), float(rng.uniform(0.3, 1.5))
        change = 0.5 * swing * np.sin(2 * np.pi * hunting_hz * t_s)
        return Course(t_s, rpm * (1.0 + change), hunting_hz, 100 * swing)
    elif how == "load":
        at_s, off_s = seconds * rng.uniform(0.3, 0.45), seconds * rng.uniform(0.55, 0.8)
        loaded = ((t_s > at_s) & (t_s < off_s)).astype(float)
        change = -float(rng.uniform(0.03, 0.12)) * signal.lfilter([0.05], [1, -0.95], loaded)
    return Course(t_s, rpm * (1.0 + change))


def over_a_quarter(rpm: np.ndarray) -> np.ndarray:
    """The speed of a run, 10 ms apart, as read over a quarter of a second about each moment; at the ends over what
    part of it lies in the run."""
    span = np.ones(25)
    return np.convolve(rpm, span, "same") / np.convolve(np.ones(len(rpm)), span, "same")


def started_and_stopped(t_s: np.ndarray, start_s: float, up_s: float, end_s: float, stop_s: float) -> np.ndarray:
    """Share of the usual speed at each moment: none before the start, rising for `up_s`, falling from end to stop."""
    up = np.clip(0.35 + 0.65 * (t_s - start_s) / up_s, 0.0, 1.0) if up_s else np.ones(len(t_s))
    down = np.clip((stop_s - t_s) / max(stop_s - end_s, 1e-9), 0.0, 1.0)
    return np.where(t_s < start_s, 0.0, np.where(t_s < end_s, up, down))


def firings(
    t_s: np.ndarray, rpm: np.ndarray, engine: Engine, start_s: float, end_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Moments of the firings between start and end, and the number of the cylinder of each."""
    cycles = np.concatenate([[0.0], np.cumsum(rpm[:-1] / 60.0 / engine.revs_per_cycle * np.diff(t_s))])
    angles = np.array(engine.firing_angles_deg) / (360.0 * engine.revs_per_cycle)
    whole = np.arange(int(cycles[-1]) + 1)
    places = (whole[:, None] + angles[None]).ravel()
    cylinder = np.tile(np.arange(engine.cylinders), len(whole))
    at_s = np.interp(places, cycles, t_s, right=np.inf)
    inside = (at_s >= start_s) & (at_s < end_s)
    return at_s[inside], cylinder[inside]


def strengths(rng: np.random.Generator, engine: Engine, cylinder: np.ndarray) -> np.ndarray:
    """Strength of each firing as long as none fails, about 1."""
    spread = float(rng.uniform(0.0, 0.2))
    strength = np.exp(spread * rng.standard_normal(len(cylinder)))
    strength *= np.exp(0.15 * rng.standard_normal(engine.cylinders))[cylinder]
    if engine.strokes == 2 and rng.random() < 0.25:
        strength[:: 2 * engine.cylinders] *= float(rng.uniform(0.4, 0.9))
    return strength


Failing = tuple[np.ndarray, float, str]


def lost_at_random(rng: np.random.Generator, cylinder: np.ndarray) -> Failing:
    """Which firings fail, most often none, else one by one; what is left of one that does; the pattern."""
    share = float(rng.uniform(0.01, 0.15)) if rng.random() < 0.4 else 0.0
    lost = rng.random(len(cylinder)) < share
    return lost, float(rng.uniform(0.0, 0.1)), "random"


def failing(rng: np.random.Generator, engine: Engine, cylinder: np.ndarray) -> Failing:
    """As `lost_at_random`, but up to three in ten, in rows, of one cylinder, or every second one of a two-stroke, which
    now and then fires or fails twice in a row; what is left of one may be up to four tenths."""
    own = "cylinder" if engine.cylinders > 1 else "every_second" if engine.strokes == 2 else "random"
    pattern, count = str(rng.choice(["none", "random", "burst", own], p=[0.3, 0.3, 0.2, 0.2])), len(cylinder)
    lost = np.zeros(count, bool)
    if pattern == "random":
        lost = rng.random(count) < np.exp(rng.uniform(np.log(0.005), np.log(0.3)))
    elif pattern == "burst":
        for first in np.flatnonzero(rng.random(count) < rng.uniform(0.005, 0.04)):
            lost[first : first + int(rng.integers(2, 9))] = True
    elif pattern == "cylinder":
        lost = (cylinder == rng.integers(engine.cylinders)) & (rng.random(count) < rng.uniform(0.3, 1.0))
    elif pattern == "every_second":
        slips = rng.random(count) < np.exp(rng.uniform(np.log(0.002), np.log(0.05)))
        lost = (np.arange(count) + np.cumsum(slips)) % 2 == 1
    return lost, float(rng.uniform(0.0, 0.1) if rng.random() < 0.5 else rng.uniform(0.1, 0.4)), pattern


def recorded(rng: np.random.Generator, samples: np.ndarray, rate_hz: int, over_noise_db: float) -> Clip:
    """The sound in white to brown noise, at times through a high-pass, at some level."""
    noise = signal.lfilter([1.0], [1.0, -float(rng.choice([0.0, 0.5, 0.9, 0.98]))], rng.standard_normal(len(samples)))
    level = np.sqrt(np.mean(samples[samples != 0.0] ** 2)) if samples.any() else 1.0
    whole = samples + noise / noise.std() * level * 10 ** (-over_noise_db / 20)
    if rng.random() < 0.5:
        whole = signal.sosfilt(signal.butter(2, float(rng.uniform(60, 200)), "high", fs=rate_hz, output="sos"), whole)
    return Clip((whole / np.abs(whole).max() * float(rng.uniform(0.05, 0.95))).astype(np.float32), float(rate_hz))
