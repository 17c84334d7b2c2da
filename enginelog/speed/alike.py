"""Whether the speed of an even engine may be that of a part of its firings alone.

Firings that come evenly and sound alike repeat themselves each time. An engine that turns as many times faster and of
which one cylinder fires alone, or a two-stroke that fires on every second turn, sounds the same, to the last line. What
tells them apart is that no two real cylinders sound quite alike, and that a two-stroke's firings take turns a little:
then lines of the whole cycle (of two turns) stand between those of the firings, which one cylinder alone cannot make at
a part of its own rate.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp import lines
from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Engine, Span, Spectrum, Speed, Track
from enginelog.speed.kinds import faster_reading, is_saw, usual_range
from enginelog.speed.summary import within


def settled_by_turns(track: Track, running: tuple[Span, ...]) -> bool:
    """Whether the order of the turns told in most frames of the runs that no other speed is possible."""
    inside = within(track.t_s, running, "run")
    return bool(track.settled is not None and inside.any() and np.mean(track.settled[inside] > 0) > 0.5)


def settled_by_lines(track: Track, running: tuple[Span, ...], engine: Engine, limits: LimitSet) -> bool:
    """Whether the lines of the whole blocks (`multiples`) say of most frames of the runs that their speed is the true
    one. Not of single two-strokes: on every second turn a regular one sounds the same to the last line, and what is
    said of them leans on how seldom that is. The track must have its rhythm."""
    inside = within(track.t_s, running, "run")
    if track.rhythm is None or is_saw(engine) or not inside.any():
        return False
    odds = track.rhythm[inside, RHYTHM.index("whole_odds")]
    return bool(np.median(odds) >= limits.value("settled_by_lines"))


def doubted_as_one(speed: Speed, spectrum: Spectrum | None, engine: Engine, limits: LimitSet) -> Speed:
    """The same speed; with the faster one named, and no more confidence than speeds in doubt have, where nothing tells
    one firing from the next and an engine of its kind may turn so fast. A rated or idle speed that was told settles it
    where the speed read is near to it and the faster one is not."""
    times = faster_reading(engine)
    if speed.rpm is None or speed.or_rpm is not None or spectrum is None or times == 1:
        return speed
    other_rpm = times * speed.rpm
    settled = _as_told(speed.rpm, engine, limits) and not _as_told(other_rpm, engine, limits)
    if settled or other_rpm > usual_range(engine, limits)[1] or told_apart(spectrum, engine, limits):
        return speed
    confidence = min(speed.confidence, limits.value("confidence_in_doubt"))
    return replace(speed, confidence=confidence, or_rpm=other_rpm)


def _as_told(rpm: float, engine: Engine, limits: LimitSet) -> bool:
    """Whether a speed is near the rated or the idle speed told."""
    told = [known for known in (engine.rated_rpm, engine.idle_rpm) if known]
    return any(abs(float(np.log(rpm / known))) < limits.value("told_within") for known in told)


def told_apart(spectrum: Spectrum, engine: Engine, limits: LimitSet) -> bool:
    """Whether an even engine's firings sound so unlike that lines of its whole cycle are heard."""
    first = 1.0 / engine.revs_per_cycle / (2 if is_saw(engine) else 1)
    share = lines.standing(spectrum.order, spectrum.level_db, first, faster_reading(engine))
    return share >= limits.value("cycle_lines_standing")
