"""Everything measured for the findings, before any verdict: one pass over the run, in the order the parts need it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from enginelog.findings import hunting, in_turns, loads, misfire, partly, settling, startstop, steadiness, steps, surges
from enginelog.findings.series import (
    RUNNING_FROM_THE_START_S,
    Series,
    clean_series,
    event_series,
    longest_run,
    run_spans,
    run_up_end,
    sounding,
    without_run_up,
)
from enginelog.findings.speed_limits import TopSpeed, top_speed
from enginelog.findings.swings import MOSTLY, Swing
from enginelog.limits import LimitSet
from enginelog.model import Engine, Firings, Quality, Span, Surges, Timeline, Track

OVERLOADED = ("clipped", "clipped_heavy", "destroyed")  # problems of a recording made from too near


@dataclass(frozen=True)
class Evidence:
    """All measured parts. `settled`: the speed of each run in order of time, run-up left out. `span` is the longest
    run, `series` its speed of those; `calm` its stretches without sudden changes; `steady` the longest of them, where
    the band is measured; `top` the highest speeds of any run. `too_loud`: the recording is overloaded; its own advice
    is to go farther away, so that none may be to go nearer. `turns`: parts of the run of a two-stroke that may have
    been read at double its speed; `lost_s` when firings were lost in `span`, None where they were not counted."""

    engine: Engine
    timeline: Timeline
    settled: list[Series]
    span: Span
    series: Series
    calm: list[Series]
    misfire: misfire.MisfireStudy
    hunting: hunting.HuntingStudy
    surges: Surges | None
    settling: settling.SettlingStudy
    loads: loads.LoadStudy
    start: startstop.StartStudy
    steady: Series | None
    band: steadiness.Band | None
    top: TopSpeed
    too_loud: bool
    turns: in_turns.Parts | None = None
    lost_s: np.ndarray | None = None

    def in_a_part(self, swing: Swing) -> bool:
        """Whether a swing was found in a part of the run only."""
        return swing.end_s - swing.start_s < MOSTLY * self.series.seconds

    def died_away(self, limits: LimitSet) -> bool:
        """Whether it lost ever more firings, after a clean beginning, until it stopped while it was recorded."""
        change, begun_s, ended_s = self.settling.change, self.misfire.first_s, self.span.end_s
        if self.settling.course != "worsens" or change is None or change.first_share is None or begun_s is None:
            return False
        stopped = any(each.kind in ("rundown", "quiet") and each.start_s >= ended_s for each in self.timeline.spans)
        late = ended_s - begun_s <= limits.value("dies_away_within_s")
        return stopped and late and 100 * change.first_share < limits.value("misfire_watch_percent")

    def without_speed(self) -> Evidence:
        """The same where no speed is told: then none is from which and to which the throttle was moved, nor how many
        rpm it swung in a rough start and after it."""
        bare = replace(self.settling, rough_swing_rpm=None, last_swing_rpm=None)
        return replace(self, loads=replace(self.loads, told=()), settling=bare)


def gather(
    engine: Engine, quality: Quality, timeline: Timeline, track: Track, firings: Firings, limits: LimitSet
) -> Evidence | None:
    """Measure everything; None where the timeline holds no run."""
    span = longest_run(timeline)
    if span is None:
        return None
    runs = run_spans(timeline)
    clean = [clean_series(track, run, limits) for run in runs]
    settled = [without_run_up(each, run, limits) for each, run in zip(clean, runs, strict=True)]
    longest = runs.index(span)
    series = settled[longest]
    sounds = sounding(runs, quality.silent_s)
    turns = in_turns.parts_in_turns(engine, misfire.take(firings, misfire.in_spans(firings, sounds)), track, limits)
    lost = misfire.study_misfire(engine, firings, sounds, limits, None if turns is None else turns.why)
    found = steps.fit_steps(series, limits)
    calm = steps.calm_stretches(series, found, limits)
    late = [step for step in found if step.at_s > _start_over(span, limits)]
    own = misfire.take(firings, misfire.in_spans(firings, [span]))
    lost_s = _lost_times(own, lost)
    load = loads.study_loads(series, late, lost_s, track, limits)
    fine = partial(_fine, firings=firings, engine=engine, limits=limits)
    swings = hunting.study_hunting(calm, fine(calm), limits)
    lasting = _lasting(found, _start_over(span, limits), load, limits)
    levels = steps.calm_stretches(series, lasting, limits)
    swings = partly.with_parts(swings, levels, fine, limits)
    steady = _steady(calm, _start_over(span, limits))
    return Evidence(
        engine=engine,
        timeline=timeline,
        settled=settled,
        span=span,
        series=series,
        calm=calm,
        misfire=lost,
        hunting=swings,
        surges=_surges(found, load, limits),
        settling=_settling(clean[longest], span, series, own, lost, found, load, limits),
        loads=load,
        start=startstop.study_start(timeline, limits, quality.silent_s),
        steady=steady,
        band=_band(steady, engine, swings, limits),
        top=_top(clean, runs, found, load, swings.found is True, limits),
        too_loud=any(problem.code in OVERLOADED for problem in quality.problems),
        turns=turns,
        lost_s=lost_s,
    )


def _start_over(span: Span, limits: LimitSet) -> float:
    """Until when changes of speed belong to the start; the recording's first moment where it begins with the
    engine running.
    """
    if span.start_s <= RUNNING_FROM_THE_START_S:
        return span.start_s
    return span.start_s + limits.value("load_after_start_s")


def _lasting(found: list[steps.Step], from_s: float, load: loads.LoadStudy, limits: LimitSet) -> list[steps.Step]:
    """The changes to another speed that are told as load or throttle, or belong to the start until `from_s`; others may
    be swings."""
    told_s = [*load.loads_at_s, *(move.at_s for move in load.moves)]
    large = [step for step in found if abs(step.change_percent) >= limits.value("load_lasting_percent")]
    return [step for step in large if step.at_s <= from_s or step.at_s in told_s]


def _lost_times(firings: Firings, lost: misfire.MisfireStudy) -> np.ndarray | None:
    """When firings of one run were lost; None where they were not counted. lost: of all runs."""
    if lost.summary.misfires is None:
        return None
    return firings.t_s[np.nan_to_num(firings.miss_probability) > 0.5]


def _fine(calm: list[Series], firings: Firings, engine: Engine, limits: LimitSet) -> list[Series]:
    """The calm stretches again, from the moments of the firings, where these stand out of the noise."""
    clear = firings.snr_db >= limits.value("hunting_event_snr_db")
    if len(clear) < 50 or np.mean(clear) < 0.5:
        return []
    spans = [Span("run", float(part.t_s[0]), float(part.t_s[-1])) for part in calm if len(part.t_s)]
    return [event_series(firings, span, engine.revs_per_cycle, limits) for span in spans]


def _surges(found: list[steps.Step], load: loads.LoadStudy, limits: LimitSet) -> Surges | None:
    """Surges after the first load step, or else after the first movement of the throttle."""
    floor = limits.value("surge_floor_percent")
    for at, knock in ((load.loads_at_s, True), ([move.at_s for move in load.moves], False)):
        first = next((step for step in found if step.at_s in at), None)
        if first is not None:
            return surges.count_surges(100 * (first.curve_rpm / first.after_rpm - 1), floor, knock)
    return None


def _settling(whole, span, series, firings, lost, found, load, limits) -> settling.SettlingStudy:
    """Settling over the run from its very start: lost firings throughout, the speed's movement from the end of the
    run-up on and away from sudden changes. whole: the clean series of the run, run-up and all; firings: its own."""
    rpm = np.where(whole.t_s < (series.t_s[0] if len(series.t_s) else np.inf), np.nan, whole.rpm)
    for step in found:
        rpm[(whole.t_s > step.at_s - 0.8) & (whole.t_s < step.at_s + 2.5)] = np.nan
    quiet = Series(whole.t_s, rpm, whole.step_s, whole.window_s)
    untold = lost.summary.misfire_high is None or lost.summary.pattern == "every_second"
    untold |= lost.faint is not None or lost.weak_turns is not None
    counted = None if untold else firings.miss_probability
    one_load = not (load.taken or load.released or load.moves)
    return settling.study_settling(quiet, firings, counted, span.start_s, limits, one_load)


def _steady(calm: list[Series], from_s: float) -> Series | None:
    """The longest calm stretch, the overshoot of a start, before `from_s`, left out where enough is left."""
    longest = max(calm, key=lambda part: part.seconds, default=None)
    if longest is None:
        return None
    after = longest.between(from_s, np.inf)
    return longest if steadiness.band_percent(after, None) is None else after


def _band(
    steady: Series | None, engine: Engine, swings: hunting.HuntingStudy, limits: LimitSet
) -> steadiness.Band | None:
    """Steady-state band of a stretch, that of one which hunts with the whole of the swing; a swing elsewhere in the run
    is no part of it."""
    if steady is None:
        return None
    swing = swings.hunts
    if swing is None or not _mostly_in(steady, swing):
        return steadiness.band(steady, engine.rated_rpm, limits)
    return steadiness.band_with_swing(steady, engine.rated_rpm, swing, limits)


def _mostly_in(steady: Series, swing: Swing) -> bool:
    """Whether a swing goes on for half of a stretch."""
    first_s, last_s = float(steady.t_s[0]), float(steady.t_s[-1])
    return min(swing.end_s, last_s) - max(swing.start_s, first_s) >= 0.5 * (last_s - first_s)


def _top(
    clean: list[Series], runs: list[Span], found: list[steps.Step], load: loads.LoadStudy, hunts: bool, limits: LimitSet
) -> TopSpeed:
    """The highest speeds of all runs. Where it hunts, no swing is taken for a recovery from a load."""
    parts = [
        series.between(run_up_end(series, limits), span.end_s)
        for series, span in zip(clean, runs, strict=True)
        if len(series.t_s)
    ]
    return top_speed(parts, [] if hunts else loads.recoveries(found, load, limits), limits)
