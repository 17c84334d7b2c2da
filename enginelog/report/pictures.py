"""The pictures of the page: each drawn wide and narrow, with its caption in plain words and a text for
those who cannot see."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from enginelog import plots
from enginelog.model import Run
from enginelog.model.wording import begun_large
from enginelog.report.words import KINDS, count, figure, percent, rpm


@dataclass(frozen=True)
class Picture:
    """One picture: `wide` and `narrow` are SVG elements; the style sheet shows the one that fits."""

    name: str
    title: str
    caption: str
    wide: str
    narrow: str


def _picture(run: Run, name: str, draw: Callable[..., Any], title: str, caption: str, alt: str) -> Picture | None:
    wide, narrow = draw(run), draw(run, narrow=True)
    if wide is None or narrow is None:
        return None
    return Picture(name, title, caption, plots.to_svg(wide, f"{name}-w", alt), plots.to_svg(narrow, f"{name}-n", alt))


def speed(run: Run) -> Picture | None:
    """Speed over time; the timeline alone where no speed is known; None where neither is."""
    drawn = _picture(run, "speed", plots.speed_over_time, "Speed over time", _speed_caption(run), _speed_alt(run))
    return drawn or timeline(run)


def timeline(run: Run) -> Picture | None:
    """Only what happened when, where no speed could be drawn."""
    counts = {kind: sum(span.kind == kind for span in run.timeline.spans) for kind in KINDS}
    heard = ", ".join(f"{words} {n}" for kind, words in KINDS.items() if (n := counts[kind]))
    caption = "What was heard when. Pulls of the starter are hatched and numbered."
    return _picture(run, "timeline", plots.timeline_only, "What was heard when", caption,
                    f"Timeline of the recording; number of stretches: {heard}.")  # fmt: skip


def _speed_caption(run: Run) -> str:
    text = (
        "Turns of the crankshaft a minute (rpm). The strip on top shows what happened when: pulls are hatched and "
        "numbered, the run-down after ignition off is hatched the other way. The line is blank where the speed could "
        "not be told, dotted where it is unsure; the pale band is the uncertainty. Below: how sure each value is, "
        "from 0 to 1."
    )
    if len(run.track.t_s) > 1500:
        text = text.replace("the pale band is the uncertainty", "the pale band spans all values of each stretch")
    low = plots.not_drawn_below(run)
    return text if low is None else f"{text} Run-up and run-down below {rpm(low)} leave the picture."


def _speed_alt(run: Run) -> str:
    rpm_told = run.track_told.rpm
    known = rpm_told[np.isfinite(rpm_told)]
    if not len(known):
        return "Speed over time: not known."
    low, high = np.percentile(known, [5, 95])
    return f"Line of speed over time: nine tenths of it lie between {low:z.0f} and {high:z.0f} rpm."


def firing(run: Run) -> Picture | None:
    """Strength of each firing over time."""
    lost = int(plots.lost_mask(run.firings).sum())
    total = len(run.firings.t_s)
    dots = plots.drawn_as_dots(run.firings)
    mark = "One dot for each firing. " if dots else "Shaded: the range of strengths in each stretch. "
    shape = "cross" if plots.drawn_as_crosses(run.firings) else "stroke at the bottom"
    sure = plots.losses_sure(run)
    lost_mark = f"A {shape} is a firing that was lost (a misfire)." if lost else "No lost firing was heard."
    if not sure:
        lost_mark = "Whether any was lost cannot be told."
        lost_mark = f"A {shape} is a firing that was lost or weak: which cannot be told of each." if lost else lost_mark
    caption = f"How loud each firing was against its neighbours; 1 is a normal one. {mark}{lost_mark}"
    if total and float(np.nanmax(plots.loudness(run))) > plots.strength_top(run):
        caption += " Firings too loud for the picture lie at its upper edge."
    if run.engine.cylinders > 1:
        caption += " One row for each cylinder in firing order; the sound cannot tell which plug is A."
    alt = f"Strength of {count(total, 'firing')} over time, {lost} of them lost{'' if sure else ' or weak'}."
    return _picture(run, "firing", plots.firing_strengths, "Strength of each firing", caption, alt)


def orders(run: Run) -> Picture | None:
    """Order spectrum with the expected lines named."""
    caption = (
        "What beats in the sound, counted per turn of the crankshaft (the engine order). The names mark where this "
        "engine should show a line; the dots at the foot mark all lines that sound firing of this layout gives. "
    )
    caption += (
        "Lines between the dots can come from misfires, unequal cylinders or gears, and can be normal: they are no "
        "verdict. "
        if run.engine.cylinders > 1
        else "Lines between the dots come from elsewhere, such as gears or fans; by themselves they are no verdict. "
    )
    caption += "Levels count down from the loudest line; they are no sound level."
    names = "; ".join(f"{name} at {figure(order)}" for order, name in plots.named_orders(run.engine).items())
    return _picture(run, "orders", plots.order_spectrum, "What beats in the sound", caption,
                    f"Spectrum against engine orders. Expected lines: {names}.")  # fmt: skip


def evidence(run: Run, group: str) -> Picture | None:
    """The small picture that shows a finding of this group; None where seeing does not help."""
    makers = {"misfire": _miss, "hunting": _swing, "settling": _rough, "stopping": _run_down}
    return makers[group](run) if group in makers else None


def _miss(run: Run) -> Picture | None:
    one = "a lost firing" if plots.losses_sure(run) else "a firing that was lost or weak"
    caption = (
        f"A close look at {one} and those beside it: each bar is one firing, its height how loud it was; 1 is normal."
    )
    part = plots.strip_part(run)
    unheard = part is not None and bool(plots.unheard_mask(run)[part].any())
    caption += " At a '?' nothing clear was heard; whether one was lost there cannot be told." if unheard else ""
    lower = "" if unheard else ", and far lower than the others"
    alt = f"Bars of firing strength round {one}; each such one is marked{lower}."
    return _picture(run, "miss", plots.miss_strip, begun_large(one), caption, alt)


def _swing(run: Run) -> Picture | None:
    found = run.measures.hunting
    caption = (
        "How far the speed swings at each rate. A narrow peak is a regular swing; the low rest is the usual wobble."
    )
    size = "" if found.swing_percent is None else f", {percent(found.swing_percent)} of the speed"
    peak = "" if found.rate_hz is None else f" The peak lies at {figure(found.rate_hz)} swings a second{size}."
    return _picture(run, "swing", plots.hunting_spectrum, "How the speed swings", caption,
                    f"Swing of the speed against its rate.{peak}")  # fmt: skip


def _rough(run: Run) -> Picture | None:
    caption = "How unequal neighbouring firings are (spread in % of a normal firing): high is rough, low smooth."
    return _picture(run, "rough", plots.roughness, "Roughness over time", caption,
                    "Roughness over time, with the moment from which the engine runs smoothly.")  # fmt: skip


def _run_down(run: Run) -> Picture | None:
    caption = (
        "How the speed fell once the ignition was off, by the beat of the compressions; blank where that could not be "
        "told. The dot is where it stood still."
    )
    took_s = run.timeline.rundown_s
    alt = "Falling line of speed from ignition off" + (
        "." if took_s is None else f" to standstill after {took_s:z.1f} s."
    )
    return _picture(run, "rundown", plots.run_down, "How it ran down", caption, alt)
