"""Where the speed begins to fall for good before a run seems to end: there it stopped firing.

The beat goes on while an engine coasts, so that a run may seem to go on for some tenths of a second after its cut, or
to the end of a recording that was stopped meanwhile. A governor, a load or a lost firing lets the speed fall too, but
not to the end of the run, and not as far.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.spread import MAD
from enginelog.limits import LimitSet
from enginelog.model import Span, Track
from enginelog.timeline.silence import Silent, at_edge

LOOK_S = 4.0  # before the end of a run: most of it is before the fall
EDGE_S = 0.3  # about missing sound, which ends a run without any fall
UNEVEN = 0.01  # of the speed, by which a fall may seem to rise again: the last windows hold less sound
STEP = 0.0015  # of the speed: a frame that is lower than the one before by this much belongs to the fall
SPREADS = 4.0  # a fall is farther than this many standard deviations of the speed before it


def ended_at_falls(
    spans: tuple[Span, ...], rundown_s: float | None, track: Track, limits: LimitSet, silent: Silent = ()
) -> tuple[tuple[Span, ...], float | None]:
    """The spans with each run ended where its speed begins to fall for good, the rest of it a run-down, and the time to
    standstill of the last one, longer by what its cut is earlier."""
    out: list[Span] = []
    for number, span in enumerate(spans):
        after = spans[number + 1] if number + 1 < len(spans) else None
        fallen_s = None
        if span.kind == "run" and (after is None or after.kind in ("rundown", "quiet")):
            edge = at_edge(span.end_s, silent, EDGE_S, EDGE_S)
            fallen_s = None if edge else falls_from(span, track, limits, after is None)
        if out and out[-1].kind == span.kind == "rundown":
            out[-1] = replace(out[-1], end_s=span.end_s)
        elif fallen_s is None:
            out.append(span)
        else:
            earlier_s = span.end_s - fallen_s
            out += [replace(span, end_s=fallen_s), Span("rundown", fallen_s, span.end_s, span.rpm)]
            rundown_s = None if rundown_s is None or _ran_again(spans, number) else rundown_s + earlier_s
    return tuple(out), rundown_s


def _ran_again(spans: tuple[Span, ...], number: int) -> bool:
    return any(span.kind == "run" for span in spans[number + 1 :])


def falls_from(run: Span, track: Track, limits: LimitSet, to_the_end: bool) -> float | None:
    """When the speed begins to fall until the end of a run; None where it does not. to_the_end: the recording ends with
    the run, where a load or the throttle may have begun such a fall as well, so that it has to be deeper."""
    first, past = np.searchsorted(track.t_s, [max(run.start_s, run.end_s - LOOK_S), run.end_s])
    known = np.isfinite(track.rpm[first:past]) & (track.confidence[first:past] >= limits.value("fall_confidence"))
    t_s, rpm = track.t_s[first:past][known], np.asarray(track.rpm[first:past][known], float)
    if len(rpm) < 20:
        return None
    level = float(np.median(rpm))
    spread = MAD * float(np.median(np.abs(rpm / level - 1)))
    near = np.flatnonzero(rpm >= level * (1 - max(SPREADS * spread, 0.005)))
    last = int(near[-1]) if len(near) else 0
    fall = 1 - rpm[last:] / level
    least = limits.value("fall_least_at_end" if to_the_end else "fall_least")
    if last == len(rpm) - 1 or spread > limits.value("fall_spread") or fall.max() < max(least, SPREADS * spread):
        return None
    rises = np.max(np.maximum.accumulate(fall) - fall) > UNEVEN
    if rises or fall.max() < limits.value("fall_rate") * (t_s[-1] - t_s[last]):
        return None
    while last > 0 and rpm[last - 1] - rpm[last] > STEP * level:
        last -= 1
    hop_s = float(track.t_s[1] - track.t_s[0])
    begun_s = float(t_s[last]) + hop_s / 2
    return begun_s if run.start_s + LOOK_S / 2 < begun_s < run.end_s - hop_s / 2 else None
