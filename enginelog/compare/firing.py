"""Measures of the firings: share lost, in all and of the worst cylinder, spread of strength and of moments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.compare.bootstrap import block_length
from enginelog.compare.estimate import Estimate, from_draws, unknown
from enginelog.compare.intervals import NORMAL_95, wilson
from enginelog.compare.sample import Sample
from enginelog.dsp.spread import MAD
from enginelog.findings import spreads
from enginelog.findings.shares import confusion, counted_share, design_effect
from enginelog.model.wording import begun_small

MIDDLE_SPREAD = 1.5  # variance of a firing's moment against its two neighbours' middle, over that of the moment itself
LEAST_FIRED = 30


def lost_share(sample: Sample) -> Estimate:
    """Firings lost, per cent of all while running; unknown where the run's own count was withheld as doubtful."""
    if sample.run.measures.firing.misfires is None:
        return unknown(_why(sample))
    if len(sample.lost_chance) < sample.cleaning.value("misfire_least_events"):
        return unknown(sample.too_little("too few firings were heard"))
    return _share(sample, "misfire", sample.lost_chance)


def worst_cylinder(sample: Sample) -> Estimate:
    """Firings lost on the cylinder that loses most, per cent of its own.

    The places of two recordings cannot be matched (which cylinder is which is not heard), so the worst is held against
    the worst.
    """
    if sample.run.measures.firing.misfires is None:
        return unknown(_why(sample))
    slots = [sample.lost_chance[sample.firings.slot == k] for k in range(sample.run.engine.cylinders)]
    if any(len(own) < LEAST_FIRED for own in slots):
        return unknown("too few firings of each cylinder were heard")
    shares = [counted_share(own, sample.cleaning) for own in slots]
    worst = int(np.argmax(shares))
    return _share(sample, f"cylinder {worst}", slots[worst])


def _why(sample: Sample) -> str:
    """Why the run's own findings withheld the count."""
    texts = [f.text for f in sample.run.measures.findings if f.code == "misfire" and f.verdict == "unknown"]
    text = texts[0].removeprefix("Cannot tell: ") if texts else "the firings could not be counted"
    return begun_small(text).rstrip(".")


def _share(sample: Sample, measure: str, chance: np.ndarray) -> Estimate:
    """Share lost, per cent, with sampling (in blocks) and the doubt of each firing in its interval."""
    n = len(chance)
    share = counted_share(chance, sample.cleaning)
    fewer, more = _doubt(sample, chance)
    if min(share, 1 - share) * n < sample.limits.value("few_lost"):
        effective = n / max(design_effect(chance), sample.lost_effect)
        return _few(effective, share, fewer, more)
    draws = sample.means(measure, _counted(sample, chance), sample.lost_length * n / len(sample.lost_chance))
    shift = sample.chance(f"{measure} doubt").standard_normal(len(draws)) / NORMAL_95
    draws = np.clip(draws + np.where(shift > 0, more, fewer) * shift, 0.0, 1.0)
    return from_draws(100 * share, 100 * draws)


def _counted(sample: Sample, chance: np.ndarray) -> np.ndarray:
    """Each firing's part in the share: its chance of being lost, or yes and no, as the share is counted."""
    share = counted_share(chance, sample.cleaning)
    return np.asarray(chance if abs(share - np.mean(chance)) < 1e-12 else chance > 0.5, float)


def alike(before: Sample, after: Sample) -> tuple[Sample, Sample]:
    """Both samples, neither's losses taken to be more independent of each other than the other's.

    A short recording may hold few of the bursts, or one, and then looks too sure of its share.
    """
    told = [one for one in (before, after) if len(one.lost_chance) >= LEAST_FIRED]
    length = max((block_length(_counted(one, one.lost_chance)) for one in told), default=1.0)
    effect = max((design_effect(one.lost_chance) for one in told), default=1.0)
    length *= before.limits.value("stretch_factor")
    one, other = (replace(each, lost_length=length, lost_effect=effect) for each in (before, after))
    return one, other


def _few(effective: float, share: float, fewer: float, more: float) -> Estimate:
    """With few events: Wilson's limits on the effective number of firings (with none lost above the rule of three)."""
    low, high = wilson(share * effective, effective)
    low = max(share - np.hypot(share - low, min(fewer, share)), 0.0)
    high = min(share + np.hypot(high - share, more), 1.0)
    return Estimate(100 * share, 100 * float(low), 100 * float(high), heard=share > 0)


def _doubt(sample: Sample, chance: np.ndarray) -> tuple[float, float]:
    """By how much the share may be too high and too low (95 %), because single firings are doubtful: their own spread
    (Poisson binomial), and that the chances themselves may be off together."""
    missed, mistaken = (sample.cleaning.value("misfire_calibration") * part for part in confusion(chance))
    spread = NORMAL_95 * float(np.sqrt(np.sum(chance * (1 - chance))))
    return float(np.hypot(spread, mistaken)) / len(chance), float(np.hypot(spread, missed)) / len(chance)


def strength_spread(sample: Sample) -> Estimate:
    """Spread of the strength of the firings that fired, per cent, freed of noise; after a rough start that of the
    smooth running alone."""
    fired = sample.lost_chance < 0.2
    value = sample.run.measures.firing.strength_spread_percent
    if sample.left_out_s > 0:
        value = spreads.strength_spread(sample.firings, sample.cleaning)
    if value is None:
        return unknown("noise makes most of the spread of the firings' strength, or too few firings were clear")
    if fired.sum() < LEAST_FIRED:
        return unknown("too few firings were clear")
    strength = sample.firings.strength[fired]
    noise_db = -float(np.nanmedian(sample.firings.snr_db[fired]))
    draws = _mad_draws(sample, "strength", strength)
    doubt = sample.limits.value("snr_doubt_db") * sample.chance("strength noise").standard_normal(len(draws))
    freed = draws**2 - 10 ** ((noise_db + doubt) / 10)
    return from_draws(value, 100 * np.sqrt(np.maximum(freed, 0.0)))


def timing_spread(sample: Sample) -> Estimate:
    """Spread of the firings' moments, per cent of the firing interval, after a rough start that of the smooth running
    alone; noise widens the interval."""
    value = sample.run.measures.firing.timing_spread_percent
    if sample.left_out_s > 0:
        value = spreads.timing_spread(sample.firings, sample.cleaning)
    if value is None:
        return unknown("too few firings in a row stand clear enough of the noise to time them")
    fired = sample.lost_chance < 0.2
    sound = fired & np.roll(fired, 1) & np.roll(fired, -1) & np.isfinite(sample.firings.timing)
    if sound.sum() < LEAST_FIRED:
        return unknown("too few firings in a row were clear")
    draws = 100 * _mad_draws(sample, "timing", sample.firings.timing[sound]) / np.sqrt(MIDDLE_SPREAD)
    noise = sample.limits.value("timing_noise_percent") * 10 ** (-float(np.nanmedian(sample.firings.snr_db)) / 20)
    without = np.sqrt(max(value**2 - noise**2, 0.0))
    shift = sample.chance("timing noise").standard_normal(len(draws)) * (value - without) / NORMAL_95
    return from_draws(value, draws + shift)


def _mad_draws(sample: Sample, measure: str, values: np.ndarray) -> np.ndarray:
    """Resamples of the robust standard deviation of `values` about their median."""
    return MAD * sample.medians(measure, np.abs(values - np.median(values)))
