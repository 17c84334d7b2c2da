"""A machine over the seasons: its main figures at each recording, one row a figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
DAY_S = 86400.0
YEAR_DAYS = 365.25
LEAST_DAYS = 0.1  # the axis never spans less, so that ticks stand whole minutes apart


@dataclass(frozen=True)
class _Row:
    """One figure: its name on the axis, its value, and the ends of its interval where it has one."""

    name: str
    value: Callable[[RunFigures], float | None]
    ends: Callable[[RunFigures], tuple[float | None, float | None]]
    from_zero: bool


ROWS = (
    _Row("rpm", lambda f: None if f.held_rpm else f.rpm, lambda f: (f.rpm_low, f.rpm_high), False),
    _Row("misfires, %", lambda f: f.misfire_percent, lambda f: (f.misfire_low, f.misfire_high), True),
    _Row("hunting, %", lambda f: f.hunting_swing_percent, lambda f: (None, None), True),
    _Row("start, s", lambda f: f.seconds_to_run, lambda f: (None, None), True),
    _Row("run-down, s", lambda f: f.rundown_s, lambda f: (None, None), True),
)


def machine_trend(runs: Sequence[StoredRun], narrow: bool = False) -> Figure | None:
    """Speed, misfires, hunting, start and run-down of every recording of a machine over the years.

    An open circle is a recording from before the work, a triangle one during it, a filled square one after; the bars
    are 95 % intervals. A cross at the foot of the first row is a start that failed. None with fewer than two
    recordings.
    """
    known = [run for run in sorted(runs, key=lambda run: run.at) if run.analysis is not None]
    rows = [row for row in ROWS if sum(_value(row, run) is not None for run in known) >= 2]
    if len(known) < 2 or not rows:
        return None
    failed = [run for run in known if run.analysis and not run.analysis.figures.heard and run.analysis.figures.pulls]
    stages = {run.stage for run in known}
    two_lines = narrow and len(stages) + bool(failed) > 3  # in one, the last would run out of the picture
    heights = (0.32 if two_lines else 0.12, 1.25) + (0.9,) * (len(rows) - 1)
    figure, (top, *axes) = stacked(heights, narrow, left_in=0.72, gap_in=0.14)
    _dates(axes[-1], [run.at.local for run in known], narrow)
    for ax, row in zip(axes, rows, strict=True):
        _draw(ax, row, known)
    for run in failed:
        axes[0].plot([_days(run)], [0.06], "x", color=colour("lost"), markersize=6, markeredgewidth=1.4,
                     transform=axes[0].get_xaxis_transform(), clip_on=False)  # fmt: skip
    _key(top, stages, bool(failed), 2 if two_lines else 4)
    return figure


def _days(run: StoredRun) -> float:
    """Where a recording stands on the axis of time: the days of matplotlib's dates."""
    from matplotlib.dates import date2num

    return float(date2num(run.at.local))


def _value(row: _Row, run: StoredRun) -> float | None:
    return row.value(run.analysis.figures) if run.analysis else None


def _draw(ax: Axes, row: _Row, runs: list[StoredRun]) -> None:
    shown = [(run, value) for run in runs if (value := _value(row, run)) is not None]
    ax.plot([_days(run) for run, _ in shown], [value for _, value in shown], color=colour("grid"), linewidth=1.2)
    for run, value in shown:
        figures = run.analysis.figures if run.analysis else RunFigures()
        low, high = row.ends(figures)
        if low is not None and high is not None:
            ax.plot([_days(run)] * 2, [low, high], color=colour("muted"), linewidth=1.0)
        edge, inside = _tones(run.stage)
        ax.plot([_days(run)], [value], MARKS[run.stage], markersize=6, clip_on=False, zorder=4, markeredgecolor=edge,
                markerfacecolor=inside)  # fmt: skip
    _limits(ax, row, shown)
    name_axes(ax, None, row.name)


def _tones(stage: str) -> tuple[str, str]:
    """Colours of a mark's edge and inside: open before the work, filled after."""
    tone = colour("second" if stage == "before" else "line")
    return tone, tone if stage == "after" else "white"


def _limits(ax: Axes, row: _Row, shown: list[tuple[StoredRun, float]]) -> None:
    ends = [end for run, _ in shown if run.analysis for end in row.ends(run.analysis.figures) if end is not None]
    values = np.array([value for _, value in shown] + ends)
    low, high = (0.0 if row.from_zero else float(values.min())), float(values.max())
    room = max(0.15 * (high - low), 0.02 * abs(high), 0.5 if row.from_zero else 1.0)
    ax.set_ylim(low if row.from_zero else low - room, high + room)
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


def _key(ax: Axes, stages: set[str], failed: bool, columns: int) -> None:
    """What the marks mean, on axes of their own that are not drawn."""
    for stage, mark in MARKS.items():
        if stage in stages:
            edge, inside = _tones(stage)
            ax.plot([], [], mark, linestyle="none", markersize=6, label=stage, markeredgecolor=edge,
                    markerfacecolor=inside)  # fmt: skip
    if failed:
        ax.plot([], [], "x", linestyle="none", color=colour("lost"), label="did not start")
    ax.legend(loc="center left", ncols=columns, frameon=False, fontsize=TEXT_PT, borderpad=0, borderaxespad=0,
              handletextpad=0.2, columnspacing=1.2, labelcolor=colour("ink"))  # fmt: skip
    ax.set_axis_off()
