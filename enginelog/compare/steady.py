"""Measures of the speed: its middle, how steadily it is held, and a hunting swing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.compare.estimate import Estimate, from_draws, unknown
from enginelog.compare.intervals import NORMAL_95
from enginelog.compare.sample import Sample
from enginelog.dsp.spread import SINE_SWING
from enginelog.model import Hunting

LEAST_CALM_S = 3.0


def median_speed(sample: Sample) -> Estimate:
    """Median speed of the run, rpm; its interval the wider of the resampled one and the one stated with the speed.

    The slow course within the run (warming up) is taken as a sign of how far another run may lie: its standard
    deviation is added as if it were a single value.
    """
    speed = sample.run.measures.speed
    if speed.rpm is None:
        return unknown("the speed is not known")
    if speed.changed:
        return unknown("it was not at one speed")
    if speed.confidence < sample.limits.value("speed_confidence"):
        return unknown("the speed is not known surely enough")
    if len(sample.rpm) < 20:
        return unknown("too little of the speed is known")
    draws = sample.medians("speed", sample.rpm, sample.stretch)
    draws = draws + sample.drift_rpm * sample.chance("speed drift").standard_normal(len(draws))
    stated = 0.0 if speed.rpm_low is None or speed.rpm_high is None else speed.rpm_high - speed.rpm_low
    wide = float(np.subtract(*np.percentile(draws, [97.5, 2.5])))
    middle = float(np.median(draws))
    return from_draws(speed.rpm, middle + (draws - middle) * max(1.0, stated / max(wide, 1e-9)))


def band(sample: Sample) -> Estimate:
    """Width of the band that holds the speed, slow drift left out and freed of the measurement's noise, per cent.

    `band_deviations` times the standard deviation about the slow course.
    """
    values = sample.wander_percent
    if len(values) * sample.step_s < LEAST_CALM_S:
        return unknown(sample.too_little("no calm stretch of three seconds was heard"))
    if sample.run.measures.firing.pattern == "burst":
        return unknown("misfires come in bursts, and each drags the speed with it")
    width = sample.limits.value("band_deviations")
    noise = 0.0 if np.isnan(sample.noise_percent) else sample.noise_percent**2
    draws = _variances(sample, values)
    draws = draws - noise * (
        1 + sample.limits.value("noise_doubt") * sample.chance("noise").standard_normal(len(draws))
    )
    value = width * float(np.sqrt(max(np.mean(values**2) - noise, 0.0)))
    bands = width * np.sqrt(np.maximum(draws, 0.0))
    low, high = np.percentile(bands, [2.5, 97.5])
    return Estimate(value, float(min(low, value)), float(max(high, value)), bands, heard=value > 0)


def _variances(sample: Sample, values: np.ndarray) -> np.ndarray:
    """What the variance of `values` (of mean 0) might be: scaled inverse chi-squared draws.

    Their degrees of freedom, 2 / (relative spread)^2 (Satterthwaite), come from the block bootstrap. Against the bare
    resamples their upper end reaches farther: the variance of few rough stretches is more often too small than too big.
    """
    mean = float(np.mean(values**2))
    freedom = max(min(_freedom(sample, values), sample.freedom_hz * len(values) * sample.step_s), 2.0)
    draws = int(sample.limits.value("draws"))
    return mean * freedom / sample.chance("variance").chisquare(freedom, draws)


def _freedom(sample: Sample, values: np.ndarray) -> float:
    """As how many independent values those count for whose variance is asked."""
    squares = values**2
    mean, spread = float(np.mean(squares)), float(np.var(sample.means("band", squares, sample.stretch)))
    return max(2 * mean**2 / max(spread, 1e-12 * mean**2 + 1e-300), 2.0)


def _swing_in_doubt(sample: Sample, found: Hunting) -> str | None:
    """Why a swing that was heard cannot be held against another run's; None where it can."""
    if sample.run.measures.firing.pattern == "burst":
        return "misfires come in bursts, and each drags the speed with it"
    if (found.rate_hz or 0.0) * sample.cleaning.value("track_window_s") >= 1.0:
        return "it swings faster than the speed is tracked"
    if sample.run.measures.settling.found:
        if len(sample.wander_percent) * sample.step_s < LEAST_CALM_S:
            return "too little was heard after the rough start"
        if SINE_SWING * float(np.std(sample.wander_percent)) < 0.5 * (found.swing_percent or 0.0):
            return "it swings in its rough start only"
    return None


def alike(before: Sample, after: Sample) -> tuple[Sample, Sample]:
    """Both samples, neither's wander taken to be known better for its length than the other's.

    An engine that now and then goes rough may not do so within a short recording, which then looks too sure.
    """
    told = [one for one in (before, after) if len(one.wander_percent) * one.step_s >= LEAST_CALM_S]
    rates = [_freedom(one, one.wander_percent) / (len(one.wander_percent) * one.step_s) for one in told]
    freedom_hz = min(rates, default=float("inf"))
    return replace(before, freedom_hz=freedom_hz), replace(after, freedom_hz=freedom_hz)


def swing(sample: Sample) -> Estimate:
    """Peak-to-peak swing of hunting, per cent of speed; where none is heard 0 to the dead band."""
    found = sample.run.measures.hunting
    if found.found is None:
        return unknown("whether it hunts could not be told")
    if not found.found:
        return Estimate(0.0, 0.0, sample.cleaning.value("hunting_dead_band_percent"), heard=False, firm=True)
    if found.swing_percent is None:
        return unknown("it hunts, but the size of the swing is not known")
    if (reason := _swing_in_doubt(sample, found)) is not None:
        return unknown(reason)
    stage = sample.limits.value("swing_doubt") / NORMAL_95
    size = found.swing_percent
    own = 0.0
    if len(sample.wander_percent) > 20:
        squares = sample.wander_percent**2
        draws = sample.means("swing", squares, sample.stretch)
        own = 0.5 * float(np.std(draws) / np.mean(squares))  # of the root, to first order
    chance = sample.chance("swing stage").standard_normal((2, int(sample.limits.value("draws"))))
    noise = 0.0 if np.isnan(sample.noise_percent) else SINE_SWING * sample.noise_percent
    noise *= sample.limits.value("swing_noise") / NORMAL_95
    return from_draws(size, size * np.exp(np.hypot(stage, own) * chance[0]) + noise * chance[1])
