"""The speeds a run held, where it was not at one speed: throttle moved, or a load that pulled it far down.

A moment is held where the speed about it, over `held_window_s`, stays within `held_within_percent`: the speed runs
through a moved throttle's change in less. Held moments in a row are one speed, and so are those after a change smaller
than a throttle movement (`load_percent`), such as a load step.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings import doubling
from enginelog.findings.series import Series, by_window, half_window, running_median
from enginelog.limits import LimitSet
from enginelog.model import HeldSpeed, Speed, ThrottleMove, Track

SMOOTHED_S = 0.3  # median over which a speed is read, so that single frames do not count
ENDS = (5.0, 95.0)  # percentiles taken for the ends of a run's speeds


@dataclass(frozen=True)
class _Frames:
    """Known frames of all runs, run-up left out. All shape (n,); `held`: whether the speed stays about there."""

    t_s: np.ndarray
    rpm: np.ndarray
    confidence: np.ndarray
    held: np.ndarray


def told_speed(
    speed: Speed,
    track: Track,
    runs: list[Series],
    moves: tuple[ThrottleMove, ...],
    hunts: bool,
    trust: float,
    most: float,
    limits: LimitSet,
) -> Speed:
    """The speed as it is told: `with_changes`, the confidence of each speed held times `trust` (0..1, in the recording)
    and at most `most` (that there was an engine); less sure where it goes to just twice or half, as some of `moves` of
    the throttle or between speeds held (see `doubling`).

    A median too unsure to be told (`Speed.told`) says nothing of the speeds held beside it: those of a run that held
    several, each of which is sure, are told where it surely was an engine (music holds its notes, too). Else none is.
    """
    changed = with_changes(speed, track, runs, hunts, limits)
    if changed.changed:
        held = tuple(replace(one, confidence=min(one.confidence * trust, most)) for one in changed.held)
        least = min(one.confidence for one in held)
        # Where another speed sounds nearly the same none is surer than the median was told to be.
        least = least if speed.or_rpm is None else min(least, speed.confidence)
        changed = replace(changed, held=held, confidence=least)
        changed = doubling.doubted_speed(changed, doubling.doubted(held, moves, track, limits), limits)
    if speed.told:
        return changed
    several = len(changed.held) > 1 and changed.or_rpm is None and most >= limits.value("said_engine_confidence")
    sure = several and changed.sure(limits.value("said_speed_confidence"))
    return replace(changed, told=True) if sure else Speed.unknown()


def with_changes(speed: Speed, track: Track, runs: list[Series], hunts: bool, limits: LimitSet) -> Speed:
    """`speed` with `range_low_rpm`, `range_high_rpm` and `held` filled in where the run was not at one speed. runs: the
    clean speed of each run, run-up left out, in order of time.

    Not where the speed is not known, nor where it hunts: then the middle of the swing is the speed. A speed that is
    held nowhere may as well be misread.
    """
    if speed.rpm is None or hunts:
        return speed
    frames = _frames(track, runs, limits)
    if len(frames.t_s) < 2:
        return speed
    held = _held(frames, float(np.median(np.diff(track.t_s))), limits)
    low, high = np.percentile(frames.rpm, ENDS)
    if len(held) < 2 and not (held and _far_apart(low, high, limits)):
        return speed
    levels = [float(low), float(high), *(one.rpm for one in held)]
    return replace(speed, range_low_rpm=min(levels), range_high_rpm=max(levels), held=held)


def _frames(track: Track, runs: list[Series], limits: LimitSet) -> _Frames:
    parts = [_of_run(series, track, limits) for series in runs]
    nothing = _Frames(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, bool))
    columns = [[getattr(part, name) for part in (nothing, *parts)] for name in ("t_s", "rpm", "confidence", "held")]
    return _Frames(*(np.concatenate(column) for column in columns))


def _of_run(series: Series, track: Track, limits: LimitSet) -> _Frames:
    half = half_window(SMOOTHED_S, series.step_s, 1)
    rpm = np.where(series.known, running_median(series.rpm, half), np.nan)
    known = np.isfinite(rpm)
    confidence = np.interp(series.t_s, track.t_s, np.nan_to_num(track.confidence))
    return _Frames(series.t_s[known], rpm[known], confidence[known], _stays(rpm, series.step_s, limits)[known])


def _stays(rpm: np.ndarray, step_s: float, limits: LimitSet) -> np.ndarray:
    """True where the speed about a moment is known for half of the window and stays within the band."""
    within = 1 + limits.value("held_within_percent") / 100

    def stay(windows: np.ndarray) -> np.ndarray:
        known = np.isfinite(windows)
        low = np.min(windows, axis=1, initial=np.inf, where=known)
        high = np.max(windows, axis=1, initial=0.0, where=known)
        return (np.mean(known, axis=1) >= 0.5) & (high <= low * within)

    return by_window(rpm, half_window(limits.value("held_window_s"), step_s, 1), stay).astype(bool)


def _held(frames: _Frames, step_s: float, limits: LimitSet) -> tuple[HeldSpeed, ...]:
    """Speeds held for long enough, in order of time."""
    at = np.flatnonzero(frames.held)
    apart = (np.diff(at) > 1) | (np.diff(frames.t_s[at]) > 2.5 * step_s)
    pieces = np.split(at, np.flatnonzero(apart) + 1) if len(at) else []
    pieces = _joined(pieces, frames, limits.value("held_window_s"), limits.value("held_within_percent"))
    least = limits.value("held_least_s") / step_s
    pieces = [piece for piece in pieces if len(piece) >= least and not _drifts(frames.rpm[piece], limits)]
    pieces = _joined(pieces, frames, np.inf, limits.value("load_percent"))
    return tuple(_told(frames, piece, step_s, 0.5 * limits.value("held_window_s")) for piece in pieces)


def _joined(pieces: list[np.ndarray], frames: _Frames, gap_s: float, percent: float) -> list[np.ndarray]:
    """Neighbouring pieces joined where they are no farther apart than this in time and in speed."""
    joined: list[np.ndarray] = []
    for piece in pieces:
        if joined and frames.t_s[piece[0]] - frames.t_s[joined[-1][-1]] <= gap_s:
            speeds = [float(np.median(frames.rpm[part])) for part in (joined[-1], piece)]
            if max(speeds) < min(speeds) * (1 + percent / 100):
                joined[-1] = np.concatenate([joined[-1], piece])
                continue
        joined.append(piece)
    return joined


def _told(frames: _Frames, piece: np.ndarray, step_s: float, reach_s: float) -> HeldSpeed:
    """reach_s: half of the window over which the speed stays about that of a held moment."""
    t_s = frames.t_s
    first = np.searchsorted(t_s, t_s[piece[0]] - reach_s)
    last = np.searchsorted(t_s, t_s[piece[-1]] + reach_s, side="right") - 1
    return HeldSpeed(
        rpm=float(np.median(frames.rpm[piece])),
        start_s=float(max(t_s[first] - 0.5 * step_s, 0.0)),
        end_s=float(t_s[last] + 0.5 * step_s),
        confidence=float(np.mean(frames.confidence[piece])),
    )


def _drifts(rpm: np.ndarray, limits: LimitSet) -> bool:
    """Whether a piece, held at each moment, ends at another speed than it began at."""
    low, high = np.percentile(rpm, ENDS)
    return _far_apart(low, high, limits)


def _far_apart(first: float, second: float, limits: LimitSet) -> bool:
    """Whether two speeds differ as much as those before and after a throttle movement."""
    return bool(max(first, second) / min(first, second) >= 1 + limits.value("load_percent") / 100)
