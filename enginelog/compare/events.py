"""Measures known by a single event: settling, loads, starting, stopping, bangs."""

from __future__ import annotations

import numpy as np

from enginelog.compare.estimate import Estimate, unknown, within
from enginelog.compare.intervals import poisson_rate
from enginelog.compare.sample import Sample
from enginelog.limits import LimitSet
from enginelog.model import LoadStep, Run, Timeline

MINUTE_S = 60.0


def starts_heard(timeline: Timeline) -> bool:
    """True where the recording holds the start: a pull, or a quiet beginning before the engine runs."""
    first = next((span for span in timeline.spans if span.kind == "run"), None)
    return timeline.pulls > 0 or (first is not None and first.start_s > 0.3)


def never_cleared(run: Run, limits: LimitSet) -> bool:
    """Whether a run whose start was heard was rough from there to its end, so that it may be a cold start that had not
    cleared. One that was rough for longer than `rough_start_s` is rough by itself; so is one that was smooth first."""
    rough = any(one.code == "settling" and one.verdict in ("watch", "fault") for one in run.measures.findings)
    if not rough or run.measures.settling.found is not False or not starts_heard(run.timeline):
        return False
    last = [span for span in run.timeline.spans if span.kind == "run"][-1]
    if last.end_s - last.start_s > limits.value("rough_start_s"):
        return False
    lost = run.firings.miss_probability[(run.firings.t_s >= last.start_s) & (run.firings.t_s < last.end_s)]
    return len(lost) == 0 or bool(np.nanmean(lost[: len(lost) // 2 + 1]) >= 0.5 * np.nanmean(lost))


def settle_seconds(sample: Sample) -> Estimate:
    """Seconds until a rough start is over; 0, or too short to hear, where the start was heard and was smooth.

    Unknown where the engine runs roughly to the end: it may settle later.
    """
    found = sample.run.measures.settling
    if not starts_heard(sample.run.timeline):
        return unknown("the recording begins with the engine running")
    if sample.run.measures.firing.pattern == "burst":
        return unknown("misfires come in bursts, and a lull between them cannot be told from settling")
    lost = sample.run.measures.firing.misfire_percent
    if found.found is False and lost is not None and lost > sample.cleaning.value("misfire_fault_percent"):
        return unknown("it was rough to the end of the recording")
    if found.found is False:
        return Estimate(0.0, 0.0, sample.limits.value("settle_unheard_s"), heard=False, firm=True)
    if found.settle_s is None:
        return unknown("whether it settles could not be told")
    rough = found.rough_misfire_percent
    if rough is not None and rough < sample.limits.value("settle_rough_percent"):
        return unknown("its rough start is hardly rougher than the rest")
    sure = 1 - sample.limits.value("settle_doubt")
    low = min(found.settle_s * sure, found.settle_low_s or found.settle_s)
    return Estimate(found.settle_s, low, max(found.settle_s / sure, found.settle_high_s or 0.0))


def _deepest(sample: Sample) -> LoadStep | None:
    """The deepest load step; None where there is none to speak of.

    Misfires in bursts make dips of their own, which leave no new speed behind.
    """
    firing = sample.run.measures.firing
    bursts = firing.misfires is None or firing.pattern == "burst"
    steps = [step for step in sample.run.measures.loads if step.droop_percent is not None or not bursts]
    return max(steps, key=lambda step: step.dip_percent, default=None)


def _no_load(sample: Sample) -> Estimate:
    return unknown("the dip may be that of misfires" if sample.run.measures.loads else "no load was taken on")


def load_dip(sample: Sample) -> Estimate:
    """Dip of the deepest load step, per cent."""
    step = _deepest(sample)
    return _no_load(sample) if step is None else within(step.dip_percent, sample.limits.value("dip_doubt_points"))


def load_droop(sample: Sample) -> Estimate:
    """Droop of the deepest load step, per cent, within what is stated with it."""
    step = _deepest(sample)
    if step is None:
        return _no_load(sample)
    if step.droop_percent is None:
        return unknown("the droop is not known well enough")
    stated = step.droop_within_points
    return within(step.droop_percent, sample.cleaning.value("droop_doubt_points") if stated is None else stated)


def load_recovery(sample: Sample) -> Estimate:
    """Recovery time of the deepest load step, seconds."""
    step = _deepest(sample)
    if step is None:
        return _no_load(sample)
    if step.recovery_s is None:
        return unknown("its recovery was not heard to the end")
    return within(step.recovery_s, sample.limits.value("recovery_doubt_s"), 0.0)


def pulls(sample: Sample) -> Estimate:
    """Pulls of the starter until it ran."""
    line = sample.run.timeline
    if line.pulls == 0:
        return unknown("no pull of the starter was heard")
    if not line.pulls_sure:
        return unknown("how many pulls there were is not sure")
    if line.pulled_after:
        maybe = "may have been" if line.maybe_in_vain else "was"
        return unknown(f"it {maybe} pulled again after it had run, without starting")
    return within(float(line.pulls), sample.limits.value("pulls_doubt"), 0.0)


def start_seconds(sample: Sample) -> Estimate:
    """Seconds from the first pull to running by itself."""
    line = sample.run.timeline
    if line.seconds_to_run is None:
        return unknown("when it was first pulled is not sure" if line.pulls > 0 else "the start was not heard")
    return _clocked(sample, line.seconds_to_run)


def rundown_seconds(sample: Sample) -> Estimate:
    """Seconds from ignition off to standstill."""
    line = sample.run.timeline
    why = line.rundown_reason or "ignition off and standstill were not both heard"
    return unknown(why) if line.rundown_s is None else _clocked(sample, line.rundown_s)


def _clocked(sample: Sample, value: float) -> Estimate:
    share, least = sample.limits.value("seconds_doubt"), sample.limits.value("seconds_doubt_s")
    return within(value, max(share * value, least), 0.0)


def bangs_a_minute(sample: Sample) -> Estimate:
    """Loud bangs for each minute of running; exact limits of a count, none heard included."""
    count = len(sample.run.timeline.pops)
    if sample.running_s <= 0:
        return unknown("the engine did not run")
    minutes = sample.running_s / MINUTE_S
    return Estimate(count / minutes, *poisson_rate(count, minutes), heard=count > 0)
