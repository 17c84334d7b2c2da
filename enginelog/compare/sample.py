"""One run made ready for comparing: its cleaned speed, its firings while running, and how to resample them."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from enginelog.compare.bootstrap import block_length, resampled_means, resampled_medians, widening
from enginelog.findings import misfire, patterns, series, steps
from enginelog.limits import LimitSet
from enginelog.model import Firings, Run

PIECE_S = 40.0  # longer stretches are freed of their slow course piece by piece


@dataclass(frozen=True)
class Sample:
    """What the measures of one run are taken from.

    rpm: speed of the longest run, run-up left out, known values only. wander_percent: deviation of the speed from its
    slow course between lasting changes, per cent of its mean; noise_percent: standard deviation of the measurement
    of those values. firings: while running smoothly (after a rough start) and judged; lost_chance: chance that each was
    lost, 0..1.
    drift_rpm: standard deviation of the speed's slow course. running_s: seconds of running in all. step_s: between
    values of the speed. freedom_hz: as how many independent values a second the wander may count at most.
    lost_length, lost_effect: over how many firings losses hang together at least, and how many times the variance of
    their share grows by it at least. left_out_s: seconds from the start of the run on that do not count; 0 where
    neither run of the pair started roughly.
    """

    run: Run
    limits: LimitSet
    cleaning: LimitSet
    rpm: np.ndarray
    wander_percent: np.ndarray
    noise_percent: float
    drift_rpm: float
    firings: Firings
    lost_chance: np.ndarray
    running_s: float
    step_s: float
    freedom_hz: float = float("inf")
    lost_length: float = 1.0
    lost_effect: float = 1.0
    left_out_s: float = 0.0

    def too_little(self, otherwise: str) -> str:
        """Why too little of this run is left to measure: for the other's rough start, where it had none itself and is
        long enough but for that; else `otherwise`, or that its own was not over."""
        if self.left_out_s > 0 and not self.run.measures.settling.found:
            return (
                f"the other run was rough for about its first {self.left_out_s:z.0f} s, so that these do not count here"
                " either, and too little is left: record this one for longer"
            )
        return f"{otherwise}, or the recording ends before the rough start is over"

    def chance(self, measure: str) -> np.random.Generator:
        """Random numbers for a measure: always the same for the same recording."""
        return np.random.default_rng([zlib.crc32(self.run.clip.sha256.encode()), zlib.crc32(measure.encode())])

    def means(self, measure: str, values: np.ndarray, least: float = 1.0) -> np.ndarray:
        """What the mean of `values` (n,) might be: (resamples,) by the stationary bootstrap (Politis & Romano 1994),
        spread out for few stretches.

        Their length is chosen from the autocorrelation of the values (`stretch_factor` times what the rule says), and
        at least `least`.
        """
        values = self._thinned(values)
        return self._drawn(measure, values, values, least, resampled_means)

    def medians(self, measure: str, values: np.ndarray, least: float = 1.0) -> np.ndarray:
        """As `means`, of the median; the autocorrelation is that of being above or below it."""
        values = self._thinned(values)
        return self._drawn(measure, values, (values > np.median(values)).astype(float), least, resampled_medians)

    def _drawn(
        self, measure: str, values: np.ndarray, telling: np.ndarray, least: float, draw: Callable[..., np.ndarray]
    ) -> np.ndarray:
        chosen = self.limits.value("stretch_factor") * block_length(telling)
        length = max(min(max(chosen, least), len(values) / 3), 1.0)
        found = draw(values, length, int(self.limits.value("draws")), self.chance(measure))
        middle = float(np.median(found))
        return middle + widening(len(values), length) * (found - middle)

    @property
    def stretch(self) -> float:
        """Values of the speed that stretches hold at least: dips of misfire and a governor's answer last that long."""
        return self.limits.value("stretch_s") / self.step_s

    def _thinned(self, values: np.ndarray) -> np.ndarray:
        """A long series as evenly spread stretches with `most_values` values in all."""
        most, count = int(self.limits.value("most_values")), int(self.limits.value("stretches"))
        if len(values) <= most:
            return values
        each = most // count
        starts = np.linspace(0, len(values) - each, count).astype(int)
        return np.concatenate([values[start : start + each] for start in starts])


def take(run: Run, limits: LimitSet, cleaning: LimitSet, left_out_s: float = 0.0) -> Sample:
    """The sample of a run. `limits`: topic compare; `cleaning`: topic findings, by which speed and firings are cleaned
    exactly as for the run's own findings. left_out_s: seconds from the start of the run on that do not count."""
    spans = series.run_spans(run.timeline)
    longest = series.longest_run(run.timeline)
    from_s = float("-inf") if longest is None or left_out_s <= 0 else longest.start_s + left_out_s
    speed = _no_speed() if longest is None else series.settled_series(run.track, longest, cleaning)
    speed = speed.between(from_s, float("inf"))
    wander, noise = _wander(run, speed, limits, cleaning)
    inside = misfire.in_spans(run.firings, spans) & (run.firings.t_s >= from_s)
    firings = misfire.take(run.firings, inside & misfire.judged(run.firings))
    return Sample(
        run=run,
        limits=limits,
        cleaning=cleaning,
        rpm=speed.rpm[speed.known],
        wander_percent=wander,
        noise_percent=noise,
        drift_rpm=_drift(speed, limits, cleaning),
        firings=firings,
        lost_chance=_lost_chance(run, firings, cleaning),
        running_s=float(sum(span.end_s - span.start_s for span in spans)),
        step_s=speed.step_s,
        left_out_s=left_out_s,
    )


def take_both(before: Run, after: Run, limits: LimitSet, cleaning: LimitSet) -> tuple[Sample, Sample]:
    """The samples of two runs, both from when either's rough start was surely over.

    Before that, what is measured hangs on how long was recorded; the rough start is a measure of its own. A run that
    ends sooner leaves an empty sample.
    """
    found = [run.measures.settling for run in (before, after)]
    rough = [one.settle_s for one in found if one.found and one.settle_s is not None]
    left_out_s = max(rough, default=0.0) * (1 + limits.value("settle_doubt"))
    return take(before, limits, cleaning, left_out_s), take(after, limits, cleaning, left_out_s)


def _no_speed() -> series.Series:
    return series.Series(np.zeros(0), np.zeros(0), 0.05, 0.35)


def _lost_chance(run: Run, firings: Firings, cleaning: LimitSet) -> np.ndarray:
    """The miss probabilities as the findings take them: a dead cylinder's and a regularly weak firing's set to 1."""
    if len(firings.t_s) < 2:
        return np.array(firings.miss_probability, float)
    turns = patterns.alternation(firings, cleaning)
    chance = patterns.with_dead_slots(run.engine, firings, cleaning)
    return patterns.with_turns(chance, turns) if turns.lost else chance


def _wander(run: Run, speed: series.Series, limits: LimitSet, cleaning: LimitSet) -> tuple[np.ndarray, float]:
    """Deviation from the slow course between lasting changes of speed, and the measurement's part of it, per cent.

    Single wild values are taken out by a running median over a quarter of a second, as for the run's own band.
    """
    parts = _level_parts(speed, cleaning)
    rests = [_rest(part, limits) for part in parts]
    if not rests:
        return np.zeros(0), float("nan")
    t_s, rpm = (np.concatenate([getattr(part, name)[part.known] for part in parts]) for name in ("t_s", "rpm"))
    std = np.interp(t_s, run.track.t_s, np.nan_to_num(run.track.rpm_std, nan=-1.0))
    told = std > 0
    noise = 100 * float(np.sqrt(np.mean((std[told] / rpm[told]) ** 2))) if told.any() else float("nan")
    return np.concatenate(rests), noise


def _drift(speed: series.Series, limits: LimitSet, cleaning: LimitSet) -> float:
    """Standard deviation of the slow course of the speed between lasting changes, rpm; 0 where too little is known."""
    slow = [_slow_course(part, limits) for part in _level_parts(speed, cleaning)]
    return float(np.std(np.concatenate(slow))) if slow else 0.0


def _slow_course(part: series.Series, limits: LimitSet) -> np.ndarray:
    """The slow course of one stretch about its mean, rpm, where the speed is known."""
    rpm = part.rpm[part.known]
    course = rpm - without_slow(part.t_s[part.known], rpm, limits.value("slow_s"))
    return course - np.mean(course)


def _level_parts(speed: series.Series, cleaning: LimitSet) -> list[series.Series]:
    """The series cut where its level changes for good (a load, the throttle); dips that pass stay in."""
    if speed.known.sum() < 20:
        return []
    least = cleaning.value("load_lasting_percent")
    lasting = [step for step in steps.fit_steps(speed, cleaning) if abs(step.change_percent) >= least]
    parts = steps.calm_stretches(speed, lasting, cleaning)
    return [part for part in parts if part.known.sum() >= 20]


def _rest(part: series.Series, limits: LimitSet) -> np.ndarray:
    """One stretch about its slow course, per cent of its own mean speed."""
    smooth = series.running_median(part.rpm, max(int(0.125 / part.step_s), 1))[part.known]
    return without_slow(part.t_s[part.known], 100 * (smooth / part.mean_rpm - 1), limits.value("slow_s"))


def without_slow(t_s: np.ndarray, values: np.ndarray, slow_s: float) -> np.ndarray:
    """Values freed of a straight line and of all cosines with a period above `slow_s`, least squares, piece by piece.

    t_s rising, shape (n,); pieces of at most 40 s, so that hours cost no more a second than minutes.
    """
    count = max(int(np.ceil((t_s[-1] - t_s[0]) / PIECE_S)), 1)
    piece = np.minimum(((t_s - t_s[0]) / (t_s[-1] - t_s[0] + 1e-9) * count).astype(int), count - 1)
    rest = np.array(values, float)
    for k in range(count):
        here = np.flatnonzero(piece == k)
        if len(here) < 8:
            rest[here] -= np.mean(rest[here]) if len(here) else 0.0
            continue
        length = t_s[here[-1]] - t_s[here[0]]
        place = (t_s[here] - t_s[here[0]]) / length
        waves = np.arange(1 + int(2 * length / slow_s))
        basis = np.column_stack([np.cos(np.pi * np.outer(place, waves)), place])
        rest[here] -= basis @ np.linalg.lstsq(basis, rest[here], rcond=None)[0]
    return rest
