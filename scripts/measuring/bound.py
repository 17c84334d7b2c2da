"""Error of the speed on stationary harmonic signals against the smallest any unbiased estimator can have.

Bound for lines 1..L of equal amplitude A in white noise of variance s2, n samples at rate fs, all amplitudes and
phases unknown: var(f0) = (fs / 2 pi)^2 * 12 / (eta * n * (n^2 - 1) * sum(k^2)) with eta = A^2 / (2 s2)
(Rife & Boorstyn 1974 for one line; the lines' information adds up).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from enginelog import limits, speed
from enginelog.model import Clip, Engine
from enginelog.speed.steady import steady_rate
from enginelog.speed.tracking import pursue
from measuring.made import analysed
from measuring.pool import each
from measuring.tables import number, table

RATE_HZ = 16_000.0
LINES = np.arange(1, 11)
SNRS_DB = (0.0, 10.0, 20.0)
LENGTHS_S = (5.0, 10.0)
SINGLE = Engine()  # a four-stroke single fires at the cycle rate, here about 25 Hz


@dataclass(frozen=True)
class Trial:
    """One signal: total power of its lines over that of the noise, length, seed."""

    snr_db: float
    seconds: float
    seed: int


@dataclass(frozen=True)
class Errors:
    """Errors of the firing rate in hertz; NaN where an estimator told nothing."""

    trial: Trial
    steady_hz: float
    track_hz: float
    reported_hz: float


def bound_hz(rate_hz: float, count: int, eta: float, lines: np.ndarray) -> float:
    """Smallest standard deviation of the fundamental in hertz; eta: A^2 / (2 s2) of each line; `count` samples."""
    information = eta * count * (count**2 - 1.0) * float(np.sum(np.asarray(lines, float) ** 2))
    return float(rate_hz / (2 * np.pi) * np.sqrt(12.0 / information))


def bound_of(trial: Trial) -> float:
    """The bound for one trial; the total signal-to-noise ratio is shared by the lines."""
    eta = 10 ** (trial.snr_db / 10) / len(LINES)
    return bound_hz(RATE_HZ, round(trial.seconds * RATE_HZ), eta, LINES)


def signal_of(trial: Trial) -> tuple[np.ndarray, float]:
    """(samples, firing rate in hertz): ten equal lines of random phase, rate from 24.5 to 25.5 Hz, white noise."""
    rng = np.random.default_rng([trial.seed, round(10 * trial.seconds), round(trial.snr_db) + 100])
    f0 = float(rng.uniform(24.5, 25.5))
    at = np.arange(round(trial.seconds * RATE_HZ)) / RATE_HZ
    x = np.cos(2 * np.pi * f0 * np.outer(LINES, at) + rng.uniform(0, 2 * np.pi, (len(LINES), 1))).sum(axis=0)
    power = len(LINES) / 2
    return x + rng.normal(0.0, np.sqrt(power / 10 ** (trial.snr_db / 10)), len(at)), f0


def run(trial: Trial) -> Errors:
    """What the estimators make of one trial: the steady-sound fit, the median of the track, and the figure reported."""
    x, f0 = signal_of(trial)
    clip = Clip((0.1 / np.sqrt(np.mean(x**2)) * x).astype(np.float32), RATE_HZ)
    told = limits.load("speed")
    path_hz = float(np.median(pursue(clip, SINGLE, told).cycle_hz))
    steady = steady_rate(clip.samples.astype(float), RATE_HZ, path_hz)
    track = speed.track(clip, SINGLE, told).rpm
    known = track[np.isfinite(track)]
    reported = analysed(clip, SINGLE).measures.speed.rpm
    per_rpm = SINGLE.firing_hz_per_rpm
    return Errors(
        trial,
        steady.cycle_hz - f0 if steady else np.nan,
        float(np.median(known)) * per_rpm - f0 if len(known) else np.nan,
        reported * per_rpm - f0 if reported is not None else np.nan,
    )


HEAD = (
    *("signal", "signals", "bound Hz", "steady fit / bound", "none", "track median / bound", "none"),
    *("reported / bound", "none"),
)


def bound_row(errors: Sequence[Errors]) -> list[object]:
    """RMS error over the bound of each estimator, and how often it told nothing."""
    trial, bound = errors[0].trial, bound_of(errors[0].trial)
    row: list[object] = [f"{trial.snr_db:.0f} dB, {trial.seconds:.0f} s", len(errors), f"{bound:.3g}"]
    for name in ("steady_hz", "track_hz", "reported_hz"):
        values = np.array([getattr(each_one, name) for each_one in errors])
        known = values[np.isfinite(values)]
        row += [number(float(np.sqrt(np.mean(known**2))) / bound if len(known) else None), len(values) - len(known)]
    return row


def bound_table(runs: int, first_seed: int, jobs: int) -> str:
    """`runs` signals for each length and signal-to-noise ratio."""
    groups = [(snr_db, seconds) for seconds in LENGTHS_S for snr_db in SNRS_DB]
    trials = [Trial(*group, first_seed + i) for group in groups for i in range(runs)]
    found = each(run, trials, jobs, "stationary signals")
    return table(HEAD, [bound_row(found[at : at + runs]) for at in range(0, len(found), runs)])
