"""The one figure of the run: the median speed over running, and how far it can be trusted."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span, Speed, Track


def summarise(track: Track, spans: tuple[Span, ...], limits: LimitSet, trust: float = 1.0) -> Speed:
    """Median speed over the run spans and its 95 % interval (of the median of this run, as measured from this sound).

    The first `run_up_s` of each run span are left out. Without a known frame every number is None.
    """
    inside = np.zeros(len(track.t_s), bool)
    for span in spans:
        if span.kind == "run":
            run_up = min(limits.value("run_up_s"), 0.3 * (span.end_s - span.start_s))
            inside |= (track.t_s >= span.start_s + run_up) & (track.t_s <= span.end_s)
    known = inside & np.isfinite(track.rpm)
    if not known.any():
        return Speed(None, None, None, None, 0.0)
    rpm = track.rpm[known]
    middle = float(np.median(rpm))
    half = _half_width(track, known, limits)
    confidence = trust * float(np.mean(track.confidence[known])) * float(np.mean(known[inside])) ** 0.5
    return Speed(middle, middle - half, middle + half, None, float(np.clip(confidence, 0.0, 1.0)))


def _half_width(track: Track, known: np.ndarray, limits: LimitSet) -> float:
    """1.96 standard deviations of the median; neighbouring frames share their sound, so fewer count."""
    count = known.sum() / limits.value("frames_per_measurement")
    std = float(np.sqrt(np.mean(track.rpm_std[known] ** 2)))
    return limits.value("interval_factor") * 1.96 * std / np.sqrt(max(count, 1.0))
