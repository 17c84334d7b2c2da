"""Strength of each firing over time, a close look at a lost one, and roughness over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from enginelog.model import Firings, Run
from enginelog.plots.speed import settled_at_s
from enginelog.plots.style import INDENT, TEXT_PT, colour, name_axes, stacked, time_axis, words
from enginelog.plots.thin import envelope, rolling_spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LOST = 0.5
NEAR_NOTHING = 0.1  # of a normal firing: the first place of the histogram
DOTS, CROSSES, BINS, STROKES = 2500, 250, 400, 700
STRIP_EVENTS = 14
ROUGH_EVENTS, ROUGH_WINDOWS = 24, 300


def lost_mask(firings: Firings) -> np.ndarray:
    """Which firings are more likely lost than not: (firings,) bool."""
    return np.nan_to_num(firings.miss_probability) > LOST


def losses_sure(run: Run) -> bool:
    """Whether firings that are likelier lost than not may be called lost: where they are counted. Else each of them may
    only have burnt weakly, or lie farther from the microphone."""
    return run.measures.firing.misfires is not None


def unheard_mask(run: Run) -> np.ndarray:
    """Which firings lie near nothing and are not held for lost: (firings,) bool. Noise or a load hid them."""
    found = np.nan_to_num(loudness(run))
    return (found < NEAR_NOTHING) & ~lost_mask(run.firings)


def loudness(run: Run) -> np.ndarray:
    """Strength of each firing against all: its own against its place's norm, times that place's share (healthy = 1)."""
    level = run.firings.slot_level if run.engine.cylinders > 1 else 1.0
    return run.firings.strength * level


def drawn_as_dots(firings: Firings) -> bool:
    """True where each firing is one dot, False where there are so many that their range is drawn."""
    return max(np.bincount(np.asarray(firings.slot, int)), default=0) <= DOTS


def drawn_as_crosses(firings: Firings) -> bool:
    """True where each lost firing is a cross, False where there are so many that they are strokes."""
    return int(lost_mask(firings).sum()) <= CROSSES


def cylinder_letter(slot: int) -> str:
    """A, B, C...: places in the firing order; the sound cannot tell which plug is which, so they bear no numbers."""
    return chr(ord("A") + slot) if 0 <= slot < 26 else str(slot + 1)


def strength_top(run: Run) -> float:
    """Upper end of the axis of strength: a few loud outliers do not press the rest flat, they lie at the top edge."""
    return float(np.clip(np.nanpercentile(loudness(run), 99) * 1.2, 1.6, 2.6))


def firing_strengths(run: Run, narrow: bool = False) -> Figure | None:
    """Strength of every firing over time, one row a cylinder, lost ones crossed. None where no firing was found."""
    firings = run.firings
    if not len(firings.t_s):
        return None
    slots = np.unique(firings.slot)
    height = (1.7 if narrow else 1.9) if len(slots) == 1 else 1.15
    figure, axes = stacked((height,) * len(slots), narrow)
    strength, lost = loudness(run), lost_mask(firings)
    top = strength_top(run)
    strength = np.minimum(strength, 0.98 * top)
    time_axis(axes[-1], 0.0, max(run.clip.seconds, float(firings.t_s[-1])), narrow)
    for ax, slot in zip(axes, slots, strict=True):
        here = firings.slot == slot
        _strengths(ax, firings.t_s[here], strength[here], lost[here], drawn_as_dots(firings))
        _lost(ax, firings.t_s[here & lost], strength[here & lost], drawn_as_crosses(firings))
        ax.axhline(1.0, color=colour("muted"), linewidth=0.7, linestyle=(0, (6, 3)))
        ax.set_ylim(0, top)
        ax.set_yticks(np.arange(0, top, 0.5))
        name_axes(ax, None, "strength" if len(slots) == 1 else f"cylinder {cylinder_letter(int(slot))}")
    return figure


def _strengths(ax: Axes, t_s: np.ndarray, strength: np.ndarray, lost: np.ndarray, dots: bool) -> None:
    if dots:
        _strokes(ax, t_s[~lost], strength[~lost], strength[~lost], "line", 2.4, capstyle="round", alpha=0.8)
        return
    thin = envelope(t_s, np.where(lost, np.nan, strength), BINS)
    ax.fill_between(thin.x, thin.low, thin.high, color=colour("band"), alpha=0.75, linewidth=0)
    ax.plot(thin.x, thin.mean, color=colour("line"), linewidth=1.1)


def _lost(ax: Axes, t_s: np.ndarray, strength: np.ndarray, crosses: bool) -> None:
    """A cross for each lost firing; where they are too many, a stroke for each place of the axis that holds any."""
    if crosses:
        ax.plot(t_s, np.maximum(strength, 0.05), "x", markersize=4.5, color=colour("lost"), markeredgewidth=1.1)
        return
    step = ax.get_xlim()[1] / STROKES
    places = np.unique(np.round(t_s / step)) * step
    _strokes(ax, places, np.zeros(len(places)), np.full(len(places), 0.14), "lost", 0.7)


def _strokes(ax: Axes, x: np.ndarray, low: np.ndarray, high: np.ndarray, name: str, width_pt: float, **how) -> None:
    """Vertical strokes as one path, far smaller than an element each; of no height with round ends they are dots."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    ends = np.stack([np.repeat(x, 2), np.stack([low, high], axis=1).ravel()], axis=1)
    path = (
        Path(ends, np.tile([Path.MOVETO, Path.LINETO], len(x)).astype(np.uint8)) if len(x) else Path(np.empty((0, 2)))
    )
    path.should_simplify = False
    ax.add_patch(PathPatch(path, facecolor="none", edgecolor=colour(name), linewidth=width_pt, **how))


def example_miss(firings: Firings) -> int | None:
    """Index of the lost firing that shows it best: sure, few others near, not at the edge; None without one."""
    lost = np.flatnonzero(lost_mask(firings))
    if not len(lost):
        return None
    inner = lost[(lost >= STRIP_EVENTS) & (lost < len(firings.t_s) - STRIP_EVENTS)]
    lost = inner if len(inner) else lost
    crowd = np.searchsorted(lost, lost + STRIP_EVENTS, "right") - np.searchsorted(lost, lost - STRIP_EVENTS, "left")
    score = firings.miss_probability[lost] - 0.02 * crowd
    return int(lost[np.argmax(score)])


def strip_part(run: Run, narrow: bool = False) -> slice | None:
    """Which firings the close look at a lost one shows; None where none was lost."""
    middle = example_miss(run.firings)
    if middle is None:
        return None
    reach = STRIP_EVENTS // 2 + 1 if narrow else STRIP_EVENTS
    return slice(max(middle - reach, 0), middle + reach + 1)


def miss_strip(run: Run, narrow: bool = False) -> Figure | None:
    """One bar a firing round a lost one; with "?" where nothing clear was heard and none is held for lost. None where
    none was lost."""
    part = strip_part(run, narrow)
    if part is None:
        return None
    top = strength_top(run)
    strength, lost = np.minimum(loudness(run)[part], top), lost_mask(run.firings)[part]
    t_s, slot = run.firings.t_s[part], run.firings.slot[part]
    figure, (ax,) = stacked((1.35,), narrow)
    place = np.arange(len(strength))
    ax.bar(place[~lost], strength[~lost], width=0.72, color=colour("band"), edgecolor=colour("line"), linewidth=0.8)
    ax.bar(place[lost], strength[lost], width=0.72, color="none", edgecolor=colour("lost"), linewidth=1, hatch="////")
    for at in place[lost]:
        words(
            ax,
            at,
            strength[at] + 0.08,
            "lost" if losses_sure(run) else "lost?",
            ha="center",
            va="bottom",
            color=colour("lost"),
            rotation=90,
        )
    for at in place[unheard_mask(run)[part]]:
        words(ax, at, 0.3 if run.engine.cylinders > 1 else 0.08, "?", ha="center", va="bottom", color=colour("muted"))
    if run.engine.cylinders > 1:
        for at in place[~lost]:
            words(ax, at, 0.12, cylinder_letter(int(slot[at])), ha="center", fontsize=TEXT_PT - 1.5)
    ax.set_xlim(-0.6, len(place) - 0.4)
    ax.set_ylim(0, max(1.5, min(top, float(np.nanmax(strength)) * 1.1)))
    every = place[:: max(1, len(place) // (3 if narrow else 7))]
    ax.set_xticks(every, [f"{t_s[at]:z.2f}" for at in every])
    ax.grid(False, axis="x")
    name_axes(ax, "time in the recording (seconds)", "strength")
    return figure


def roughness(run: Run, narrow: bool = False) -> Figure | None:
    """How unequal neighbouring firings are, over time; the moment of settling marked. None with too few firings."""
    firings = run.firings
    if len(firings.t_s) < 2 * ROUGH_EVENTS:
        return None
    middle, spread = rolling_spread(np.nan_to_num(firings.strength, nan=1.0), ROUGH_EVENTS, ROUGH_WINDOWS)
    gap = firings.t_s[np.minimum(middle + ROUGH_EVENTS // 2, len(firings.t_s) - 1)] - firings.t_s[middle]
    spread[gap > 3 * np.median(gap)] = np.nan  # a window across a stop says nothing
    figure, (ax,) = stacked((1.5,), narrow)
    time_axis(ax, 0.0, max(run.clip.seconds, float(firings.t_s[-1])), narrow)
    ax.fill_between(firings.t_s[middle], 0, 100 * spread, color=colour("band"), alpha=0.6, linewidth=0)
    ax.plot(firings.t_s[middle], 100 * spread, color=colour("line"), linewidth=1.2)
    ax.set_ylim(0, max(20.0, 118 * float(np.nanmax(spread))))
    settled = settled_at_s(run)
    if settled is not None:
        ax.axvline(settled, color=colour("marker"), linewidth=1.0, linestyle=(0, (2, 2)))
        words(ax, settled, 0.9, f"{INDENT}smooth from here", transform=ax.get_xaxis_transform(), color=colour("marker"))
    name_axes(ax, None, "roughness, %")
    return figure
