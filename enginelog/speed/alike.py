"""Whether the speed of an even engine may be that of a part of its cylinders alone.

Evenly firing cylinders that sound alike repeat themselves at each firing. An engine that turns as many times faster and
of which one cylinder fires alone sounds the same, to the last line. What tells them apart is that no two real cylinders
sound quite alike: then lines of the whole cycle stand between those of the firings, which one cylinder alone cannot
make at a part of its own rate.
"""

from __future__ import annotations

from dataclasses import replace

from enginelog.dsp import lines
from enginelog.limits import LimitSet
from enginelog.model import Engine, Spectrum, Speed
from enginelog.speed.kinds import faster_reading, is_saw, usual_range


def doubted_as_one(speed: Speed, spectrum: Spectrum | None, engine: Engine, limits: LimitSet) -> Speed:
    """The same speed; with the faster one named, and no more confidence than speeds in doubt have, where nothing says
    that more than one cylinder fires and an engine of its kind may turn so fast."""
    times = faster_reading(engine)
    if speed.rpm is None or speed.or_rpm is not None or spectrum is None or times == 1 or is_saw(engine):
        return speed
    other_rpm = times * speed.rpm
    if other_rpm > usual_range(engine, limits)[1] or told_apart(spectrum, engine, limits):
        return speed
    confidence = min(speed.confidence, limits.value("confidence_in_doubt"))
    return replace(speed, confidence=confidence, or_rpm=other_rpm)


def told_apart(spectrum: Spectrum, engine: Engine, limits: LimitSet) -> bool:
    """Whether an even engine's cylinders sound so unlike that lines of its whole cycle are heard."""
    first = 1.0 / engine.revs_per_cycle
    share = lines.standing(spectrum.order, spectrum.level_db, first, faster_reading(engine))
    return share >= limits.value("cycle_lines_standing")
