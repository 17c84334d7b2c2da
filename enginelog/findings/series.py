"""The speed of one run as a clean, evenly spaced series: false frames out, run-up out, gaps marked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.dsp.spread import MAD
from enginelog.limits import LimitSet
from enginelog.model import Firings, Span, Timeline, Track

AT_ONCE = 5000  # windows looked at together
RUNNING_FROM_THE_START_S = 0.3  # a run that begins this early was on before the recording was


@dataclass(frozen=True)
class Series:
    """Speed over one run, evenly spaced. `rpm` is NaN where unknown; `window_s` is how long a time each value
    averages: exactly where `window_known`, else at most (the track looks closer where the sound allows).
    """

    t_s: np.ndarray
    rpm: np.ndarray
    step_s: float
    window_s: float
    window_known: bool = False

    @property
    def known(self) -> np.ndarray:
        return np.isfinite(self.rpm)

    @property
    def seconds(self) -> float:
        return len(self.t_s) * self.step_s

    @property
    def mean_rpm(self) -> float:
        """Median of the known values; NaN where there is none."""
        return float(np.median(self.rpm[self.known])) if self.known.any() else float("nan")

    def between(self, start_s: float, end_s: float) -> Series:
        """The values from `start_s` until before `end_s`: a view, since hours of them are cut many times."""
        inside = rows_within(self.t_s, start_s, end_s)
        return replace(self, t_s=self.t_s[inside], rpm=self.rpm[inside])


def rows_within(t_s: np.ndarray, start_s: float, end_s: float) -> slice:
    """The rows of ascending times t_s (n,) from `start_s` until before `end_s`."""
    first, past = np.searchsorted(t_s, [start_s, end_s])
    return slice(int(first), int(past))


def run_spans(timeline: Timeline, gap_s: float = 0.2) -> list[Span]:
    """Stretches in which the engine ran by itself, in order of time; stretches that touch are one."""
    joined: list[Span] = []
    for run in sorted((span for span in timeline.spans if span.kind == "run"), key=lambda span: span.start_s):
        if joined and run.start_s - joined[-1].end_s < gap_s:
            joined[-1] = Span("run", joined[-1].start_s, max(run.end_s, joined[-1].end_s), joined[-1].rpm)
        else:
            joined.append(run)
    return joined


def sounding(runs: list[Span], silent: tuple[tuple[float, float], ...]) -> list[Span]:
    """The runs in pieces, without the stretches (start, end in seconds, in order) in which there is no sound."""
    for start_s, end_s in silent:
        runs = [
            replace(run, start_s=first_s, end_s=past_s)
            for run in runs
            for first_s, past_s in ((run.start_s, min(run.end_s, start_s)), (max(run.start_s, end_s), run.end_s))
            if past_s > first_s
        ]
    return runs


def longest_run(timeline: Timeline) -> Span | None:
    """The longest stretch of running; None where there is none."""
    runs = run_spans(timeline)
    return max(runs, key=lambda span: span.end_s - span.start_s) if runs else None


def clean_series(track: Track, span: Span, limits: LimitSet) -> Series:
    """The trustworthy frames of one span; the rest NaN. Nothing is filled in."""
    inside = rows_within(track.t_s, span.start_s, span.end_s)
    t_s, rpm = track.t_s[inside], np.array(track.rpm[inside], float)
    rpm[~(track.confidence[inside] >= limits.value("track_confidence"))] = np.nan
    rpm[rpm <= 0] = np.nan
    step_s = float(np.median(np.diff(track.t_s))) if len(track.t_s) > 1 else 0.05
    rpm = _without_octave_slips(rpm, track.confidence[inside], step_s, limits)
    rpm = _without_jumps(rpm, step_s, limits)
    return Series(t_s, rpm, step_s, limits.value("track_window_s"))


def half_window(window_s: float, step_s: float, least: int) -> int:
    """Frames on either side of the middle one of a window, the nearest number: cut down, it would hang on the last bits
    of the frames' times."""
    return max(round(0.5 * window_s / step_s), least)


def _without_octave_slips(rpm: np.ndarray, confidence: np.ndarray, step_s: float, limits: LimitSet) -> np.ndarray:
    """Blank doubtful frames at 2, 3, 1/2 or 1/3 of the speed that holds around them for seconds."""
    half = half_window(limits.value("slip_window_s"), step_s, 2)
    ratio = np.abs(np.log2(rpm / running_median(rpm, half)))
    slip = np.minimum(np.abs(ratio - 1), np.abs(ratio - np.log2(3))) < limits.value("slip_octaves")
    return np.where(slip & (confidence < limits.value("slip_confidence")), np.nan, rpm)


def _without_jumps(rpm: np.ndarray, step_s: float, limits: LimitSet) -> np.ndarray:
    """Blank frames that stand far from the median of their surroundings (octave slips, single wild frames), but not a
    fall that frames beside it lead into or out of."""
    half = half_window(limits.value("outlier_window_s"), step_s, 2)
    middle = running_median(rpm, half)
    off = rpm / middle - 1
    spread = MAD * running_median(np.abs(off), 4 * half)
    bound = np.maximum(limits.value("outlier_sigmas") * spread, limits.value("outlier_percent") / 100)
    return np.where((np.abs(off) > bound) & ~_falls(off, bound, limits), np.nan, rpm)


def _falls(off: np.ndarray, bound: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Frames (mask) of real falls among those farther off than `bound`, a share of the speed: the frame before or after
    has part of the way behind it. off: shape (n,), share off the surroundings, NaN unknown.

    An engine that loses firings falls within a turn or two and is lifted again within a few, and a frame that averages
    over several more shows that as a course. A jump of the tracker has none; nor does anything lift an engine so soon.
    """
    known = np.flatnonzero(np.isfinite(off))
    share = off[known]
    first, past = rows_of_true(share < -bound[known])
    inside = (first > 0) & (past < len(known))  # at the ends of a run it may be a run-up or the stop
    first, past = first[inside], past[inside]
    part, most = limits.value("fall_part"), limits.value("fall_percent") / 100
    led = (share[first - 1] < part * share[first]) | (share[past] < part * share[past - 1])
    found = np.zeros(len(off), bool)
    for begin, end in zip(first[led], past[led], strict=True):
        found[known[begin:end]] = share[begin:end].min() >= -most
    return found


def running_median(x: np.ndarray, half: int) -> np.ndarray:
    """Median of the known values of x (n,) within `half` places either side, (n,); NaN where none is known."""
    return by_window(x, half, nanmedian_rows)


def by_window(x: np.ndarray, half: int, of_rows: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """`of_rows` of the windows (rows, 2 * half + 1) about each of x (n,), NaN beyond its ends: (n,).

    A part at a time: what is worked out of all windows of hours would be most of the memory used.
    """
    if len(x) == 0:
        return x
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(x, half, constant_values=np.nan), 2 * half + 1)
    return np.concatenate([of_rows(frames[first : first + AT_ONCE]) for first in range(0, len(frames), AT_ONCE)])


def nanmedian_rows(frames: np.ndarray) -> np.ndarray:
    """np.nanmedian of each row of `frames` (rows, n): (rows,), NaN where a row has none, without a warning."""
    ordered = np.sort(frames, axis=1)
    count = np.sum(np.isfinite(ordered), axis=1)
    rows = np.arange(len(ordered))
    low, high = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, count // 2 * (count > 0)]
    return np.where(count > 0, 0.5 * (low + np.where(count % 2 == 1, low, high)), np.nan)


def run_up_end(series: Series, limits: LimitSet) -> float:
    """Time at which the speed first comes within `run_up_percent` of what it holds in the seconds after.

    At most `run_up_max_s` after the start; the start itself where the run begins at speed.
    """
    if not series.known.any():
        return float(series.t_s[0]) if len(series.t_s) else 0.0
    start = float(series.t_s[0])
    last = start + limits.value("run_up_max_s")
    settled = series.between(last, last + limits.value("run_up_max_s"))
    target = settled.mean_rpm if settled.known.sum() >= 5 else series.mean_rpm
    near = series.known & (np.abs(series.rpm / target - 1) < limits.value("run_up_percent") / 100)
    first = series.t_s[near & (series.t_s <= last)]
    if len(first) == 0:
        return start
    moved = first[0] - start > 2 * series.step_s
    return float(first[0]) + (limits.value("run_up_rest_s") if moved else 0.0)


def settled_series(track: Track, span: Span, limits: LimitSet) -> Series:
    """The clean series of a span with its run-up left out."""
    return without_run_up(clean_series(track, span, limits), span, limits)


def without_run_up(series: Series, span: Span, limits: LimitSet) -> Series:
    """The clean `series` of a span with its run-up left out; a recording that begins with the engine running has none,
    whatever the throttle does in its first seconds."""
    if len(series.t_s) == 0 or span.start_s <= RUNNING_FROM_THE_START_S:
        return series
    return series.between(run_up_end(series, limits), span.end_s)


def event_series(firings: Firings, span: Span, revs_per_cycle: float, limits: LimitSet) -> Series:
    """Speed from the moments of the firings themselves: finer in time than the track, noisier in each value.

    rpm = 60 * (revolutions gained within the window) / window, by linear interpolation between opportunities;
    NaN where opportunities are more than three cycles apart.
    """
    window_s, step_s = limits.value("event_window_s"), limits.value("event_step_s")
    inside = rows_within(firings.t_s, span.start_s, span.end_s)
    t_s, revs = firings.t_s[inside], firings.revolutions[inside]
    if len(t_s) < 8:
        return Series(np.zeros(0), np.zeros(0), step_s, window_s)
    at = np.arange(t_s[0] + window_s / 2, t_s[-1] - window_s / 2, step_s)
    gained = np.interp(at + window_s / 2, t_s, revs) - np.interp(at - window_s / 2, t_s, revs)
    rpm = np.where(_covered(at, t_s, revs, window_s, revs_per_cycle), 60 * gained / window_s, np.nan)
    return Series(at, np.where(rpm > 0, rpm, np.nan), step_s, window_s, window_known=True)


def _covered(at: np.ndarray, t_s: np.ndarray, revs: np.ndarray, window_s: float, revs_per_cycle: float) -> np.ndarray:
    """True where no gap of more than three cycles touches the window."""
    gap = np.diff(revs) > 3 * revs_per_cycle
    bad = np.concatenate([[0], np.cumsum(gap)])
    low = np.searchsorted(t_s, at - window_s / 2, side="right") - 1
    high = np.minimum(np.searchsorted(t_s, at + window_s / 2, side="left"), len(t_s) - 1)
    return bad[high] == bad[np.maximum(low, 0)]
