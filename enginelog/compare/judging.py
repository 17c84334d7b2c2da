"""The verdict on one measure, from the interval of its difference and the smallest difference that matters."""

from __future__ import annotations

from enginelog.compare import words
from enginelog.compare.estimate import Estimate, difference
from enginelog.compare.measures import Measure, better_way
from enginelog.compare.sample import Sample
from enginelog.limits import LimitSet
from enginelog.model import Difference, Engine, Run, over_rated


def judge(
    measure: Measure,
    before: Sample,
    after: Sample,
    values: tuple[Estimate, Estimate],
    level: float,
    limits: LimitSet,
    loads_unlike: bool = False,
) -> Difference:
    """One measure of two runs.

    Its interval is the one at `level`. A change is claimed where that leaves out zero and the difference reaches what
    matters; the same where it lies within what matters; otherwise it cannot be told. Nor is what a load alone changes,
    where one of the two ran under load and the other did not (loads_unlike).
    """
    first, second = values
    if first.value is None or second.value is None:
        text = words.missing(first, second)
        return Difference(
            measure.code, measure.label, measure.unit, "cannot_tell", text, first.value, second.value,
            short=words.both(measure, first, second),
        )  # fmt: skip
    smooth = before.left_out_s > 0 and measure.of_smooth
    found = difference(first, second, level)
    least = limits.value(measure.least) * (abs(first.value) / 100 if measure.scaled else 1.0)
    verdict = _verdict(found, least)
    ends = (found[1], found[2])
    text = words.doubtful(measure, first, second, ends, least)
    if loads_unlike and measure.by_load:
        verdict, text = "cannot_tell", words.by_load(measure, first, second)
    if verdict == "changed":
        verdict = _direction(measure, before, found[0], limits, first.value, second.value)
    if verdict != "cannot_tell":
        text = words.told(measure, first, second, verdict, ends)
        text += _beside_target(measure, before.run.engine, after.run, first.value, second.value, limits)
    text, short = (words.once_smooth(each, smooth) for each in (text, words.both(measure, first, second)))
    return Difference(
        measure.code, measure.label, measure.unit, verdict, text, first.value, second.value, *found, least,
        limits[measure.least].source, short,
    )  # fmt: skip


def _verdict(found: tuple[float, float, float], least: float) -> str:
    middle, low, high = found
    if abs(middle) >= least and (low > 0 or high < 0):
        return "changed"
    slack = 1e-9 * least
    return "same" if low >= -least - slack and high <= least + slack else "cannot_tell"


def _direction(measure: Measure, sample: Sample, middle: float, limits: LimitSet, first: float, second: float) -> str:
    """Better, worse, or only changed."""
    if measure.code == "speed":
        return _towards(sample.run.engine, first, second, limits)
    way = better_way(measure, sample)
    return "changed" if way == 0 else "better" if middle * way > 0 else "worse"


def target(engine: Engine, first: float, second: float, limits: LimitSet) -> tuple[str, float] | None:
    """The told speed both runs are near to, (name, rpm); None where there is none or each is near to another."""
    told = [("rated", engine.rated_rpm), ("idle", engine.idle_rpm)]
    known = [(name, rpm) for name, rpm in told if rpm is not None and f"{name}_rpm" not in engine.assumed]
    if not known:
        return None
    reach = limits.value("target_reach_percent") / 100
    nearest = [min(known, key=lambda one: abs(speed / one[1] - 1)) for speed in (first, second)]
    near = all(abs(speed / one[1] - 1) <= reach for speed, one in zip((first, second), nearest, strict=True))
    return nearest[0] if near and nearest[0] == nearest[1] else None


def _towards(engine: Engine, first: float, second: float, limits: LimitSet) -> str:
    """Better or worse by the distance from the told speed, as far as that leaves the range that counts as right."""
    aim = target(engine, first, second, limits)
    if aim is None:
        return "changed"
    free, least = limits.value("target_free_percent"), limits.value("least_speed_percent")
    off = [max(100 * abs(speed / aim[1] - 1) - free, 0.0) for speed in (first, second)]
    if abs(off[1] - off[0]) < least:
        return "changed"
    return "better" if off[1] < off[0] else "worse"


def _beside_target(measure: Measure, engine: Engine, after: Run, first: float, second: float, limits: LimitSet) -> str:
    """How far the middle speed of the run after is from the told one; of one that held a speed too fast that one, too,
    as its finding says it."""
    aim = target(engine, first, second, limits) if measure.code == "speed" else None
    if aim is None:
        return ""
    off = round(100 * (second / aim[1] - 1), 1)
    where = f"{abs(off):z.1f}{words.GAP}% {'above' if off > 0 else 'below'}" if off else "at"
    fast = over_rated(after)
    if fast is None or fast.value is None:
        return f" After, it is {where} the {aim[0]} speed told."
    top = f"the highest held for a second, {fast.value:z.0f}{words.GAP}rpm, is too fast"
    return f" After, its middle is {where} the {aim[0]} speed told, and {top}."
