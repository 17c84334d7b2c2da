"""The table of measures: what each is called, how it is taken from a run, which way is better, what matters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from enginelog.compare import events, firing, steady
from enginelog.compare.estimate import Estimate
from enginelog.compare.sample import Sample


@dataclass(frozen=True)
class Measure:
    """One measure. better: -1 less is better, +1 more, 0 neither. least: its limit; scaled: that is per cent of before.

    none: what it is called where it was listened for and is not there; empty where the bare number says it.
    lead: words before its values.
    needs_speed: meaningful only between runs at the same speed setting.
    of_smooth: taken from where a rough start is over. by_load: a load alone changes it.
    """

    code: str
    label: str
    unit: str
    take: Callable[[Sample], Estimate]
    better: int
    least: str
    scaled: bool = False
    none: str = ""
    lead: str = ""
    needs_speed: bool = True
    of_smooth: bool = False
    by_load: bool = False


START = (
    Measure("pulls", "Pulls to start", "pulls", events.pulls, better=-1, least="least_pulls", needs_speed=False),
    Measure(
        "seconds_to_run", "Time to run", "s", events.start_seconds, better=-1, least="least_start_s", needs_speed=False
    ),
)
SPEED = Measure(
    "speed", "Speed", "rpm", steady.median_speed, better=0, least="least_speed_percent", scaled=True, needs_speed=False,
    by_load=True,
)  # fmt: skip
RUNNING = (
    Measure(
        "misfire", "Misfires", "%", firing.lost_share, better=-1, least="least_misfire_points", none="none heard",
        of_smooth=True, by_load=True,
    ),
    Measure(
        "misfire_cylinder", "Misfires of the worst cylinder", "%", firing.worst_cylinder, better=-1,
        least="least_cylinder_points", none="none heard", of_smooth=True, by_load=True,
    ),
    Measure(
        "hunting", "Hunting", "%", steady.swing, better=-1, least="least_swing_points", none="none heard",
        by_load=True,
    ),
    Measure(
        "steadiness", "Steadiness", "%", steady.band, better=-1, least="least_steadiness_points", lead="within ",
        none="too steady to measure", of_smooth=True, by_load=True,
    ),
    Measure(
        "strength", "Evenness of firing", "%", firing.strength_spread, better=-1,
        least="least_strength_points", lead="spread ", of_smooth=True, by_load=True,
    ),
    Measure(
        "timing", "Evenness of timing", "%", firing.timing_spread, better=-1, least="least_timing_points",
        lead="spread ", of_smooth=True, by_load=True,
    ),
    Measure(
        "settling", "Rough start lasts", "s", events.settle_seconds, better=-1, least="least_settle_s",
        none="no rough start",
    ),
    Measure("dip", "Dip on taking load", "%", events.load_dip, better=-1, least="least_dip_points"),
    Measure("droop", "Droop under load", "%", events.load_droop, better=-1, least="least_droop_points"),
    Measure("recovery", "Recovery from load", "s", events.load_recovery, better=-1, least="least_recovery_s"),
    Measure(
        "rundown", "Run-down after ignition off", "s", events.rundown_seconds, better=0, least="least_rundown_s",
    ),
    Measure(
        "pops", "Loud bangs", "a minute", events.bangs_a_minute, better=-1, least="least_pops_per_min",
        none="none heard",
    ),
)  # fmt: skip
ONE_EVENT = frozenset({"pulls", "seconds_to_run", "settling", "dip", "droop", "recovery", "rundown"})
CODES = tuple(one.code for one in (*START, SPEED, *RUNNING))


def applies(measure: Measure, before: Sample, after: Sample) -> bool:
    """False where a measure says nothing of this engine or of either recording, so that it is left out altogether."""
    if measure.code == "misfire_cylinder":
        return before.run.engine.cylinders > 1
    if measure.code in ("dip", "droop", "recovery"):
        return bool(before.run.measures.loads or after.run.measures.loads)
    if measure.code in ("pulls", "seconds_to_run"):
        return before.run.timeline.pulls > 0 or after.run.timeline.pulls > 0
    if measure.code == "rundown":
        return before.run.timeline.rundown_s is not None or after.run.timeline.rundown_s is not None
    if measure.code == "settling":
        return bool(before.run.measures.settling.found or after.run.measures.settling.found)
    if measure.code == "pops":
        return bool(before.run.timeline.pops or after.run.timeline.pops)
    return True


def better_way(measure: Measure, before: Sample) -> int:
    """Which way is better for this engine: a blade that stops sooner is, another engine's run-down says neither."""
    if measure.code == "rundown":
        return -1 if before.run.engine.has_blade else 0
    return measure.better
