"""Firings that are not called lost and sound no stronger than a lost one would.

Where firings follow each other closely, the sound of one fills the place of the next: a lost one leaves no gap that is
sure to be heard, and the judge of counts finds "none lost" likely where as many are lost as can hide there. What is
called fired and stands out below the others, or is as weak as one that did not burn, may be such a one. A four-stroke
single has two turns for each firing, and shows a lost one by its crank, too.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.spread import robust_std
from enginelog.findings.halved import is_single
from enginelog.findings.shares import clopper_pearson, counted_share
from enginelog.limits import LimitSet
from enginelog.model import Engine, Firings


def perhaps_lost(engine: Engine, firings: Firings, probability: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Which firings may be lost though none, or next to none, is told to be (mask): nothing where more are told, or of
    a four-stroke single. firings: those judged; probability: of a miss, of the same."""
    none = np.zeros(len(probability), bool)
    if is_single(engine) or 100 * counted_share(probability, limits) >= limits.value("misfire_watch_percent"):
        return none
    strength = firings.strength
    usual = float(np.median(strength))
    apart = strength < min(
        usual - limits.value("hidden_apart") * robust_std(strength), limits.value("hidden_weak") * usual
    )
    return (apart | (strength < limits.value("alternation_lost_ratio"))) & (probability <= 0.5)


def too_many(firings: Firings, perhaps: np.ndarray, limits: LimitSet) -> bool:
    """Whether lost firings may hide among `perhaps` (mask) that could not be seen at all, so that none is told."""
    faint = float(np.nanmedian(firings.snr_db)) < limits.value("hidden_least_snr_db")
    return faint and 100 * float(perhaps.mean()) > limits.value("hidden_most_percent")


def with_perhaps_lost(interval: tuple[float, float, float], perhaps: np.ndarray) -> tuple[float, float, float]:
    """A share and its interval, 0..1, the upper end no lower than where all of `perhaps` (mask) were lost, too."""
    share, low, high = interval
    n, many = len(perhaps), int(perhaps.sum())
    return (share, low, max(high, clopper_pearson(share * n + many, n)[1])) if many else interval
