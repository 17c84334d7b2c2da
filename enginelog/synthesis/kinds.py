"""The kinds of machine that can be drawn, with what is usual for each.

Speeds are makers' data and common practice; they are ranges to draw from, no limits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

Range = tuple[float, float]


@dataclass(frozen=True)
class Kind:
    """What is usual for a kind of machine: ranges to draw from.

    poles: of the alternator. whine: gears or a chain. between: its operator runs it at any speed between idle and top.
    """

    strokes: int
    angles_deg: tuple[float, ...]
    idle_rpm: Range | None
    top_rpm: Range
    rundown_s: Range
    governed: bool = True
    pull_rpm: Range = (450, 900)
    electric: bool = False
    blade: bool = False
    poles: int | None = None
    whine: bool = False
    between: bool = False
    pipe_hz: Range = (110, 260)
    pulse_deg: Range = (30, 90)


_SAW = Kind(
    2,
    (0,),
    (2500, 2800),
    (9500, 13_800),
    (0.6, 1.5),
    governed=False,
    pull_rpm=(600, 1300),
    whine=True,
    between=True,
    pipe_hz=(200, 600),
    pulse_deg=(70, 190),
)
_TWIN = Kind(4, (0, 270), (1500, 1800), (3000, 3900), (2.0, 3.8), electric=True, pull_rpm=(350, 600))

KINDS = {
    "mower": Kind(4, (0,), (1700, 2000), (2800, 3250), (1.8, 3.5), blade=True),
    "generator": Kind(4, (0,), None, (3000, 3180), (2.0, 4.0), poles=2),
    "generator_60": Kind(4, (0,), None, (3570, 3780), (2.2, 4.0), poles=2),
    "pump": Kind(4, (0,), (1400, 1900), (3200, 3850), (1.5, 3.0)),
    "tiller": Kind(4, (0,), (1400, 1800), (3200, 3600), (1.5, 3.0), whine=True),
    "saw": _SAW,
    "trimmer": replace(_SAW, idle_rpm=(2600, 3200), top_rpm=(7000, 11_000)),
    "twin_270": _TWIN,
    "twin_180": replace(_TWIN, angles_deg=(0, 180), idle_rpm=(1200, 1700)),
    "twin_360": replace(_TWIN, angles_deg=(0, 360), idle_rpm=(1200, 1700)),
    "two_stroke_twin": Kind(2, (0, 180), (900, 1400), (4000, 5800), (1.2, 2.5), between=True, pulse_deg=(50, 130)),
    "triple": Kind(4, (0, 240, 480), (850, 1200), (2200, 3200), (1.8, 3.5), electric=True, pull_rpm=(250, 400)),
    "four": Kind(
        4, (0, 180, 360, 540), (700, 1000), (1800, 3400), (1.5, 3.0), electric=True, pull_rpm=(220, 350), between=True
    ),
}
ALIASES = {"brushcutter": "trimmer", "chainsaw": "saw", "generator_50": "generator"}
