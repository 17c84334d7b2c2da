"""A run that cut out for a moment: many firings lost one after another, which chance does not explain.

The share of the whole recording says little of it: the longer one listens for a fault that comes once in minutes, the
smaller that share becomes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.limits import LimitSet
from enginelog.model import Firings
from enginelog.model.wording import counted

BESIDE = 5  # firings on either side, most of which must be heard
SLOWED = 1.5  # times the usual interval: so far the crank slows in half a second, and no farther
HEARD = 0.2  # least likely to be lost that is still heard


@dataclass(frozen=True)
class CutOut:
    """So many firings lost in a row. at_s, seconds: when it began, and how long it lasted to the next one heard."""

    at_s: float
    seconds: float
    firings: int

    @property
    def words(self) -> str:
        """As it is told, a sentence."""
        lost = counted(self.firings, "firing")
        return f"It cut out for {self.seconds:z.1f} s at {self.at_s:z.1f} s: {lost} lost in a row."


def longest_cut_out(firings: Firings, probability: np.ndarray, limits: LimitSet) -> CutOut | None:
    """The longest row of surely lost firings between ones that are heard; None where it is short, or so long a row is
    not too unlikely among so many lost one by one. `probability` (n,): of a miss, each."""
    rows = [
        (begin, end)
        for begin, end in zip(*rows_of_true(probability > 0.5), strict=True)
        if np.mean(probability[begin:end]) >= limits.value("cut_out_sure")
        and _between_heard(probability, begin, end)
        and _laid_closely(firings.t_s, begin, end)
    ]
    begin, end = max(rows, key=lambda row: row[1] - row[0], default=(0, 0))
    count = end - begin
    if count < limits.value("cut_out_firings"):
        return None
    # Expected number of such rows among independent losses of this share (first-order, as of runs of heads).
    if len(probability) * float(np.mean(probability > 0.5)) ** count > limits.value("cut_out_chance"):
        return None
    return CutOut(float(firings.t_s[begin]), float(firings.t_s[end] - firings.t_s[begin]), count)


def _between_heard(probability: np.ndarray, begin: int, end: int) -> bool:
    """Whether most of the firings on both sides are heard: elsewhere it may be the recording, or the end of a run."""
    sides = probability[max(begin - BESIDE, 0) : begin], probability[end : end + BESIDE]
    return all(len(side) == BESIDE and np.mean(side <= HEARD) > 0.5 for side in sides)


def _laid_closely(t_s: np.ndarray, begin: int, end: int) -> bool:
    """Whether no part of the sound, or the time from one run to the next, lies among them."""
    return bool(t_s[end] - t_s[begin] <= SLOWED * (end - begin) * np.median(np.diff(t_s)))
