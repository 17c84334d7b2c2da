"""Whether an engine stopped: where the sound is nowhere quieter than while it ran, it may have run on.

A saw that idles far below its full throttle is taken for a quiet place with pulls in it: each blip is as short and as
sudden as a pull. But an engine that stands is quieter, in some band at least, than at the quietest while it ran, unless
a noise covers it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import RunDown, Span
from enginelog.timeline.traces import Levels, rows_between

EDGE_S = 0.2  # left out at either end of a stretch: levels are smoothed, and a run takes its time to end
LEAST_S = 0.3  # of a stretch without its edges that is looked at
SMOOTHED_S = 0.5  # over which the level of a run is taken, so that one firing and the next make none of its own
LOWEST_PERCENTILE = 10  # of these: as quiet as the runs get


def never_stopped(
    spans: tuple[Span, ...], downs: tuple[RunDown, ...], levels: Levels, limits: LimitSet
) -> tuple[tuple[Span, ...], tuple[RunDown, ...]]:
    """Spans and run-downs with what is as loud as the runs taken for what it may be.

    Two runs are one where every quiet stretch between them is as loud as they get at least, in every band, and no
    run-down was clearly heard. After the last run no pull is believed where that is so of what follows it.
    """
    if not any(span.kind == "run" for span in spans):
        return spans, downs
    lowest = _lowest(spans, levels)
    if lowest is None:
        return spans, downs
    least_db = limits.value("stopped_falls_db")
    falls = [_falls(span, lowest, levels) >= least_db if _looked_at(span) else None for span in spans]
    runs = [number for number, span in enumerate(spans) if span.kind == "run"]
    out, over = list(spans[: runs[0] + 1]), set()
    for number, later in zip(runs, [*runs[1:], len(spans)], strict=True):
        between = spans[number + 1 : later]
        ended = any(down.clear and down.of_run_until(spans[number].end_s) for down in downs)
        loud = not ended and _all_loud(falls[number + 1 : later])
        if later == len(spans):
            out += [replace(span, kind="quiet", rpm=None) if loud and span.kind == "pull" else span for span in between]
        elif loud:
            over.add(spans[number].end_s)
            out[-1] = _joined(out[-1], spans[later])
        else:
            out += [*between, spans[later]]
    left = tuple(down for down in downs if not any(down.of_run_until(end_s) for end_s in over))
    return _merged(out), left


def _looked_at(span: Span) -> bool:
    return span.kind == "quiet" and span.end_s - span.start_s >= LEAST_S + 2 * EDGE_S


def _all_loud(falls: list[bool | None]) -> bool:
    """Whether none of the stretches looked at is quieter than the runs; not where none could be looked at."""
    seen = [each for each in falls if each is not None]
    return bool(seen) and not any(seen)


def _lowest(spans: tuple[Span, ...], levels: Levels) -> np.ndarray | None:
    """The level in each band at the quietest of the runs, dB; None where they are too short to tell."""
    size = max(round(SMOOTHED_S / (levels.hop_s * levels.bands_every)), 1)
    parts = [_bands(span, levels) for span in spans if span.kind == "run"]
    means = [_whole_means(part, size) for part in parts if len(part) >= 2 * size]
    return np.percentile(np.concatenate(means), LOWEST_PERCENTILE, axis=0) if means else None


def _whole_means(part: np.ndarray, size: int) -> np.ndarray:
    """The means over `size` rows that lie wholly within a part: (len(part) - size + 1, bands)."""
    return moving_mean(part, size)[size // 2 : len(part) - size + size // 2 + 1]


def _falls(span: Span, lowest: np.ndarray, levels: Levels) -> float:
    """By how much a stretch is quieter than the runs at their quietest, dB: mean over the bands, one that is louder
    counted as nothing."""
    found = _bands(span, levels)
    return float(np.maximum(lowest - np.median(found, axis=0), 0.0).mean()) if len(found) else np.inf


def _bands(span: Span, levels: Levels) -> np.ndarray:
    """The levels well within a span in every band but the lowest, where wind and handling are: (m, bands), dB."""
    rows, every = rows_between(levels, span.start_s + EDGE_S, span.end_s - EDGE_S), levels.bands_every
    return levels.bands_db[rows.start // every : max(rows.stop, rows.start) // every, 1:].astype(float)


def _joined(before: Span, after: Span) -> Span:
    """Two runs as one; its speed is the longer one's."""
    longer = max(before, after, key=lambda span: span.end_s - span.start_s)
    return replace(before, end_s=after.end_s, rpm=longer.rpm if longer.rpm is not None else before.rpm)


def _merged(spans: list[Span]) -> tuple[Span, ...]:
    """Quiet stretches one after the other as one."""
    out = spans[:1]
    for span in spans[1:]:
        if out[-1].kind == span.kind == "quiet":
            out[-1] = replace(out[-1], end_s=span.end_s)
        else:
            out.append(span)
    return tuple(out)
