"""Which stretches of a recording are judged, and what was measured in them.

A long quiet before or after an engine ran, where nobody stopped the recording, tells nothing about how it was recorded;
nor does the silence that was filled in where a file is damaged.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from enginelog.model import Span
from enginelog.quality.part import QualityPart

Stretches = tuple[tuple[float, float], ...]  # (start, end) in seconds of the recording, in order and apart
EDGE_S = 0.1  # of a part that may lie outside: a timeline is told in steps of 50 ms


def running(spans: Sequence[Span], seconds: float, least_s: float) -> Stretches:
    """Where an engine ran; where that is shorter than `least_s` in all, with as much more on either side of each."""
    runs = [(span.start_s, span.end_s) for span in spans if span.kind == "run"]
    more_s = max(least_s - sum(end_s - start_s for start_s, end_s in runs), 0.0) / max(2 * len(runs), 1)
    return joined(((max(start_s - more_s, 0.0), min(end_s + more_s, seconds)) for start_s, end_s in runs), 0.0)


def from_start_to_stop(spans: Sequence[Span]) -> Stretches:
    """From the first pull or run to the end of the last: what is missing there is missing from the engine."""
    heard = [span for span in spans if span.kind != "quiet"]
    return ((heard[0].start_s, heard[-1].end_s),) if heard else ()


def joined(stretches: Iterable[tuple[float, float]], smear_s: float, end_s: float = np.inf) -> Stretches:
    """Stretches in order, each `smear_s` longer on either side (from 0 to `end_s`), those that then meet as one."""
    out = list[tuple[float, float]]()
    for start_s, past_s in sorted(stretches):
        start_s, past_s = max(start_s - smear_s, 0.0), min(past_s + smear_s, end_s)
        if out and start_s <= out[-1][1]:
            start_s, past_s = out[-1][0], max(past_s, out[-1][1])
            out.pop()
        out.append((start_s, past_s))
    return tuple(out)


def without(stretches: Stretches, holes: Stretches) -> Stretches:
    """What of the stretches lies in none of the holes."""
    out = list[tuple[float, float]]()
    for start_s, end_s in stretches:
        for hole_s, past_s in holes:
            if hole_s < end_s and past_s > start_s:
                out.append((start_s, hole_s))
                start_s = past_s
        out.append((start_s, end_s))
    return tuple((start_s, end_s) for start_s, end_s in out if start_s < end_s)


def all_within(parts: Sequence[QualityPart], stretches: Stretches) -> list[QualityPart]:
    """What was measured in the stretches: `within` of each part of which something lies in one."""
    found = (within(part, stretches) for part in parts)
    return [part for part in found if part is not None]


def within(part: QualityPart, stretches: Stretches) -> QualityPart | None:
    """The part as if it were only what of it lies in the stretches: the part itself where that is all, None where it is
    nothing. What has no place in it (peak, offset, emptied places, stretches without sound) stays that of all of it."""
    end_s = part.start_s + part.seconds
    own = [(max(start_s, part.start_s), min(past_s, end_s)) for start_s, past_s in stretches]
    seconds = sum(max(past_s - start_s, 0.0) for start_s, past_s in own)
    black, cut = part.black[_inside(part, len(part.black), own)], part.clipped_at
    if seconds <= 0 or not len(black):
        return None
    if seconds >= part.seconds - EDGE_S:
        return part
    kept = float(cut[_inside(part, len(cut), own)].sum() / cut.sum()) * part.seconds / seconds if len(cut) else 0.0
    return replace(
        part,
        seconds=seconds,
        clipped_share=min(part.clipped_share * kept, 1.0),
        piled_share=min(part.piled_share * kept, 1.0),
        levels_db=part.levels_db[_inside(part, len(part.levels_db), own)],
        gaps_s=tuple(gap for gap in part.gaps_s if any(a <= (gap[0] + gap[1]) / 2 < b for a, b in own)),
        black_share=float(np.mean(black)),
        bands_db=part.bands_db[_inside(part, len(part.bands_db), own)],
        repeats=part.repeats[_inside(part, len(part.repeats), own)],
        hum=None if part.hum is None else part.hum[_inside(part, len(part.hum), own)],
    )


def _inside(part: QualityPart, count: int, stretches: Sequence[tuple[float, float]]) -> np.ndarray:
    """Which of `count` entries spread evenly over the part have their middle in a stretch, mask (count,)."""
    at_s = part.start_s + (np.arange(count) + 0.5) / max(count, 1) * part.seconds
    out = np.zeros(count, bool)
    for start_s, past_s in stretches:
        out |= (at_s >= start_s) & (at_s < past_s)
    return out
