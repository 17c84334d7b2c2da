"""Bangs in the exhaust: far louder than the firings about them, and over at once."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Pop, Span
from enginelog.timeline.traces import Levels, row_at, rows_between, time_of

LOCAL = 101  # frames of 10 ms about a bang that it is compared with
PIECE = 50_000  # frames worked out at a time


def bangs(levels: Levels, spans: tuple[Span, ...], limits: LimitSet) -> tuple[Pop, ...]:
    """Bangs while running ("running"; "slowing" in its last half second) and after the ignition went off ("after_cut").

    After the cut a bang must be louder than the firings of the run were, or each compression would count as one.
    """
    found: list[Pop] = []
    usual = None
    for number, span in enumerate(spans):
        rows = rows_between(levels, span.start_s, span.end_s)
        count = rows.stop - rows.start
        if span.kind == "run" and count >= LOCAL:
            found += _running_bangs(levels, rows, span.end_s, number + 1 < len(spans), limits)
            last = slice(max(rows.stop - 200, rows.start), rows.stop)
            usual = float(np.percentile(levels.peak_db[last].astype(np.float32), 95))
        elif usual is not None and span.kind != "pull" and count >= 3:
            soon = min(rows.start + int(100 * limits.value("afterfire_within_s")), rows.stop)
            found += _after_bangs(levels, slice(rows.start, soon), usual, limits)
        if span.kind in ("pull", "quiet"):
            usual = None
    return () if found and knocked_before(levels, spans, found, limits) else tuple(found)


def knocked_before(levels: Levels, spans: tuple[Span, ...], found: list[Pop], limits: LimitSet) -> bool:
    """Whether bangs as loud come as often in the quiet before the engine ran: then somebody hammers, and which bangs
    are the engine's cannot be told."""
    first_s = next((span.start_s for span in spans if span.kind == "run"), 0.0)
    calm = np.zeros(levels.rows, bool)
    for span in spans:
        if span.kind == "quiet" and span.end_s <= first_s:
            calm[rows_between(levels, span.start_s, span.end_s)] = True
    if calm.sum() < LOCAL:
        return False
    quiet = levels.peak_db[calm].astype(np.float32)
    at = [min(row_at(levels, pop.at_s), levels.rows - 1) for pop in found]
    usual = float(np.percentile(quiet, 50)) + limits.value("pop_db")
    loud = max(float(np.median(levels.peak_db[at].astype(np.float32))) - limits.value("knock_below_db"), usual)
    knocks = len(highest(quiet - loud, 0.0))
    running_s = sum(span.end_s - span.start_s for span in spans if span.kind == "run")
    return knocks > 0 and knocks / len(quiet) * 100 >= limits.value("knock_share") * len(found) / max(running_s, 1.0)


def _running_bangs(levels: Levels, rows: slice, end_s: float, ends: bool, limits: LimitSet) -> list[Pop]:
    over = over_usual(levels.peak_db[rows])
    settled_s = time_of(levels, rows.start) + limits.value("run_up_pops_s")
    found = []
    for i in highest(over, limits.value("pop_db")):
        at_s = time_of(levels, rows.start + int(i))
        if at_s > settled_s:
            found.append(Pop(at_s, float(over[i]), "slowing" if ends and at_s > end_s - 0.5 else "running"))
    return found


def over_usual(peak_db: np.ndarray) -> np.ndarray:
    """By how much each level (n,) exceeds the 95th percentile of those within half a second, float32; a piece at a
    time, so that hours need little memory."""
    from scipy.ndimage import percentile_filter

    out = np.empty(len(peak_db), np.float32)
    for first in range(0, len(peak_db), PIECE):
        low, past = max(first - LOCAL, 0), min(first + PIECE, len(peak_db))
        near = peak_db[low : past + LOCAL].astype(np.float32)
        usual = percentile_filter(near, 95, size=LOCAL, mode="nearest")
        out[first:past] = (near - usual)[first - low : past - low]
    return out


def _after_bangs(levels: Levels, rows: slice, usual: float, limits: LimitSet) -> list[Pop]:
    over = levels.peak_db[rows].astype(np.float32) - usual
    return [
        Pop(time_of(levels, rows.start + int(i)), float(over[i]), "after_cut")
        for i in highest(over, limits.value("afterfire_db"))
    ]


def highest(over: np.ndarray, least: float) -> np.ndarray:
    """Indices, ascending, of the values of at least `least` that are the highest within 0.08 s."""
    high = np.flatnonzero(over >= least)
    near = (over[max(i - 8, 0) : i + 9].max() for i in high)
    return high[[over[i] == most for i, most in zip(high, near, strict=True)]] if len(high) else high
