"""When the machine stood still: the end of each run-down, by the beat of its compressions and by the fading sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Engine, RunDown, Span, Track
from enginelog.timeline.coasting import Coast, coast
from enginelog.timeline.silence import Silent, sound_until
from enginelog.timeline.states import Views
from enginelog.timeline.traces import Levels


def stopped(
    spans: tuple[Span, ...],
    levels: Levels,
    track: Track,
    seen: Views,
    engine: Engine,
    limits: LimitSet,
    silent: Silent = (),
) -> tuple[tuple[Span, ...], tuple[RunDown, ...], float | None]:
    """The spans with each run-down begun and ended where the compressions say, what they say of each, and the length of
    the last one that is sure. None is looked for where the sound is missing (`silent`)."""
    out, downs, sure = list(spans), [], None
    for start_s in [span.start_s for span in spans if span.kind == "run"]:
        number = next(i for i, span in enumerate(out) if span.kind == "run" and abs(span.start_s - start_s) < 1e-6)
        sure = None
        if number + 1 < len(out) and out[number + 1].kind in ("rundown", "quiet"):
            until_s = _heard_until(out, number, silent)
            found = _coast(out[number].end_s, until_s, levels, track, seen, limits)
            if sound_until(out[number].end_s, silent) - out[number].end_s < 2 * limits.value("coast_shortest_s"):
                found = None  # what follows is the edge of a silence
            fits = found is not None and fits_run(found, out[number], track.t_s, seen, limits)
            down = run_down(found, fits, out[number].end_s, engine, limits)
            downs.append(down)
            if found is not None and fits:
                out, seconds = _divided(out, number, found, until_s, track, limits)
                sure = seconds if down.clear and found.seconds_chance >= limits.value("coast_told") else None
    return tuple(out), tuple(downs), sure


def _past(spans: list[Span], run: int) -> int:
    """Number of the span after the run-down and the quiet that follow run number `run`."""
    after = run + 1
    while after < len(spans) and spans[after].kind in ("rundown", "quiet"):
        after += 1
    return after


def _heard_until(spans: list[Span], run: int, silent: Silent) -> float:
    """Until when the run-down and the quiet that follow run number `run` are heard."""
    return min(spans[_past(spans, run) - 1].end_s, sound_until(spans[run].end_s, silent))


def _coast(end_s: float, until_s: float, levels: Levels, track: Track, seen: Views, limits: LimitSet) -> Coast | None:
    """How it coasted after a run that ends at `end_s`, within the run-down and quiet that are heard until `until_s`."""
    if seen.firing_hz is None:
        return None
    longest = min(limits.value("coast_longest_s"), max(until_s - end_s, limits.value("coast_shortest_s")))
    return coast(levels, end_s, track.t_s, seen.firing_hz, longest, limits)


def _divided(
    spans: list[Span], run: int, found: Coast, heard_until_s: float, track: Track, limits: LimitSet
) -> tuple[list[Span], float | None]:
    """A run and what follows it divided anew by a coast, and its length where rest is heard after it."""
    after = _past(spans, run)
    cut_s, until_s = found.cut_s, spans[after - 1].end_s
    down = Span("rundown", cut_s, min(cut_s + found.seconds, heard_until_s), last_rpm(track, cut_s))
    rest = [Span("quiet", down.end_s, until_s)] if until_s > down.end_s + 0.02 else []
    out = [*spans[:run], replace(spans[run], end_s=cut_s), down, *rest, *spans[after:]]
    return out, found.seconds if heard_until_s - down.end_s >= limits.value("least_rest_s") else None


def fits_run(found: Coast, run: Span, t_s: np.ndarray, seen: Views, limits: LimitSet) -> bool:
    """Whether the beat of a coast stands out, tells when it began, and no engine is heard from then on."""
    stands_out = found.clearness >= limits.value("coast_clear") and found.cut_chance >= limits.value("coast_divides")
    return (
        stands_out and found.cut_s > run.start_s and fall(seen.engine, t_s, found.cut_s) >= limits.value("coast_fall")
    )


def fall(engine: np.ndarray, t_s: np.ndarray, end_s: float) -> float:
    """By how much the mean logit of an engine is lower from 0.4 to 1.6 s after than from 1.2 to 0.2 s before; 0 where
    one is missing."""
    before = engine[(t_s > end_s - 1.2) & (t_s < end_s - 0.2)]
    after = engine[(t_s > end_s + 0.4) & (t_s < end_s + 1.6)]
    return float(before.mean() - after.mean()) if len(before) and len(after) else 0.0


def run_down(found: Coast | None, fits: bool, end_s: float, engine: Engine, limits: LimitSet) -> RunDown:
    """What a coast says of the end of a run, which it `fits` or else seems to end at `end_s`; no speed where its cut is
    not sure."""
    if found is None:
        return RunDown(end_s, None, None, False, *np.empty((4, 0)))
    clear = fits and found.cut_chance >= limits.value("coast_cut_told")
    known = clear & (found.firing_hz > limits.value("coast_slowest") * np.max(found.firing_hz, initial=0.0))
    rpm = np.where(known, found.firing_hz / engine.firing_hz_per_rpm, np.nan)
    what = (found.t_s, rpm, found.spread * rpm, found.chance * known)
    return RunDown(found.cut_s if fits else end_s, found.cut_s, found.cut_chance, clear, *what)


def last_rpm(track: Track, cut_s: float) -> float | None:
    """Median speed of the last 0.4 s before the cut, None where it is not known."""
    near = track.rpm[(track.t_s > cut_s - 0.4) & (track.t_s <= cut_s)]
    return float(np.nanmedian(near)) if np.isfinite(near).any() else None
