"""When the machine stood still: the end of each run-down, by the beat of its compressions and by the fading sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span, Track
from enginelog.timeline.coasting import Coast, coast
from enginelog.timeline.states import Views
from enginelog.timeline.traces import Levels


def stopped(
    spans: tuple[Span, ...], levels: Levels, track: Track, seen: Views, limits: LimitSet
) -> tuple[tuple[Span, ...], float | None]:
    """The spans with each run-down ended where the compressions say, and the length of the last one that is sure."""
    out, sure = list(spans), None
    for start_s in [span.start_s for span in spans if span.kind == "run"]:
        number = next(i for i, span in enumerate(out) if span.kind == "run" and abs(span.start_s - start_s) < 1e-6)
        if number + 1 < len(out) and out[number + 1].kind in ("rundown", "quiet"):
            out, sure = _stop(out, number, levels, track, seen, limits)
        elif number + 1 == len(out):
            sure = None
    return tuple(out), sure


def _stop(spans: list[Span], run: int, levels, track, seen, limits: LimitSet) -> tuple[list[Span], float | None]:
    """The stretch after run number `run` (run-down and quiet, up to the next pull or run) divided anew."""
    after = run + 1
    while after < len(spans) and spans[after].kind in ("rundown", "quiet"):
        after += 1
    end_s, until_s = spans[run].end_s, spans[after - 1].end_s
    told = sum(span.end_s - span.start_s for span in spans[run + 1 : after] if span.kind == "rundown")
    longest = min(limits.value("coast_longest_s"), max(until_s - end_s, limits.value("coast_shortest_s")))
    found = coast(levels, end_s, firing_hz_before(track, end_s, seen), longest, limits)
    stand = standstill(found, told, limits)
    if stand is None:
        return spans, None
    cut_s, stop_s = stand
    down = Span("rundown", cut_s, min(stop_s, until_s), last_rpm(track, cut_s))
    heard = until_s - down.end_s >= limits.value("least_rest_s")
    rest = [Span("quiet", down.end_s, until_s)] if until_s > down.end_s + 0.02 else []
    run_span = replace(spans[run], end_s=cut_s)
    return [*spans[:run], run_span, down, *rest, *spans[after:]], stop_s - cut_s if heard else None


def standstill(found: Coast | None, told_s: float, limits: LimitSet) -> tuple[float, float] | None:
    """(cut, standstill) from the beat of the compressions; None where unsure.

    A beat that is very clear counts alone; a clear one where the fading sound told nothing or about the same.
    """
    if found is None or found.clearness < limits.value("coast_clear"):
        return None
    agrees = told_s <= 0 or abs(np.log(found.seconds / told_s)) < limits.value("coast_agrees")
    sure = agrees or found.clearness >= limits.value("coast_sure")
    return (found.cut_s, found.cut_s + found.seconds) if sure else None


def firing_hz_before(track: Track, cut_s: float, seen: Views) -> float:
    """Firings a second in the half second before the cut, along the tracked path."""
    rows = (track.t_s > cut_s - 0.6) & (track.t_s < cut_s - 0.1)
    if seen.firing_hz is None or not rows.any():
        return 0.0
    return float(np.exp(np.median(np.log(seen.firing_hz[rows]))))


def last_rpm(track: Track, cut_s: float) -> float | None:
    """Median speed of the last 0.4 s before the cut, None where it is not known."""
    near = track.rpm[(track.t_s > cut_s - 0.4) & (track.t_s <= cut_s)]
    return float(np.nanmedian(near)) if np.isfinite(near).any() else None
