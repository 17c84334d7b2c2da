"""The speed after the ignition went off.

The windows that a speed is read in take its last firings for its present: the track of an engine that was cut runs on
level, or rises to where the sounds of the coasting machine happen to beat, while nothing drives it. After the cut the
speed is therefore that of the coast, which falls, where the beat of the compressions tells it, and else unknown.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RunDown, Timeline, Track

# Before the cut, in which the speed it fell from is looked for: so long that some frames lie before any cut there may
# have been, which is known to a tenth of a second or two. The picture's band asks only how far the cut blurs it
# (`plots.speed`), the mean of the trials only how far these are apart (`timeline.coasting`).
ABOUT_S = 0.4


def coasted(track: Track, timeline: Timeline, limits: LimitSet) -> Track:
    """The track with the speeds of each run-down, from the cut on until the next pull or run.

    From a little before it: the last firings share their windows with what comes after, and the cut itself is known to
    a tenth of a second or two.
    """
    if not timeline.downs:  # hours of track are not copied for nothing
        return track
    columns = [track.rpm.copy(), track.rpm_std.copy(), track.confidence.copy()]
    for down in timeline.downs:
        since_s = down.cut_s - limits.value("before_clear_cut_s" if down.clear else "before_cut_s")
        before = (track.t_s > down.cut_s - ABOUT_S) & (track.t_s <= since_s)
        if not down.clear:
            since_s = min(since_s, _rises_s(track, before, limits.value("coast_rise")))
        frames = (track.t_s > since_s) & (track.t_s < _until_s(timeline, down.cut_s))
        most = np.min(track.rpm[before], initial=np.inf, where=np.isfinite(track.rpm[before])) * (
            1.0 + limits.value("coast_rise")
        )
        _put(columns, track.t_s, frames, down, limits.value("least_confidence_coasting"), most)
    rpm, std, confidence = columns
    return replace(track, rpm=rpm, rpm_std=std, confidence=confidence)


def _rises_s(track: Track, rows: np.ndarray, rise: float) -> float:
    """Just before the speed among some rows (mask) of the track lies more than the share `rise` above what it was."""
    rpm = np.where(np.isfinite(track.rpm[rows]), track.rpm[rows], np.inf)
    risen = np.isfinite(rpm) & (rpm > (1.0 + rise) * np.minimum.accumulate(rpm))
    return float(track.t_s[rows][risen][0]) - 1e-6 if risen.any() else np.inf


def _until_s(timeline: Timeline, cut_s: float) -> float:
    """When something drives the crank again."""
    later = (span.start_s for span in timeline.spans if span.kind in ("run", "pull") and span.start_s > cut_s)
    return min(later, default=np.inf)


def _put(
    columns: list[np.ndarray], t_s: np.ndarray, frames: np.ndarray, down: RunDown, least: float, most_rpm: float
) -> None:
    """Write what is known of a run-down into speed, deviation and confidence of the `frames` (mask) at `t_s`: what is
    likely enough, and no faster than `most_rpm`."""
    rows = np.searchsorted(t_s, down.t_s)
    known = (down.confidence >= least) & frames[rows] & (down.rpm <= most_rpm)
    told = (down.rpm, np.nan), (down.rpm_std, np.nan), (down.confidence, 0.0)
    for column, (values, unknown) in zip(columns, told, strict=True):
        column[frames] = unknown
        column[rows[known]] = values[known]
