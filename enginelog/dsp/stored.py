"""The coefficients of a room's regressions, from the JSON file in it that the fit wrote."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np


@dataclass(frozen=True)
class Model:
    """Mean and deviation of each column in fitting, shape (k,); the weights of the terms, the constant first."""

    mean: np.ndarray
    spread: np.ndarray
    weight: np.ndarray


@lru_cache(maxsize=8)
def stored_model(room: str, name: str) -> Model:
    """The model in the file `name`.json of a room, told by its package."""
    stored = json.loads((files(room) / f"{name}.json").read_text(encoding="utf-8"))
    return Model(*(np.asarray(stored[part], float) for part in ("mean", "spread", "weight")))
