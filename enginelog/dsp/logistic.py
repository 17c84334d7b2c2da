"""Probabilities and their logits."""

from __future__ import annotations

import numpy as np


def probability(logit: np.ndarray | float) -> np.ndarray:
    """Probabilities 0..1 of logits of any shape; beyond 30 either way they are as good as 0 and 1."""
    return 1.0 / (1.0 + np.exp(-np.clip(logit, -30.0, 30.0)))


def logit_of(chance: np.ndarray | float) -> np.ndarray:
    """Logits of probabilities of any shape, between 0 and 1 exclusive."""
    return np.log(chance / (1.0 - chance))


def held_logit(chance: np.ndarray | float, least: float) -> np.ndarray:
    """Logits of probabilities of any shape, held `least` away from 0 and 1."""
    return logit_of(np.clip(chance, least, 1.0 - least))
