"""The speeds a run held, where it was not at one speed: throttle moved, or a load that pulled it far down.

A moment is held where the speed about it, over `held_window_s`, stays within `held_within_percent`: the speed runs
through a moved throttle's change in less. Held moments in a row are one speed, and so are those after a change smaller
than a throttle movement (`load_percent`), such as a load step. None goes on over a standstill, through a time in which
the engine was revved, or through a slow, large change (see `drift`): what is before such and after is held by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from enginelog.findings import doubling
from enginelog.findings.drift import Drift, slopes
from enginelog.findings.series import Series, by_window, half_window, running_median
from enginelog.limits import LimitSet
from enginelog.model import HeldSpeed, Speed, ThrottleMove, Track

SMOOTHED_S = 0.3  # median over which a speed is read, so that single frames do not count
ENDS = (5.0, 95.0)  # percentiles taken for the ends of a run's speeds


@dataclass(frozen=True)
class _Frames:
    """Known frames of all runs, run-up left out. All shape (n,); `held`: whether the speed stays about there; `run`:
    which of the runs."""

    t_s: np.ndarray
    rpm: np.ndarray
    confidence: np.ndarray
    held: np.ndarray
    run: np.ndarray


def told_speed(
    speed: Speed,
    track: Track,
    runs: list[Series],
    moves: tuple[ThrottleMove, ...],
    hunts: bool,
    trust: float,
    most: float,
    limits: LimitSet,
    drifts: Sequence[Drift] = (),
) -> Speed:
    """The speed as it is told: `with_changes`, the confidence of each speed held times `trust` (0..1, in the recording)
    and at most `most` (that there was an engine); less sure where it goes to just twice or half, as some of `moves` of
    the throttle or between speeds held (see `doubling`).

    A median too unsure to be told (`Speed.told`) says nothing of the speeds held beside it: those of a run that held
    several, each of which is sure, are told where it surely was an engine (music holds its notes, too). Else none is.
    """
    changed = with_changes(speed, track, runs, hunts, limits, drifts)
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


def with_changes(
    speed: Speed, track: Track, runs: list[Series], hunts: bool, limits: LimitSet, drifts: Sequence[Drift] = ()
) -> Speed:
    """`speed` with `range_low_rpm`, `range_high_rpm` and `held` filled in where the run was not at one speed. runs: the
    clean speed of each run, run-up left out, in order of time; drifts: slow, large changes in them.

    Not where the speed is not known, nor where it hunts: then the middle of the swing is the speed. A speed that is
    held nowhere may as well be misread.
    """
    if speed.rpm is None or hunts:
        return speed
    frames = _frames(track, runs, limits)
    if len(frames.t_s) < 2:
        return speed
    held = _held(frames, float(np.median(np.diff(track.t_s))), drifts, limits)
    low, high = np.percentile(frames.rpm, ENDS)
    apart = any(_far_apart(one.rpm, other.rpm, limits) for one, other in pairwise(held))
    if not held or not (apart or drifts or _far_apart(low, high, limits)):
        return speed
    levels = [float(low), float(high), *(one.rpm for one in held)]
    return replace(speed, range_low_rpm=min(levels), range_high_rpm=max(levels), held=held)


def _frames(track: Track, runs: list[Series], limits: LimitSet) -> _Frames:
    nothing = _Frames(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, bool), np.zeros(0, int))
    parts = [nothing, *(_of_run(k, series, track, limits) for k, series in enumerate(runs))]
    return _Frames(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(_Frames)))


def _of_run(k: int, series: Series, track: Track, limits: LimitSet) -> _Frames:
    half = half_window(SMOOTHED_S, series.step_s, 1)
    rpm = np.where(series.known, running_median(series.rpm, half), np.nan)
    known = np.isfinite(rpm)
    confidence = np.interp(series.t_s, track.t_s, np.nan_to_num(track.confidence))
    held, run = _stays(rpm, series.step_s, limits), np.full(len(rpm), k)
    return _Frames(series.t_s[known], rpm[known], confidence[known], held[known], run[known])


def _stays(rpm: np.ndarray, step_s: float, limits: LimitSet) -> np.ndarray:
    """True where the speed about a moment is known for half of the window and stays within the band."""
    within = 1 + limits.value("held_within_percent") / 100

    def stay(windows: np.ndarray) -> np.ndarray:
        known = np.isfinite(windows)
        low = np.min(windows, axis=1, initial=np.inf, where=known)
        high = np.max(windows, axis=1, initial=0.0, where=known)
        return (np.mean(known, axis=1) >= 0.5) & (high <= low * within)

    return by_window(rpm, half_window(limits.value("held_window_s"), step_s, 1), stay).astype(bool)


def _held(frames: _Frames, step_s: float, drifts: Sequence[Drift], limits: LimitSet) -> tuple[HeldSpeed, ...]:
    """Speeds held for long enough, in order of time."""
    drifting = np.zeros(len(frames.t_s), bool)
    for drift in drifts:
        drifting |= (frames.t_s > drift.from_s) & (frames.t_s < drift.to_s)
    at = np.flatnonzero(frames.held & ~drifting)
    apart = (np.diff(at) > 1) | (np.diff(frames.t_s[at]) > 2.5 * step_s)
    pieces = np.split(at, np.flatnonzero(apart) + 1) if len(at) else []
    pieces = _joined(pieces, frames, drifting, limits.value("held_window_s"), limits.value("held_within_percent"))
    pieces = [part for piece in pieces for part in _levels(piece, frames, step_s, limits)]
    least = limits.value("held_least_s") / step_s
    pieces = [piece for piece in pieces if len(piece) >= least and not _drifts(frames.rpm[piece], limits)]
    pieces = _joined(pieces, frames, drifting, np.inf, limits.value("load_percent"))
    return tuple(_told(frames, piece, step_s, 0.5 * limits.value("held_window_s")) for piece in pieces)


def _joined(
    pieces: list[np.ndarray], frames: _Frames, drifting: np.ndarray, gap_s: float, percent: float
) -> list[np.ndarray]:
    """Neighbouring pieces joined where they are no farther apart than this in time and in speed, of one run, and with
    nothing between that is another speed. drifting (n,): frames of slow, large changes."""
    joined: list[np.ndarray] = []
    for piece in pieces:
        if joined and frames.t_s[piece[0]] - frames.t_s[joined[-1][-1]] <= gap_s:
            speeds = [float(np.median(frames.rpm[part])) for part in (joined[-1], piece)]
            near = max(speeds) < min(speeds) * (1 + percent / 100)
            if near and _goes_on(frames, slice(joined[-1][-1], piece[0] + 1), drifting, speeds, percent):
                joined[-1] = np.concatenate([joined[-1], piece])
                continue
        joined.append(piece)
    return joined


def _goes_on(frames: _Frames, between: slice, drifting: np.ndarray, speeds: list[float], percent: float) -> bool:
    """Whether one run goes on between two pieces of it, and at no other speed than theirs, give or take
    `percent`."""
    if frames.run[between.start] != frames.run[between.stop - 1] or drifting[between].any():
        return False
    rpm, wide = frames.rpm[between], 1 + percent / 100
    return not ((rpm < min(speeds) / wide) | (rpm > max(speeds) * wide)).any()


def _levels(piece: np.ndarray, frames: _Frames, step_s: float, limits: LimitSet) -> list[np.ndarray]:
    """The levels of a piece that is held at each moment but goes as far as a moved throttle: a change too slow to leave
    the band and too quick or too roughly read to be told as a slow one."""
    slow = running_median(frames.rpm[piece], half_window(limits.value("drift_seen_s"), step_s, 1))
    found = slopes(slow, limits.value("load_percent"), limits.value("drift_level_percent"))
    begins = [0, *(slope.comes for slope in found)]
    ends = [*(slope.leaves + 1 for slope in found), len(piece)]
    return [piece[begin:end] for begin, end in zip(begins, ends, strict=True)]


def _told(frames: _Frames, piece: np.ndarray, step_s: float, reach_s: float) -> HeldSpeed:
    """reach_s: half of the window over which the speed stays about that of a held moment."""
    own = frames.t_s[frames.run == frames.run[piece[0]]]
    first = np.searchsorted(own, frames.t_s[piece[0]] - reach_s)
    last = np.searchsorted(own, frames.t_s[piece[-1]] + reach_s, side="right") - 1
    return HeldSpeed(
        rpm=float(np.median(frames.rpm[piece])),
        start_s=float(max(own[first] - 0.5 * step_s, 0.0)),
        end_s=float(own[last] + 0.5 * step_s),
        confidence=float(np.mean(frames.confidence[piece])),
    )


def _drifts(rpm: np.ndarray, limits: LimitSet) -> bool:
    """Whether a piece, held at each moment, ends at another speed than it began at."""
    low, high = np.percentile(rpm, ENDS)
    return _far_apart(low, high, limits)


def _far_apart(first: float, second: float, limits: LimitSet) -> bool:
    """Whether two speeds differ as much as those before and after a throttle movement."""
    return bool(max(first, second) / min(first, second) >= 1 + limits.value("load_percent") / 100)
