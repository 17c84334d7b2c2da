"""Level against engine orders, with the lines to be expected from the engine's layout named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from enginelog.dsp.pulses import line_strengths
from enginelog.model import Engine, Run
from enginelog.plots.style import colour, name_axes, stacked, text_width, words
from enginelog.plots.thin import envelope

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BINS = 900
FLOOR_DB = -65.0
EXPECTED_SHARE = 0.3  # a line counts as expected from this share of the sum of all firings on
ROW_DB = 7.5


def ideal_lines(engine: Engine, top_order: float) -> tuple[np.ndarray, np.ndarray]:
    """Orders 1/revs_per_cycle, 2/..., up to `top_order`, and the strength of each for equal firings.

    Its largest value is the number of cylinders: see `dsp.pulses.line_strengths`.
    """
    step = 1.0 / engine.revs_per_cycle
    lines = int(top_order / step + 1e-9)
    places = engine.firing_places
    return step * np.arange(1, lines + 1), engine.cylinders * line_strengths(places, lines)


def named_orders(engine: Engine) -> dict[float, str]:
    """Names of the orders worth a word, in ascending order; names that fall on one order are joined."""
    firing = engine.cylinders / engine.revs_per_cycle
    wanted = [(firing, "firing"), (1.0, "crank"), (2 * firing, "2 × firing")]
    if not np.isclose(firing, 1.0 / engine.revs_per_cycle):
        wanted.append((1.0 / engine.revs_per_cycle, "working cycle"))
    if engine.has_blade:
        wanted.append((2.0, "blade tips"))
    named: dict[float, str] = {}
    for order, name in wanted:
        named[round(order, 4)] = f"{named[round(order, 4)]} + {name}" if round(order, 4) in named else name
    return dict(sorted(named.items()))


def order_spectrum(run: Run, narrow: bool = False) -> Figure | None:
    """Level in dB below the strongest line against engine order. None where the run has no spectrum."""
    spectrum = run.spectrum
    if spectrum is None or not np.isfinite(spectrum.level_db).any():
        return None
    firing = run.engine.cylinders / run.engine.revs_per_cycle
    top = min(float(spectrum.order[-1]), max(6.0, 4 * firing) if narrow else max(8.0, 6 * firing))
    keep = spectrum.order <= top
    order, level = spectrum.order[keep], spectrum.level_db[keep] - np.nanmax(spectrum.level_db[keep])
    if len(order) > BINS:
        thin = envelope(order, level, BINS)
        order, level = thin.x, thin.high
    figure, (ax,) = stacked((2.1,), narrow)
    floor = max(FLOOR_DB, float(np.nanpercentile(level, 5)) - 8)
    ax.fill_between(order, floor, np.maximum(level, floor), color=colour("band"), alpha=0.55, linewidth=0)
    ax.plot(order, np.maximum(level, floor), color=colour("line"), linewidth=1.0)
    ax.set_xlim(0, top)
    _expected(ax, run.engine, top, floor)
    rows = _names(ax, run.engine, top)
    ax.set_ylim(floor, 6 + ROW_DB * rows)
    ax.set_yticks(np.arange(np.ceil(floor / 20) * 20, 1, 20))
    ax.set_xticks(np.arange(0, top + 1e-9, 1 if top <= 12 else 2))
    name_axes(ax, "times per crank turn (engine order)", "level, dB")
    return figure


def _expected(ax: Axes, engine: Engine, top: float, floor: float) -> None:
    """A dot at the foot of each order where a sound engine of this layout has a line."""
    orders, strength = ideal_lines(engine, top - 1e-6)
    here = orders[strength > EXPECTED_SHARE * engine.cylinders]
    ax.plot(here, np.full(len(here), floor), "o", markersize=4, color=colour("second"), clip_on=False, zorder=5)


def _names(ax: Axes, engine: Engine, top: float) -> int:
    """Names above their lines, in as many rows as keep them apart; gives the number of rows."""
    ends: list[float] = []
    for order, name in named_orders(engine).items():
        if order >= top:
            continue
        width = text_width(ax, name)
        start = min(order - 0.02 * top, top - width)
        row = next((i for i, end in enumerate(ends) if end < start), len(ends))
        ends[row : row + 1] = [start + 1.1 * width]
        y = 6 + ROW_DB * row
        ax.plot([order, order], [-200, y - 2.5], color=colour("marker"), linewidth=0.7, linestyle=(0, (2, 2)), zorder=1)
        words(ax, start, y, name, color=colour("marker"))
    return len(ends)
