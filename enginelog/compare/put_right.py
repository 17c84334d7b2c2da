"""Whether the speed itself was put right, or went wrong: nobody makes an engine run too fast again to compare it."""

from __future__ import annotations

from enginelog.compare.judging import target
from enginelog.compare.words import sure_engine
from enginelog.limits import LimitSet
from enginelog.model import Run, over_rated

OF_SPEED = ("speed", "blade_speed", "generator_frequency")  # findings that judge the speed itself
REST = "Misfires, hunting and steadiness are not compared: at another speed an engine runs otherwise."
NO_LONGER_TOO_FAST = "It no longer runs too fast"
AS_IT_STOOD = "'No longer too fast' holds for the throttle as it stood in the recording after."
AFTER_ALONE = (
    "The run before was too fast, so do not repeat it: once it is mended, record only the run after again, at the same"
    " throttle setting."
)


def speed_turn(before: Run, after: Run, verdict: str, limits: LimitSet) -> str:
    """`It no longer runs too fast`, or `It runs too fast now`, where the speed is better, or worse, one of the two is
    surely at the speed told, and the other's is amiss; empty where it is not so.

    verdict: that of the measure of the speed.
    """
    if verdict not in ("better", "worse") or not (_sure(before, limits) and _sure(after, limits)):
        return ""
    first, second = before.measures.speed.rpm or 0.0, after.measures.speed.rpm or 0.0
    aim = target(before.engine, first, second, limits)
    amiss, well = (before, after) if verdict == "better" else (after, before)
    if aim is None or not (_amiss(amiss) and _well(well, amiss)):
        return ""
    off, at = (first, second) if verdict == "better" else (second, first)
    if 100 * abs(at / aim[1] - 1) > limits.value("target_free_percent"):
        return ""
    how = f"{'idles' if aim[0] == 'idle' else 'runs'} too {'fast' if off > at else 'slow'}"
    return f"It no longer {how}" if verdict == "better" else f"It {how} now"


def too_fast(run: Run) -> bool:
    """Whether it turned faster than it is rated for, or its blade may turn."""
    blade = any(one.code == "blade_speed" and one.verdict in ("fault", "watch") for one in run.measures.findings)
    return over_rated(run) is not None or blade


def _sure(run: Run, limits: LimitSet) -> bool:
    speed = run.measures.speed
    said = speed.confidence >= limits.value("said_speed_confidence")
    return said and speed.or_rpm is None and not speed.changed and sure_engine(run, limits)


def _amiss(run: Run) -> set[str]:
    return {one.code for one in run.measures.findings if one.code in OF_SPEED and one.verdict in ("fault", "watch")}


def _well(run: Run, other: Run) -> bool:
    """Whether what is amiss in the speed of the other was judged here and is well, and nothing else of it is amiss."""
    well = {one.code for one in run.measures.findings if one.verdict == "ok"}
    return not _amiss(run) and _amiss(other) <= well
