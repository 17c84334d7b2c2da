"""An engine read at half the speed it is governed to: it idled, or half of its firings were lost.

A four-stroke single that loses every second firing without a slip sounds, to the last line, like one that turns half as
fast and loses none; so does a two-stroke that fires on every second turn, and nearly so an even twin of which one
cylinder misses in turn. Only what is known of the machine parts the two: half of its rated speed is a speed that it may
idle at, and the one at which it would be read if half of its firings failed.
"""

from __future__ import annotations

from dataclasses import replace

from enginelog.dsp.mains import GRID_HZ
from enginelog.limits import LimitSet
from enginelog.limits.trade import formulas
from enginelog.model import Engine, Speed


def doubted_as_half(speed: Speed, engine: Engine, limits: LimitSet) -> Speed:
    """The same speed; with twice of it named beside it, and no more confidence than speeds in doubt have, where its
    highest is about half of what the engine is governed to. Not where it is about the told idle speed."""
    if speed.rpm is None or speed.or_rpm is not None or not at_half(speed, engine, limits):
        return speed
    return replace(speed.no_surer(limits.value("twice_confidence")), or_rpm=2 * speed.rpm)


def at_half(speed: Speed, engine: Engine, limits: LimitSet) -> bool:
    """Whether the highest speed is about half of what the engine is governed to, and may be read so: of a triple a
    third is, of uneven engines no such part."""
    top = speed.top_rpm
    if top is None or not engine.even_firing or engine.cylinders == 3:
        return False
    near = limits.value("told_wrong_percent") / 100
    idled = engine.idle_rpm is not None and abs(top / engine.idle_rpm - 1) <= limits.value("idle_watch_percent") / 100
    return not idled and any(abs(2 * top / governed - 1) <= near for governed in _governed_rpm(engine))


def is_single(engine: Engine) -> bool:
    """Four-stroke singles: of the others the sound itself may leave a faster reading open, too (`speed.kinds`)."""
    return engine.strokes == 4 and engine.cylinders == 1


def loses_every_second(engine: Engine, speed: Speed) -> bool:
    """Whether the other speed beside the one read is that of a single that loses every second firing."""
    return speed.or_rpm is not None and is_single(engine)


def _governed_rpm(engine: Engine) -> tuple[float, ...]:
    """The speeds it may be governed to: the rated one told, else those at which its alternator gives the mains'."""
    if engine.rated_rpm is not None:
        return (engine.rated_rpm,)
    poles = engine.alternator_poles
    return () if poles is None else tuple(formulas.alternator_rpm(poles, hz) for hz in GRID_HZ)
