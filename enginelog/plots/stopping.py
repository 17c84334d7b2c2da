"""How an engine ran down: its speed from the ignition off to standstill."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from enginelog.model import Run
from enginelog.model.wording import significant
from enginelog.plots.style import INDENT, colour, name_axes, stacked, text_width, words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BEFORE_S, AFTER_S = 0.5, 0.4  # what is drawn before the ignition goes off, and after the last mark
FEWEST = 8  # speeds told after it, 0.4 s


def run_down(run: Run, narrow: bool = False) -> Figure | None:
    """Speed over the seconds since the ignition went off, standstill and the limit for it marked. None where the time
    to standstill, or the speed on the way, is not told."""
    cut_s, took_s = run.timeline.cut_s, run.timeline.rundown_s
    if cut_s is None or took_s is None:
        return None
    track = run.track_told
    since_s, rpm = track.t_s - cut_s, track.rpm
    part = (since_s >= -BEFORE_S) & (since_s <= took_s)
    if np.isfinite(rpm[part & (since_s > 0)]).sum() < FEWEST:
        return None
    limit_s = next((found.limit for found in run.measures.findings if found.code == "stop"), None)
    figure, (ax,) = stacked((1.5,), narrow)
    ax.set_xlim(-BEFORE_S, max(took_s, limit_s or 0.0) + AFTER_S)
    ax.set_ylim(0.0, 1.2 * float(np.nanmax(rpm[part])))
    ax.plot(since_s[part], rpm[part], color=colour("line"), linewidth=1.4)
    _upright(ax, 0.0, "ignition off", "second")
    if limit_s is not None:
        _upright(ax, limit_s, f"limit {significant(limit_s, 2)} s", "lost")
    ax.plot([took_s], [0.0], "o", markersize=5, color=colour("marker"), clip_on=False)
    words(ax, took_s, 0.1, f"stands still{INDENT}", ha="right", color=colour("marker"),
          transform=ax.get_xaxis_transform())  # fmt: skip
    name_axes(ax, "seconds since the ignition went off", "rpm")
    return figure


def _upright(ax: Axes, at_s: float, text: str, name: str) -> None:
    """A dashed line at a moment, its word beside it where there is room."""
    ax.axvline(at_s, color=colour(name), linewidth=0.9, linestyle=(0, (6, 3)))
    right = at_s + text_width(ax, INDENT + text) < ax.get_xlim()[1]
    said = f"{INDENT}{text}" if right else f"{text}{INDENT}"
    words(ax, at_s, 0.93, said, ha="left" if right else "right", color=colour(name),
          transform=ax.get_xaxis_transform())  # fmt: skip
