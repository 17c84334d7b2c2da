"""How far the sound rises over the quiet: while the engine runs, and right before, as an electric starter cranks it."""

from __future__ import annotations

import math

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span
from enginelog.timeline.traces import Levels, rows_between

QUIET_PERCENTILE = 40  # of the levels in the quiet: between its least and its knocks
BEFORE_S = (1.0, 0.15)  # before what seems a pull: there a rope's handle is at rest, and its last pull is over


def cranked(own: tuple[Span, ...], levels: Levels, limits: LimitSet) -> bool:
    """Whether it sounds for most of a second right up to the pull that leads to the last run: an electric starter turns
    the engine until it catches, and its speeding up then seems a pull; before one of a rope it is quiet.

    own: the spans of the last start.
    """
    last = max((number for number, span in enumerate(own) if span.kind == "run"), default=0)
    if last < 2 or [span.kind for span in own[last - 2 : last]] != ["quiet", "pull"]:
        return False
    quiet, pull = own[last - 2 : last]
    if pull.start_s - BEFORE_S[0] < quiet.start_s:
        return False
    rows = rows_between(levels, pull.start_s - BEFORE_S[0], pull.start_s - BEFORE_S[1])
    before = np.zeros(levels.rows, bool)
    before[rows] = True
    heard = levels.bands_db[before[:: levels.bands_every], 1:].astype(np.float32)
    still = levels.bands_db[_inside(own, "quiet", levels), 1:].astype(np.float32)
    if len(heard) < 5 or len(still) * levels.bands_every < 30:
        return False
    return _over(heard, still) >= limits.value("cranked_db")


def rise_db(spans: tuple[Span, ...], levels: Levels) -> float:
    """By how much the run is louder than the quiet, mean of the bands in which it is; infinite where one is missing."""
    every = levels.bands_every
    runs, quiet = (levels.bands_db[_inside(spans, kind, levels), 1:].astype(np.float32) for kind in ("run", "quiet"))
    if len(runs) * every < 50 or len(quiet) * every < 30:
        return math.inf
    return _over(runs, quiet)


def _over(loud: np.ndarray, quiet: np.ndarray) -> float:
    """How far the middle of the one, which is used up, lies over the quiet, (m, bands), dB: mean over the bands."""
    rise = np.median(loud, axis=0, overwrite_input=True) - np.percentile(quiet, QUIET_PERCENTILE, axis=0)
    return float(np.maximum(rise, 0.0).mean())


def _inside(spans: tuple[Span, ...], kind: str, levels: Levels) -> np.ndarray:
    """Of the levels in bands, those well within the spans of one kind, mask (m,)."""
    out = np.zeros(levels.rows, bool)
    for span in spans:
        if span.kind == kind:
            out[rows_between(levels, span.start_s + 0.2, span.end_s - 0.2)] = True
    return out[:: levels.bands_every]
