"""Before and after on one picture: speed from the start of the run on, and how strong the firings were.

Before is drawn dashed, after solid, and each line bears its name: no colour is needed to tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from enginelog.model import Run
from enginelog.plots.firing import loudness, unheard_mask
from enginelog.plots.speed import HATCHES, running
from enginelog.plots.style import INDENT, KIND_WORDS, TEXT_PT, colour, name_axes, stacked, text_width, time_axis, words
from enginelog.plots.thin import envelope

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LONGEST_S = 60.0  # longer runs are shown up to here, so that the start can be seen
LEAD_S = 15.0  # of the time before the run, where the pulls are
DRAWN_POINTS, BINS = 1500, 500
BIN = 0.1
LEAST_FIRINGS = 30
FAINT_SHARE = 0.01  # from so many in a hundred on they can be seen in the histogram
SIDES = ("before", "after")
DASHES = {"before": (0, (4, 1.6)), "after": "-"}
TONES = {"before": "second", "after": "line"}


@dataclass(frozen=True)
class _Side:
    """One run on the common axis of time: 0 is where it begins to run (where only pulled: its first pull)."""

    name: str
    run: Run
    zero_s: float
    start_s: float
    end_s: float


def before_after_speed(before: Run | None, after: Run | None, narrow: bool = False) -> Figure | None:
    """Speed of both runs over the time since the engine began to run, with what was heard when above it.

    Either may be missing. None where neither has anything to show.
    """
    sides = [_side(name, run) for name, run in zip(SIDES, (before, after), strict=True) if run and run.timeline.spans]
    if not sides:
        return None
    speeds = [side for side in sides if len(_known(side)[0])]
    heights = (0.22,) * len(sides) + ((1.9 if narrow else 2.4,) if speeds else ())
    figure, axes = stacked(heights, narrow, left_in=0.72, gap_in=0.08)
    start_s, end_s = min(side.start_s for side in sides), max(side.end_s for side in sides)
    time_axis(axes[-1], start_s, max(end_s, start_s + 2.0), narrow)
    ran = any(span.kind == "run" for side in sides for span in side.run.timeline.spans)
    name_axes(axes[-1], "seconds since it began to run" if ran else "seconds since the first pull", None)
    for ax, side in zip(axes, sides, strict=False):
        _strip(ax, side)
    if speeds:
        _speeds(axes[-1], speeds)
    return figure


def _side(name: str, run: Run) -> _Side:
    spans = run.timeline.spans
    first = next((span for span in spans if span.kind == "run"), None) or next(
        (span for span in spans if span.kind == "pull"), spans[0]
    )
    zero_s = first.start_s
    lead = [span.start_s for span in spans if span.kind == "pull" and span.start_s < zero_s]
    start_s = max(min(lead, default=zero_s) - zero_s - 0.5, -LEAD_S) if lead else -0.5
    return _Side(name, run, zero_s, start_s, min(spans[-1].end_s - zero_s, LONGEST_S))


def _strip(ax: Axes, side: _Side) -> None:
    """What was heard when, as a strip with the side's name at its left."""
    ax.set_ylim(0, 1)
    ax.set_yticks([])
    ax.grid(False)
    for edge in ("left", "bottom"):
        ax.spines[edge].set_visible(False)
    low, high = ax.get_xlim()
    for span in side.run.timeline.spans:
        start, end = max(span.start_s - side.zero_s, low), min(span.end_s - side.zero_s, high)
        if end <= start:
            continue
        ax.broken_barh([(start, end - start)], (0, 1), facecolor=colour(span.kind), edgecolor=colour("muted"),
                       linewidth=0.4, hatch=HATCHES[span.kind])  # fmt: skip
        _strip_word(ax, span.kind, start, end)
    _failed_word(ax, side)
    words(ax, -0.012, 0.5, side.name, transform=ax.transAxes, ha="right", fontsize=TEXT_PT)


def _failed_word(ax: Axes, side: _Side) -> None:
    """'did not start' behind the last pull, where there is room."""
    spans = side.run.timeline.spans
    end = spans[-1].end_s - side.zero_s
    kinds, text = {span.kind for span in spans}, f"{INDENT}did not start"
    if "run" not in kinds and "pull" in kinds and end + text_width(ax, text) < ax.get_xlim()[1]:
        words(ax, end, 0.46, text)


def _strip_word(ax: Axes, kind: str, start: float, end: float) -> None:
    text = KIND_WORDS[kind]
    if text_width(ax, text) <= end - start:
        ground = {"facecolor": colour(kind), "edgecolor": "none", "pad": 0.6} if HATCHES[kind] else None
        words(ax, 0.5 * (start + end), 0.46, text, ha="center", bbox=ground)


def _known(side: _Side) -> tuple[np.ndarray, np.ndarray]:
    """Time on the common axis and speed, NaN where unknown, inside the runs and up to where they are shown."""
    track = side.run.track
    t_s = track.t_s - side.zero_s
    here = running(side.run) & (t_s >= side.start_s) & (t_s <= side.end_s)
    if not any(span.kind == "run" for span in side.run.timeline.spans) or not np.isfinite(track.rpm[here]).any():
        return np.zeros(0), np.zeros(0)
    return t_s[here], track.rpm[here]


def _speeds(ax: Axes, sides: list[_Side]) -> None:
    lines = [(side.name, *_thinned(*_known(side))) for side in sides]
    known = np.concatenate([rpm[np.isfinite(rpm)] for _, _, rpm in lines])
    low, middle, high = np.percentile(known, [2, 50, 99.5])
    low = min(low, known.min()) if known.min() > 0.7 * middle else low
    room = max(0.12 * (high - low), 0.02 * high)
    ax.set_ylim(max(low - room, 0), high + 2.2 * room)
    for name, t_s, rpm in lines:
        wide = 1.2 if name == "before" else 1.6
        ax.plot(t_s, rpm, color=colour(TONES[name]), linewidth=wide, linestyle=DASHES[name], label=name)
    name_axes(ax, None, "rpm")
    _key(ax, len(lines))


def _key(ax: Axes, count: int) -> None:
    """The names of the lines at the top of the picture, each beside a piece of its line."""
    if count:
        key = ax.legend(loc="upper right", ncols=2, frameon=False, fontsize=TEXT_PT, handlelength=2.6,
                        borderaxespad=0.1, labelcolor=colour("ink"))  # fmt: skip
        key.set_zorder(5)


def _thinned(t_s: np.ndarray, rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if len(t_s) <= DRAWN_POINTS:
        return t_s, rpm
    thin = envelope(t_s, rpm, BINS)
    return thin.x, thin.mean


def before_after_strength(before: Run | None, after: Run | None, narrow: bool = False) -> Figure | None:
    """How many firings were how strong, in per cent of all, before and after. None where too few were heard."""
    runs = [(name, run) for name, run in zip(SIDES, (before, after), strict=True) if run is not None]
    values = {name: _strengths(run) for name, run in runs}
    values = {name: found for name, found in values.items() if len(found) >= LEAST_FIRINGS}
    if not values:
        return None
    top = float(np.clip(max(np.percentile(found, 99.5) for found in values.values()) * 1.1, 1.6, 2.6))
    edges = np.arange(0, top + BIN, BIN)
    figure, (ax,) = stacked((1.6 if narrow else 1.8,), narrow, left_in=0.72)
    highest = 0.0
    for name, found in values.items():
        share = 100 * np.histogram(np.minimum(found, edges[-1] - 1e-6), edges)[0] / len(found)
        highest = max(highest, float(share.max()))
        if name == "after":
            ax.stairs(share, edges, fill=True, color=colour("band"), alpha=0.6, linewidth=0)
        ax.stairs(share, edges, color=colour(TONES[name]), linewidth=1.5, linestyle=DASHES[name], label=name,
                  zorder=3 if name == "before" else 2)  # fmt: skip
    ax.set_xlim(0, edges[-1])
    ax.set_ylim(0, 1.28 * highest)
    faint = any(heard_faintly(run) for name, run in runs if name in values)
    none = "lost or not heard" if faint else "a lost one"
    name_axes(ax, f"strength of a firing (1 is a normal one, near 0 {none})", "% of firings")
    if narrow:
        name_axes(ax, f"strength (1 normal, 0 {'lost or not heard' if faint else 'lost'})", None)
    _key(ax, len(values))
    return figure


def heard_faintly(run: Run) -> bool:
    """Whether so many firings lie near nothing without being held for lost that what lies there is no sign of it."""
    counted = _counted(run)
    return bool(counted.any()) and float(np.mean(unheard_mask(run)[counted])) > FAINT_SHARE


def _strengths(run: Run) -> np.ndarray:
    return loudness(run)[_counted(run)]


def _counted(run: Run) -> np.ndarray:
    """Which firings the histogram holds: those of a run, with a strength."""
    t_s = run.firings.t_s
    inside = np.zeros(len(t_s), bool)
    for span in run.timeline.spans:
        if span.kind == "run":
            inside |= (t_s >= span.start_s) & (t_s < span.end_s)
    return inside & np.isfinite(loudness(run))
