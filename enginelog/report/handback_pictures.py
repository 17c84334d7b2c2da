"""The pictures of a hand-back: drawn when asked for, wide or narrow, each with its caption and a text for those who
cannot see it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from enginelog import plots
from enginelog.compare import BeforeAfter
from enginelog.model import Run, StoredRun

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Drawing:
    """One picture: two figures, wide and narrow."""

    name: str
    title: str
    caption: str
    alt: str
    wide: Figure
    narrow: Figure


def drawings(
    pair: BeforeAfter, history: Sequence[StoredRun], full: bool, others: Collection[int] = ()
) -> tuple[Drawing, ...]:
    """Speed before and after; for the bench also the strength of the firings and the machine's years."""
    before, after = (one.run if one is not None else None for one in (pair.before, pair.after))
    found = [_speed(before, after)]
    if full:
        found += [_strength(before, after), _trend(history, others)]
    return tuple(one for one in found if one is not None)


def _ran(run: Run | None) -> bool:
    return run is not None and run.timeline.engine_heard


def _sides(before: bool, after: bool) -> str:
    """Which of the two a picture shows, and how."""
    if before and after:
        return "before (dashed) and after (solid)"
    return "after the work" if after else "before the work"


def _speed(before: Run | None, after: Run | None) -> Drawing | None:
    wide, narrow = (plots.before_after_speed(before, after, slim) for slim in (False, True))
    if wide is None or narrow is None:
        return None
    caption = "The strips above show what was heard when; pulls of the starter are hatched."
    which = _sides(_ran(before), _ran(after))
    if _ran(before) or _ran(after):
        caption = f"How fast the engine turned, {which}, in turns a minute (rpm). {caption}"
    both = before is not None and after is not None
    title = "Before and after" if both else f"The run {'after' if after else 'before'} the work"
    return Drawing("beforeafter", title, caption, f"Speed over time, {which}.", wide, narrow)


def _strength(before: Run | None, after: Run | None) -> Drawing | None:
    wide, narrow = (plots.before_after_strength(before, after, slim) for slim in (False, True))
    if wide is None or narrow is None:
        return None
    which = _sides(_ran(before), _ran(after)).replace("(solid)", "(filled)")
    faint = [name for name, run in (("before", before), ("after", after)) if run and plots.heard_faintly(run)]
    hid = f"{' and '.join(faint).capitalize()}, noise or a load hid many firings"
    low = f"{hid}: most near 0 there are not counted as lost." if faint else "Firings near 0 were lost."
    caption = f"How many firings were how strong, {which}. A narrow hill at 1 is an even engine. {low}"
    return Drawing("strength", "Strength of the firings", caption, "Histogram of firing strength.", wide, narrow)


def _trend(history: Sequence[StoredRun], others: Collection[int]) -> Drawing | None:
    if len({run.job_id for run in history}) < 2:
        return None
    wide, narrow = (plots.machine_trend(history, slim, others) for slim in (False, True))
    if wide is None or narrow is None:
        return None
    caption = (
        "Every recording of this machine over the years. Bars are 95 % intervals; where a share could not be told, an"
        " arrow up stands at the least it was, or a bar without a mark between the shares it lies between."
    )
    if any(run.id in others for run in history):
        caption += " From a dashed line on another engine is told: what lies on its two sides is not to be compared."
    return Drawing("trend", "The machine over the seasons", caption, "Main figures of each recording.", wide, narrow)
