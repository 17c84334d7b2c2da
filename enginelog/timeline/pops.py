"""Bangs in the exhaust: far louder than the firings about them, and over at once."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Pop, Span
from enginelog.timeline.silence import Silent, at_edge
from enginelog.timeline.traces import Levels, row_at, rows_between, time_of

LOCAL = 101  # frames of 10 ms about a bang that it is compared with
NEAR = 8  # frames on either side in which one bang rings on
PIECE = 50_000  # frames worked out at a time


def bangs(levels: Levels, spans: tuple[Span, ...], limits: LimitSet, silent: Silent = ()) -> tuple[Pop, ...]:
    """Bangs while running ("running"; "slowing" in its last half second) and after the ignition went off ("after_cut").

    A bang swells in the middle frequencies, where the exhaust sounds. A knock on metal is little but its sharp edge,
    and a voice or a bird has none. Beside missing sound (`silent`, however short) none is told: what a decoder makes of
    a damaged place, and the click of an edit, are as loud and as short.
    """
    beside_s = limits.value("pop_beside_silence_s")
    found: list[Pop] = []
    for number, span in enumerate(spans):
        rows = rows_between(levels, span.start_s, span.end_s)
        if span.kind != "run" or rows.stop - rows.start < LOCAL:
            continue
        found += _running_bangs(levels, rows, span.end_s, number + 1 < len(spans), limits)
        again = [later.start_s for later in spans[number + 1 :] if later.kind in ("pull", "run")]
        until_s = min([*again, span.end_s + limits.value("afterfire_within_s")])
        found += _after_bangs(levels, rows, rows_between(levels, span.end_s, until_s), limits)
    found = [pop for pop in found if not at_edge(pop.at_s, silent, beside_s, beside_s)]
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
    quiet = levels.middle_db[calm].astype(np.float32)
    at = [min(row_at(levels, pop.at_s), levels.rows - 1) for pop in found]
    usual = float(np.percentile(quiet, 50)) + limits.value("knock_stands_db")
    loud = max(float(np.median(levels.middle_db[at].astype(np.float32))) - limits.value("knock_below_db"), usual)
    knocks = len(highest(quiet - loud, 0.0))
    running_s = sum(span.end_s - span.start_s for span in spans if span.kind == "run")
    return knocks > 0 and knocks / len(quiet) * 100 >= limits.value("knock_share") * len(found) / max(running_s, 1.0)


def _running_bangs(levels: Levels, rows: slice, end_s: float, ends: bool, limits: LimitSet) -> list[Pop]:
    swell, edge = over_usual(levels.middle_db[rows]), over_usual(levels.peak_db[rows])
    settled_s = time_of(levels, rows.start) + limits.value("run_up_pops_s")
    found = []
    for i in highest(swell, limits.value("pop_db")):
        at_s, sharp = time_of(levels, rows.start + int(i)), _sharpest(edge, i)
        if at_s > settled_s and sharp >= limits.value("pop_edge_db") and not _knock(float(swell[i]), sharp, limits):
            found.append(Pop(at_s, float(swell[i]), "slowing" if ends and at_s > end_s - 0.5 else "running"))
    return found


def _sharpest(edge_db: np.ndarray, at: int) -> float:
    """The edge of what swells about a frame: it may come a frame before or after the loudest one."""
    return float(edge_db[max(at - 1, 0) : at + 2].max())


def _knock(swell_db: float, edge_db: float, limits: LimitSet) -> bool:
    """Whether the edge stands out so much farther than the middle frequencies swell that it is no bang."""
    return edge_db - swell_db > limits.value("knock_edge_db")


def over_usual(level_db: np.ndarray) -> np.ndarray:
    """By how much each level (n,) exceeds the 95th percentile of those within half a second, float32; a piece at a
    time, so that hours need little memory."""
    from scipy.ndimage import percentile_filter

    out = np.empty(len(level_db), np.float32)
    for first in range(0, len(level_db), PIECE):
        low, past = max(first - LOCAL, 0), min(first + PIECE, len(level_db))
        near = level_db[low : past + LOCAL].astype(np.float32)
        usual = percentile_filter(near, 95, size=LOCAL, mode="nearest")
        out[first:past] = (near - usual)[first - low : past - low]
    return out


def _after_bangs(levels: Levels, run: slice, rows: slice, limits: LimitSet) -> list[Pop]:
    """Bangs after the cut: louder than the firings before it, and than the compressions about them, in a recording
    that falls quiet."""
    if rows.stop - rows.start < LOCAL // 2:
        return []
    last = slice(max(run.stop - 2 * LOCAL, run.start), run.stop)
    before, middle = (levels.middle_db[part].astype(np.float32) for part in (last, rows))
    fall = float(np.median(before) - np.median(middle[len(middle) // 2 :]))
    if fall < limits.value("afterfire_fall_db"):
        return []
    edge = levels.peak_db[rows].astype(np.float32)
    over, found = middle - float(np.percentile(before, 95)), []
    first = round(limits.value("afterfire_after_s") / levels.hop_s)
    for i in highest(over, limits.value("afterfire_db")):
        if i < first or i > len(over) - 3 * NEAR:  # at the end of what is heard nothing shows that it was over at once
            continue
        swell, sharp = float(middle[i]) - _beside(middle, i), _sharpest(edge, i) - _beside(edge, i)
        if swell >= limits.value("afterfire_beside_db") and not _knock(swell, sharp, limits):
            found.append(Pop(time_of(levels, rows.start + int(i)), float(over[i]), "after_cut"))
    return found


def _beside(level_db: np.ndarray, at: int) -> float:
    """What four in five of the levels within half a second of one do not reach, its own ringing left out."""
    half = LOCAL // 2
    near = np.concatenate([level_db[max(at - half, 0) : max(at - NEAR, 0)], level_db[at + NEAR + 1 : at + half + 1]])
    return float(np.percentile(near, 80))


def highest(over: np.ndarray, least: float) -> np.ndarray:
    """Indices, ascending, of the values of at least `least` that are the highest within 0.08 s."""
    high = np.flatnonzero(over >= least)
    near = (over[max(i - NEAR, 0) : i + NEAR + 1].max() for i in high)
    return high[[over[i] == most for i, most in zip(high, near, strict=True)]] if len(high) else high
