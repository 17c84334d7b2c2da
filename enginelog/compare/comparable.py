"""Whether two runs can be held against each other at all, and what to record where not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.compare.put_right import AFTER_ALONE, too_fast
from enginelog.compare.words import GAP, ran_s
from enginelog.limits import LimitSet
from enginelog.model import Engine, Run
from enginelog.model.wording import begun_small, counted

AGAIN = "Record {which} again: 20 seconds of steady running, the phone still, one to two metres away, out of the wind."
BOTH = {"before": "the run before", "after": "the run after"}


@dataclass(frozen=True)
class Obstacle:
    """Why not, what to do about it, and whether starting and speed can be compared all the same. of_speed: it is that
    the two ran at different speeds."""

    reason: str
    advice: str
    start_stands: bool = False
    of_speed: bool = False


def pulls_only(run: Run) -> bool:
    """True where the starter was pulled and the engine did not run: a valid recording of a machine that will not
    start."""
    return run.quality.usable and not run.timeline.engine_heard and run.timeline.pulls > 0


def obstacle(before: Run, after: Run, limits: LimitSet) -> Obstacle | None:
    """The first reason against comparing two runs; None where there is none. Runs that did not start are no obstacle
    here."""
    if before.clip.sha256 and before.clip.sha256 == after.clip.sha256 and before.engine == after.engine:
        return Obstacle("both are the same recording", "Give one recording from before the work and one from after.")
    if (found := _layout(before.engine, after.engine)) is not None:
        return found
    for which, run in (("before", before), ("after", after)):
        if (found := _run_alone(which, run, limits)) is not None:
            return found
    return _speeds(before, after, limits)


def _layout(before: Engine, after: Engine) -> Obstacle | None:
    advice = "Analyse both with the same engine: strokes, cylinders and firing angles as the machine has them."
    if before.strokes != after.strokes:
        return Obstacle(f"taken as a {before.strokes}-stroke before and a {after.strokes}-stroke after", advice)
    if before.cylinders != after.cylinders:
        had = counted(before.cylinders, "cylinder")
        return Obstacle(f"taken with {had} before and {after.cylinders} after", advice)
    angles = [np.mod(np.asarray(one.firing_angles_deg, float), one.cycle_deg) for one in (before, after)]
    if np.max(np.abs(np.sort(angles[0]) - np.sort(angles[1]))) > 1.0:
        if before.firing_open or after.firing_open:
            advice = "Nobody told the firing angles, so they were taken from each sound: tell them, and analyse again."
        return Obstacle("taken with different firing angles", advice)
    return None


def _run_alone(which: str, run: Run, limits: LimitSet) -> Obstacle | None:
    again = AGAIN.format(which=BOTH[which])
    if not run.quality.usable:
        why = run.quality.problems[0].text.rstrip(".") if run.quality.problems else "its sound is too poor"
        return Obstacle(f"the recording {which} cannot be used ({begun_small(why)})", again)
    if not run.timeline.engine_heard:
        if run.timeline.pulls > 0:
            return None
        return Obstacle(f"no engine was heard in the recording {which}", again)
    seconds = ran_s(run)
    least = limits.value("run_least_s")
    if seconds < least:
        return Obstacle(f"the run {which} is too short ({seconds:z.1f}{GAP}s, {least:z.0f}{GAP}s needed)", again, True)
    speed = run.measures.speed
    if speed.changed:
        reason = f"the run {which} was not at one speed ({speed.held_words})"
        return Obstacle(reason, "Record both at one throttle setting, untouched, with the same load, warm.", True)
    if speed.rpm is None or speed.confidence < limits.value("speed_confidence"):
        return Obstacle(f"the speed of the run {which} is not known surely enough", again, True)
    return None


def _speeds(before: Run, after: Run, limits: LimitSet) -> Obstacle | None:
    first, second = before.measures.speed.rpm, after.measures.speed.rpm
    if first is None or second is None:
        return None
    allowed = limits.value("speed_setting_percent")
    if 100 * abs(second - first) / min(first, second) <= allowed:
        return None
    octave = any(abs(second / first / ratio - 1) < 0.05 for ratio in (0.5, 2.0))
    doubt = " One may be misread at half or double its speed: tell strokes and rated speed." if octave else ""
    reason = f"the runs were made at different speeds ({first:z.0f} and {second:z.0f}{GAP}rpm)"
    again = AFTER_ALONE if too_fast(before) else "Record both at the same throttle setting and load, warm."
    return Obstacle(reason, again + doubt, True, of_speed=True)
