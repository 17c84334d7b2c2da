"""The look shared by all pictures: colours with their names for the page, sizes, axes of time.

Each colour stands for one CSS variable of the page (`--plot-<name>`), so that one vector picture serves light and dark.
No picture tells anything by colour alone: shape, place or a word says it too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from enginelog.model.wording import significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = {
    "ink": "#22303a",
    "muted": "#566069",
    "grid": "#dcdfe2",
    "line": "#1d6f91",
    "band": "#8fbfd4",
    "second": "#8a5a18",
    "lost": "#b3261e",
    "run": "#cfe6d8",
    "pull": "#f3d9a6",
    "quiet": "#e9ebee",
    "rundown": "#d9d3ea",
    "marker": "#6b3fa0",
}
WIDE_IN, NARROW_IN = 8.2, 3.6
TEXT_PT = 9.0
INDENT = "\u00a0\u00a0"  # keeps a word off its mark; plain blanks at the start are dropped in SVG
STEPS_S = (0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 14400)
KIND_WORDS = {"quiet": "no engine", "pull": "pull", "run": "running", "rundown": "run-down"}


def colour(name: str) -> str:
    """The hexadecimal colour of that name (KeyError where there is none)."""
    return COLOURS[name]


def stacked(
    heights_in: tuple[float, ...], narrow: bool, left_in: float = 0.62, gap_in: float = 0.1
) -> tuple[Figure, list[Axes]]:
    """A figure with axes stacked from top to bottom, each `heights_in` high, sharing the axis of x: (figure, axes)."""
    from matplotlib.figure import Figure

    width = NARROW_IN if narrow else WIDE_IN
    top, bottom, right = 0.12, 0.5, 0.14
    total = top + sum(heights_in) + gap_in * (len(heights_in) - 1) + bottom
    figure: Figure = Figure(figsize=(width, total), facecolor="none")
    axes: list[Axes] = []
    y = total - top
    for height in heights_in:
        place = (left_in / width, (y - height) / total, (width - left_in - right) / width, height / total)
        axes.append(figure.add_axes(place, sharex=axes[0] if axes else None))
        plain(axes[-1])
        y -= height + gap_in
    for upper in axes[:-1]:
        upper.tick_params(labelbottom=False, length=0)
    return figure, axes


def plain(ax: Axes) -> None:
    """Quiet axes: thin frame at the left and below, light grid, one size of text."""
    ax.set_facecolor("none")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(colour("muted"))
        ax.spines[side].set_linewidth(0.7)
    ax.tick_params(colors=colour("muted"), labelcolor=colour("ink"), labelsize=TEXT_PT, width=0.7, length=3)
    ax.grid(True, color=colour("grid"), linewidth=0.6)
    ax.set_axisbelow(True)


def name_axes(ax: Axes, x: str | None, y: str | None) -> None:
    """Axis titles in the common size; None leaves one out."""
    if x:
        ax.set_xlabel(x, fontsize=TEXT_PT, color=colour("ink"), labelpad=3)
    if y:
        ax.set_ylabel(y, fontsize=TEXT_PT, color=colour("ink"), labelpad=4)


def words(
    ax: Axes,
    x: float,
    y: float,
    text: str,
    *,
    fontsize: float = TEXT_PT - 0.8,
    color: str | None = None,
    ha: str = "left",
    va: str = "center",
    **how,
) -> None:
    """A word inside a picture, in the small common size and the colour of ink; `how`: what else a text takes."""
    ax.text(x, y, text, fontsize=fontsize, color=color or colour("ink"), ha=ha, va=va, clip_on=False, **how)


def time_axis(ax: Axes, start_s: float, end_s: float, narrow: bool) -> None:
    """Round ticks of time from `start_s` to `end_s`, in seconds up to two minutes and as clock time beyond."""
    span = max(end_s - start_s, 0.1)
    most = 5 if narrow else 11
    step = next((s for s in STEPS_S if span / s <= most), STEPS_S[-1])
    ticks = np.arange(np.ceil(start_s / step - 1e-9) * step, end_s + 1e-9, step)
    ax.set_xlim(start_s, start_s + span)
    ax.set_xticks(ticks, [clock(t, span) for t in ticks])
    unit = "seconds" if span <= 120 else "minutes:seconds" if span < 3600 else "hours:minutes"
    name_axes(ax, f"time in the recording ({unit})", None)


def clock(t_s: float, span_s: float) -> str:
    """A time as seconds (`span_s` up to 120), minutes:seconds (under an hour) or hours:minutes."""
    if span_s <= 120:
        return significant(t_s, 3) if abs(t_s) > 1e-9 else "0"
    if span_s < 3600:
        return f"{int(t_s // 60)}:{int(round(t_s % 60)):02d}"
    return f"{int(t_s // 3600)}:{int(t_s % 3600 // 60):02d}"


def text_width(ax: Axes, text: str) -> float:
    """About how wide a small word is, in units of x (for keeping words apart; half an em a letter)."""
    whole = ax.figure.figure  # the figure itself, also where the axes stand in a part of one
    width_pt = ax.get_position().width * whole.get_figwidth() * 72
    low, high = ax.get_xlim()
    return (high - low) * 0.58 * TEXT_PT * len(text) / width_pt


def note(text: str) -> Figure:
    """A picture that holds only a line of words, where there is nothing to draw."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDE_IN, 1.0), facecolor="none")
    figure.text(0.5, 0.5, text, ha="center", va="center", fontsize=TEXT_PT + 2, color=colour("ink"))
    return figure
