"""Bangs in the exhaust: far louder than the firings about them, and over at once."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Pop, Span
from enginelog.timeline.activity import Activity

LOCAL = 101  # frames of 10 ms about a bang that it is compared with


def bangs(activity: Activity, spans: tuple[Span, ...], limits: LimitSet) -> tuple[Pop, ...]:
    """Bangs while running ("running"; "slowing" in its last half second) and after the ignition went off ("after_cut").

    After the cut a bang must be louder than the firings of the run were, or each compression would count as one.
    """
    found: list[Pop] = []
    usual = None
    for number, span in enumerate(spans):
        rows = np.flatnonzero((activity.t_s >= span.start_s) & (activity.t_s < span.end_s))
        if span.kind == "run" and len(rows) >= LOCAL:
            found += _running_bangs(activity, rows, span.end_s, number + 1 < len(spans), limits)
            usual = float(np.percentile(activity.peak_db[rows[-200:]].astype(np.float32), 95))
        elif usual is not None and span.kind != "pull" and len(rows) >= 3:
            found += _after_bangs(activity, rows[: int(100 * limits.value("afterfire_within_s"))], usual, limits)
        if span.kind in ("pull", "quiet"):
            usual = None
    return () if found and knocked_before(activity, spans, found, limits) else tuple(found)


def knocked_before(activity: Activity, spans: tuple[Span, ...], found: list[Pop], limits: LimitSet) -> bool:
    """Whether bangs as loud come as often in the quiet before the engine ran: then somebody hammers, and which bangs
    are the engine's cannot be told."""
    first_s = next((span.start_s for span in spans if span.kind == "run"), 0.0)
    calm = np.zeros(len(activity.t_s), bool)
    for span in spans:
        if span.kind == "quiet" and span.end_s <= first_s:
            calm |= (activity.t_s >= span.start_s) & (activity.t_s < span.end_s)
    rows = np.flatnonzero(calm)
    if len(rows) < LOCAL:
        return False
    peak = activity.peak_db.astype(np.float32)
    at = np.clip(np.searchsorted(activity.t_s, [pop.at_s for pop in found]), 0, len(peak) - 1)
    usual = float(np.percentile(peak[rows], 50)) + limits.value("pop_db")
    loud = max(float(np.median(peak[at])) - limits.value("knock_below_db"), usual)
    knocks = len(highest(peak[rows] - loud, 0.0))
    running_s = sum(span.end_s - span.start_s for span in spans if span.kind == "run")
    return knocks > 0 and knocks / len(rows) * 100 >= limits.value("knock_share") * len(found) / max(running_s, 1.0)


def _running_bangs(activity: Activity, rows: np.ndarray, end_s: float, ends: bool, limits: LimitSet) -> list[Pop]:
    from scipy.ndimage import percentile_filter

    peak = activity.peak_db[rows].astype(np.float32)
    over = peak - percentile_filter(peak, 95, size=LOCAL, mode="nearest")
    slowing = (activity.t_s[rows] > end_s - 0.5) & ends
    settled = activity.t_s[rows] > activity.t_s[rows[0]] + limits.value("run_up_pops_s")
    return [
        Pop(float(activity.t_s[rows[i]]), float(over[i]), "slowing" if slowing[i] else "running")
        for i in highest(over, limits.value("pop_db"))
        if settled[i]
    ]


def _after_bangs(activity: Activity, rows: np.ndarray, usual: float, limits: LimitSet) -> list[Pop]:
    over = activity.peak_db[rows].astype(np.float32) - usual
    return [
        Pop(float(activity.t_s[rows[i]]), float(over[i]), "after_cut")
        for i in highest(over, limits.value("afterfire_db"))
    ]


def highest(over: np.ndarray, least: float) -> np.ndarray:
    """Indices of the values of at least `least` that are the highest within 0.08 s."""
    from scipy.ndimage import maximum_filter1d

    return np.flatnonzero((over >= least) & (over == maximum_filter1d(over, 17)))
