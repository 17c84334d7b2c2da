"""A machine over the seasons: its main figures at each recording, one row a figure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from enginelog.model import RunFigures, StoredRun
from enginelog.plots.style import TEXT_PT, colour, name_axes, stacked

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from matplotlib.axes import Axes
    from matplotlib.dates import RRuleLocator
    from matplotlib.figure import Figure

MARKS = {"before": "o", "during": "^", "after": "s"}
FAILED, LEAST, BETWEEN = "did not start", "at least so much", "between these"  # signs, by their names in the key
ANOTHER = "another engine told"
ARROW_PT = 16.0
DAY_S = 86400.0
YEAR_DAYS = 365.25
LEAST_DAYS = 0.1  # the axis never spans less, so that ticks stand whole minutes apart


@dataclass(frozen=True)
class _Row:
    """One figure: its name on the axis, its value, and the ends of its interval where it has one. Ends without a value
    are what is known of one that is withheld: at least so much (a low end alone), or between what it lies."""

    name: str
    value: Callable[[RunFigures], float | None]
    ends: Callable[[RunFigures], tuple[float | None, float | None]]
    from_zero: bool


ROWS = (
    _Row(
        "rpm",
        lambda f: None if f.held_rpm else f.rpm,
        lambda f: (None, None) if f.held_rpm else (f.rpm_low, f.rpm_high),
        False,
    ),
    _Row("misfires, %", lambda f: f.misfire_percent, lambda f: (f.misfire_low, f.misfire_high), True),
    _Row("hunting, %", lambda f: f.hunting_swing_percent, lambda f: (None, None), True),
    _Row("start, s", lambda f: f.seconds_to_run, lambda f: (None, None), True),
    _Row("run-down, s", lambda f: f.rundown_s, lambda f: (None, None), True),
)


def machine_trend(runs: Sequence[StoredRun], narrow: bool = False, changes: Collection[int] = ()) -> Figure | None:
    """Speed, misfires, hunting, start and run-down of every recording of a machine over the years.

    An open circle is a recording from before the work, a triangle one during it, a filled square one after; the bars
    are 95 % intervals. An arrow up from a mark is a figure of which only the least is known, a bar between two strokes
    and without a mark one of which only the ends are. A cross at the foot of the first row is a start that failed.
    changes: the runs from which on another engine is told; a dashed line stands before each, which no course crosses.
    None with fewer than two recordings.
    """
    known = [run for run in sorted(runs, key=lambda run: run.at) if run.analysis is not None]
    rows = [row for row in ROWS if sum(_drawn(row, run) for run in known) >= 2]
    if len(known) < 2 or not rows:
        return None
    failed = [run for run in known if run.analysis and not run.analysis.figures.heard and run.analysis.figures.pulls]
    signs = [FAILED] if failed else []
    signs += [sign for sign in (LEAST, BETWEEN) if any(_bounded(row, run) == sign for row in rows for run in known)]
    others = _changes(known, changes)
    signs += [ANOTHER] if others else []
    stages = {run.stage for run in known}
    columns = 2 if narrow and len(stages) + len(signs) > 3 else 6  # in one line, the last would run out of the picture
    lines = -(-(len(stages) + len(signs)) // columns)
    heights = (0.12 + 0.2 * (lines - 1), 1.25) + (0.9,) * (len(rows) - 1)
    figure, (top, *axes) = stacked(heights, narrow, left_in=0.72, gap_in=0.14)
    _dates(axes[-1], [run.at.local for run in known], narrow)
    for ax, row in zip(axes, rows, strict=True):
        _draw(ax, row, known, others)
    for run in failed:
        axes[0].plot([_days(run)], [0.06], "x", color=colour("lost"), markersize=6, markeredgewidth=1.4,
                     transform=axes[0].get_xaxis_transform(), clip_on=False)  # fmt: skip
    _key(top, stages, signs, columns)
    return figure


def _changes(runs: list[StoredRun], changes: Collection[int]) -> list[float]:
    """Where on the axis of time another engine begins: half way from the recording before."""
    return [0.5 * (_days(before) + _days(run)) for before, run in pairwise(runs) if run.id in changes]


def _days(run: StoredRun) -> float:
    """Where a recording stands on the axis of time: the days of matplotlib's dates."""
    from matplotlib.dates import date2num

    return float(date2num(run.at.local))


def _value(row: _Row, run: StoredRun) -> float | None:
    return row.value(run.analysis.figures) if run.analysis else None


def _bounded(row: _Row, run: StoredRun) -> str:
    """The sign for what is known of a figure that is withheld: LEAST, BETWEEN, or none."""
    if _value(row, run) is not None:
        return ""
    low, high = _ends(row, run)
    return "" if low is None else LEAST if high is None else BETWEEN


def _drawn(row: _Row, run: StoredRun) -> bool:
    return _value(row, run) is not None or bool(_bounded(row, run))


def _ends(row: _Row, run: StoredRun) -> tuple[float | None, float | None]:
    return row.ends(run.analysis.figures) if run.analysis else (None, None)


def _draw(ax: Axes, row: _Row, runs: list[StoredRun], others: list[float]) -> None:
    shown = [run for run in runs if _drawn(row, run)]
    # The line stops where the figure is withheld: through such a recording it would tell one. So it does where another
    # engine begins: what lies on its two sides is no course.
    points = [(_days(run), np.nan if (value := _value(row, run)) is None else value) for run in shown]
    points = sorted(points + [(at, np.nan) for at in others])
    ax.plot([at for at, _ in points], [value for _, value in points], color=colour("grid"), linewidth=1.2)
    for at in others:
        ax.axvline(at, color=colour("muted"), linewidth=1.0, linestyle="--")
    for run in shown:
        _mark(ax, row, run)
    _limits(ax, row, shown)
    name_axes(ax, None, row.name)


def _mark(ax: Axes, row: _Row, run: StoredRun) -> None:
    """One recording's figure, with the bar or the arrow of what is known of it."""
    value, sign, (low, high) = _value(row, run), _bounded(row, run), _ends(row, run)
    edge, inside = _tones(run.stage)
    if low is not None and high is not None:
        tone, end = (edge, "_") if sign else (colour("muted"), "")
        ax.plot([_days(run)] * 2, [low, high], color=tone, linewidth=1.0, marker=end, markersize=7, zorder=3)
    if sign == LEAST:
        ax.annotate("", (_days(run), low), (0, ARROW_PT), textcoords="offset points", annotation_clip=False,
                    arrowprops={"arrowstyle": "<|-", "color": edge, "shrinkA": 0, "shrinkB": 0})  # fmt: skip
    at = low if sign == LEAST else value
    if at is not None:
        ax.plot([_days(run)], [at], MARKS[run.stage], markersize=6, clip_on=False, zorder=4, markeredgecolor=edge,
                markerfacecolor=inside)  # fmt: skip


def _tones(stage: str) -> tuple[str, str]:
    """Colours of a mark's edge and inside: open before the work, filled after."""
    tone = colour("second" if stage == "before" else "line")
    return tone, tone if stage == "after" else "white"


def _limits(ax: Axes, row: _Row, shown: list[StoredRun]) -> None:
    ends = [end for run in shown for end in (_value(row, run), *_ends(row, run)) if end is not None]
    low, high = (0.0 if row.from_zero else min(ends)), max(ends)
    room = max(0.15 * (high - low), 0.02 * abs(high), 0.5 if row.from_zero else 1.0)
    arrows = [end for run in shown if _bounded(row, run) == LEAST and (end := _ends(row, run)[0]) is not None]
    height_pt = 72 * ax.get_position().height * ax.figure.figure.get_figheight()
    tip = low + (max(arrows, default=low) - low) / (1 - (ARROW_PT + 2) / height_pt)  # where the longest arrow ends
    ax.set_ylim(low if row.from_zero else low - room, max(high + room, tip))
    ax.locator_params(axis="y", nbins=4)


def _dates(ax: Axes, at: list[datetime], narrow: bool) -> None:
    """Ticks at round dates, as the span of time asks for; no two of them read the same."""
    from datetime import timedelta

    from matplotlib.dates import DateFormatter, date2num
    from matplotlib.ticker import FixedLocator

    known_days = (at[-1] - at[0]).total_seconds() / DAY_S
    span_days = 1.12 * max(known_days, LEAST_DAYS)
    room = timedelta(days=0.5 * (span_days - known_days))
    start, end = at[0] - room, at[-1] + room
    ax.set_xlim(float(date2num(start)), float(date2num(end)))
    locator, pattern = _calendar(span_days, 4 if narrow else 8, at[-1].tzinfo)
    last = date2num(end) - span_days * (0.14 if narrow else 0.06)  # beyond, a date would run out of the picture
    ax.xaxis.set_major_locator(
        FixedLocator([t for t in locator.tick_values(start, end) if date2num(start) <= t <= last])
    )
    ax.xaxis.set_major_formatter(DateFormatter(pattern, tz=at[-1].tzinfo))


def _calendar(span_days: float, most: int, zone: tzinfo | None) -> tuple[RRuleLocator, str]:
    """About `most` ticks at the most, and how they are written: never in a coarser step than they are apart."""
    from matplotlib import dates

    if span_days > 4 * YEAR_DAYS:
        return dates.YearLocator(_step(span_days / YEAR_DAYS / most, (1, 2, 5, 10, 20)), tz=zone), "%Y"
    if span_days > 60:
        months = range(1, 13, _step(span_days / 30 / most, (1, 2, 3, 4, 6, 12)))
        return dates.MonthLocator(months, tz=zone), "%b %Y"
    if span_days > most / 4:
        return dates.DayLocator(interval=_step(span_days / most, (1, 2, 5, 10, 20)), tz=zone), "%d %b"
    minutes = _step(1440 * span_days / (most // 2), (10, 30, 60, 120, 180, 360, 720))
    if minutes < 60:
        return dates.MinuteLocator(range(0, 60, minutes), tz=zone), "%d %b, %H:%M"
    return dates.HourLocator(range(0, 24, minutes // 60), tz=zone), "%d %b, %H:%M"


def _step(least: float, steps: tuple[int, ...]) -> int:
    """The smallest of the round steps that is not below `least`."""
    return next((step for step in steps if step >= least), steps[-1])


def _key(ax: Axes, stages: set[str], signs: list[str], columns: int) -> None:
    """What the marks mean, on axes of their own that are not drawn."""
    from matplotlib.path import Path

    for stage, mark in MARKS.items():
        if stage in stages:
            edge, inside = _tones(stage)
            ax.plot([], [], mark, linestyle="none", markersize=6, label=stage, markeredgecolor=edge,
                    markerfacecolor=inside)  # fmt: skip
    bar = Path([(-0.4, 1), (0.4, 1), (0, 1), (0, -1), (-0.4, -1), (0.4, -1)], [1, 2, 1, 2, 1, 2])
    marks = {FAILED: ("x", 6.0, "lost"), LEAST: ("$\\uparrow$", 9.0, "ink"), BETWEEN: (bar, 10.0, "ink")}
    for sign in signs:
        if sign == ANOTHER:
            ax.plot([], [], color=colour("muted"), linewidth=1.0, linestyle="--", label=sign)
            continue
        drawn, size, tone = marks[sign]
        ax.plot([], [], marker=drawn, linestyle="none", color=colour(tone), markersize=size, label=sign)
    ax.legend(loc="center left", ncols=columns, frameon=False, fontsize=TEXT_PT, borderpad=0, borderaxespad=0,
              handletextpad=0.2, columnspacing=1.2, labelcolor=colour("ink"))  # fmt: skip
    ax.set_axis_off()
