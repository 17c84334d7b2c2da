"""Pictures of one run. Each is a pure function `Run -> Figure`, None where there is nothing to draw;
`narrow` for phones.

Figures are made without the drawing library's global state; the library is imported when the first one is made. Long
recordings are thinned to a fixed number of points, so a picture's size does not grow with the recording.
"""

import logging

from enginelog.plots.compare import before_after_speed, before_after_strength, heard_faintly
from enginelog.plots.export import to_png, to_svg
from enginelog.plots.firing import (
    cylinder_letter,
    drawn_as_crosses,
    drawn_as_dots,
    firing_strengths,
    losses_sure,
    lost_mask,
    loudness,
    miss_strip,
    roughness,
    strength_top,
    strip_part,
    unheard_mask,
)
from enginelog.plots.orders import ideal_lines, named_orders, order_spectrum
from enginelog.plots.speed import hunting_spectrum, not_drawn_below, speed_over_time, swing_spectrum, timeline_only
from enginelog.plots.stopping import run_down
from enginelog.plots.style import COLOURS, note
from enginelog.plots.trend import machine_trend

# What the drawing library warns of, such as a home folder it cannot write its cache into, concerns no user of this one.
logging.getLogger("matplotlib").setLevel(logging.ERROR)

__all__ = [
    "COLOURS",
    "before_after_speed",
    "before_after_strength",
    "cylinder_letter",
    "drawn_as_crosses",
    "drawn_as_dots",
    "firing_strengths",
    "heard_faintly",
    "hunting_spectrum",
    "ideal_lines",
    "losses_sure",
    "lost_mask",
    "loudness",
    "machine_trend",
    "miss_strip",
    "named_orders",
    "not_drawn_below",
    "note",
    "order_spectrum",
    "roughness",
    "run_down",
    "speed_over_time",
    "strength_top",
    "strip_part",
    "swing_spectrum",
    "timeline_only",
    "to_png",
    "to_svg",
    "unheard_mask",
]
