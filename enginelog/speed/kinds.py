"""What an engine's kind says of it: the layouts to listen for, and the speeds it usually runs at."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Engine
from enginelog.speed.evidence import EVERY_SECOND, Layout, layout_of, unequal


def layouts(engine: Engine) -> tuple[Layout, ...]:
    """The sounds this engine can make: its own layout, every second firing weaker, or the cylinders unlike."""
    own = layout_of(engine)
    if is_saw(engine):
        return (own, EVERY_SECOND)
    return (own, unequal(engine.cylinders)) if engine.cylinders > 1 and engine.even_firing else (own,)


def is_saw(engine: Engine) -> bool:
    """Single-cylinder two-strokes: saws, trimmers and their like."""
    return engine.strokes == 2 and engine.cylinders == 1


def faster_reading(engine: Engine) -> int:
    """How many times as fast an engine may turn that repeats itself as this one does at the speed read.

    A two-stroke single that fires on every second turn only, an even twin or four half of whose cylinders sound unlike
    the others, or fire alone: twice. A triple of which one cylinder sounds unlike the others: three times. One else.
    """
    if not is_saw(engine) and (engine.cylinders == 1 or not engine.even_firing):
        return 1
    return 3 if engine.cylinders == 3 else 2


def _usual_low(engine: Engine) -> str:
    if is_saw(engine):
        return "usual_low_rpm_two_stroke"
    if engine.strokes == 2:
        return "usual_low_rpm_two_stroke_several"
    small = engine.strokes == 4 and engine.cylinders <= 2
    return "usual_low_rpm_small_four_stroke" if small else "usual_low_rpm_several_cylinders"


def usual_range(engine: Engine, limits: LimitSet) -> tuple[float, float]:
    """Slowest and fastest speed, rpm, that engines of this kind usually run at; by the rated speed where it is told."""
    kind = "two_stroke" if engine.strokes == 2 else "several_cylinders" if engine.cylinders > 2 else "four_stroke"
    low, top = limits.value(_usual_low(engine)), limits.value(f"usual_top_rpm_{kind}")
    if engine.rated_rpm:
        top = 1.25 * engine.rated_rpm
        low = max(low, min(limits.value("idle_per_rated") * engine.rated_rpm, engine.idle_rpm or np.inf))
    return low, top


def range_cost(engine: Engine, grid: np.ndarray, limits: LimitSet) -> np.ndarray:
    """A gentle lean towards the speeds that engines of this kind run at, more so to the rated speed where it is told.

    No speed in the grid is ruled out. A twin whose cylinders sound unlike repeats itself as one at half the speed does:
    only the speed that it is governed to tells them apart. Saws and trimmers are not governed.
    """
    rpm = grid * 60.0 * engine.revs_per_cycle
    low, top = usual_range(engine, limits)
    above = np.clip(np.log(rpm / top) / 0.3, 0.0, 2.0)
    below = np.clip(np.log(low / rpm) / 0.3, 0.0, 2.0)
    cost = limits.value("range_cost") * (above + below)
    if engine.rated_rpm and not is_saw(engine):
        cost -= limits.value("told_gain") * (np.abs(np.log(rpm / engine.rated_rpm)) < limits.value("told_within"))
    return cost.astype(np.float32)
