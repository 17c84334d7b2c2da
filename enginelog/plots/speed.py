"""Speed over time with the timeline above it, and the speed's own spectrum."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from enginelog.model import Run, Span, Track
from enginelog.model.wording import significant
from enginelog.plots.style import INDENT, KIND_WORDS, TEXT_PT, colour, name_axes, stacked, text_width, time_axis, words
from enginelog.plots.thin import envelope, stretches

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DRAWN_POINTS = 1500
BINS = 500
SURE = 0.5
# Before the cut, in which the last firings share their windows with what comes after: longer than what the mean of the
# trials needs (`timeline.coasting`), since the band drawn is that of the track, and shorter than `speed.coasted` looks
# back, since a run that wanders up before its cut is drawn so.
ABOUT_CUT_S = 0.2
WORD_HEIGHT, PLACES = 0.09, 12  # of a word beside a line, as a share of the axis; places tried along it
GAPS = (0.02, 0.06, 0.1)  # how far from its line such a word may stand, as shares of the axis
MARKS_FROM = 0.86  # share of the axis from which the words of marks stand
HUNTING_TOP_HZ = 5.0
HATCHES = {"quiet": None, "pull": "////", "run": None, "rundown": "\\\\\\\\"}


def speed_over_time(run: Run, narrow: bool = False) -> Figure | None:
    """Speed in rpm over the recording; blank where it is not known. None where no speed is known at all.

    Above: the timeline. Below: how sure each value is (0 to 1). Long recordings are drawn as the range of each stretch.
    """
    track = run.track_told
    if not np.isfinite(track.rpm).any():
        return None
    end_s = max(run.clip.seconds, float(track.t_s[-1]))
    figure, (strip, ax, sure) = stacked((0.26, 1.9 if narrow else 2.3, 0.34), narrow)
    time_axis(sure, 0.0, end_s, narrow)
    _timeline(strip, run)
    low, high = speed_limits(run)
    ax.set_ylim(low, high)
    _speed_line(ax, track, run.timeline.spans)
    _reference_lines(ax, run, low, high)
    _events(ax, run, high)
    name_axes(ax, None, "rpm")
    _confidence(sure, track)
    return figure


def not_drawn_below(run: Run) -> float | None:
    """The rpm under which values (run-up, run-down) leave the picture, for its caption; None where none does."""
    rpm = run.track_told.rpm
    if not np.isfinite(rpm).any():
        return None
    low = speed_limits(run)[0]
    return low if np.nanmin(rpm) < low else None


def timeline_only(run: Run, narrow: bool = False) -> Figure | None:
    """The timeline by itself, for a recording without a known speed. None where there is no timeline."""
    if not run.timeline.spans:
        return None
    figure, (strip,) = stacked((0.4,), narrow, left_in=0.2)
    time_axis(strip, 0.0, max(run.clip.seconds, run.timeline.spans[-1].end_s), narrow)
    _timeline(strip, run)
    strip.tick_params(axis="y", length=0)
    return figure


def speed_limits(run: Run) -> tuple[float, float]:
    """Lowest and highest rpm to draw: the run itself, at least 8 % of its speed wide, or everything where it varies."""
    told = run.track_told.rpm
    rpm = told[running(run) & np.isfinite(told)]
    rpm = rpm if len(rpm) else told[np.isfinite(told)]
    low, middle, high = np.percentile(rpm, [1, 50, 99])
    low, high = min(low, rpm.min() if rpm.min() > 0.7 * middle else low), max(high, min(rpm.max(), 1.3 * middle))
    missing = max(0.08 * middle - (high - low), 0) / 2
    margin = 0.08 * (high - low) + missing
    return max(0.0, low - margin), high + margin * 1.6


def running(run: Run) -> np.ndarray:
    """Which frames of the track lie inside a span of running: (n,) bool; all of them where the timeline has none."""
    spans = [span for span in run.timeline.spans if span.kind == "run"]
    mask = np.zeros(len(run.track.t_s), bool)
    for span in spans:
        mask |= (run.track.t_s >= span.start_s) & (run.track.t_s <= span.end_s)
    return mask if spans else np.ones(len(mask), bool)


def _timeline(strip: Axes, run: Run) -> None:
    strip.set_ylim(0, 1)
    strip.set_yticks([])
    strip.grid(False)
    strip.spines["left"].set_visible(False)
    strip.spines["bottom"].set_visible(False)
    low, high = strip.get_xlim()
    pulls = 0
    for span in run.timeline.spans:
        width = max(span.end_s - span.start_s, 0.002 * (high - low))
        strip.broken_barh([(span.start_s, width)], (0, 1), facecolor=colour(span.kind), edgecolor=colour("muted"),
                          linewidth=0.4, hatch=HATCHES[span.kind])  # fmt: skip
        pulls += span.kind == "pull"
        _span_label(strip, span, pulls, width)


def _span_label(strip: Axes, span: Span, pulls: int, width: float) -> None:
    """The span's word where it fits; a pull gets its number, on a plain ground so that the hatching cannot hide it."""
    choices = (f"pull {pulls}", str(pulls)) if span.kind == "pull" else (KIND_WORDS[span.kind],)
    for text in choices:
        if text_width(strip, text) <= width:
            ground = {"facecolor": colour(span.kind), "edgecolor": "none", "pad": 0.6} if HATCHES[span.kind] else None
            words(strip, span.start_s + width / 2, 0.47, text, ha="center", bbox=ground)
            return


def _speed_line(ax: Axes, track: Track, spans: Sequence[Span]) -> None:
    if len(track.t_s) > DRAWN_POINTS:
        thin = envelope(track.t_s, track.rpm, BINS)
        ax.fill_between(thin.x, thin.low, thin.high, color=colour("band"), alpha=0.75, linewidth=0)
        ax.plot(thin.x, thin.mean, color=colour("line"), linewidth=1.1)
        return
    std = np.nan_to_num(track.rpm_std)
    high = coasting_down(track.t_s, track.rpm + 2 * std, spans)
    ax.fill_between(track.t_s, track.rpm - 2 * std, high, color=colour("band"), alpha=0.5, linewidth=0)
    sure = track.confidence >= SURE
    ax.plot(track.t_s, np.where(sure, track.rpm, np.nan), color=colour("line"), linewidth=1.4)
    unsure = np.where(sure, np.nan, track.rpm)
    ax.plot(track.t_s, unsure, color=colour("line"), linewidth=1.0, linestyle=(0, (1, 1.5)))


def coasting_down(t_s: np.ndarray, high: np.ndarray, spans: Sequence[Span]) -> np.ndarray:
    """The upper edge `high` (n,) of the band at the moments `t_s`, which cannot rise while nothing drives the crank:
    when it was cut is known to a tenth of a second or so, and the band about that moment is wide for falling alone."""
    high = high.copy()
    for span in spans:
        if span.kind == "rundown":
            rows = (t_s > span.start_s - ABOUT_CUT_S) & (t_s <= span.end_s)
            high[rows] = np.fmin.accumulate(high[rows])
    return high


def _reference_lines(ax: Axes, run: Run, low: float, high: float) -> None:
    """Rated and idle speed as told, where they lie in the picture."""
    for name, rpm in (("rated", run.engine.rated_rpm), ("idle", run.engine.idle_rpm)):
        if rpm is not None and low < rpm < high and f"{name}_rpm" not in run.engine.assumed:
            ax.axhline(rpm, color=colour("second"), linewidth=0.9, linestyle=(0, (6, 3)))
            text = f"{name} {rpm:z.0f}"
            at_s, gap = _free_place(ax, run.track_told, rpm, text)
            side = "bottom" if gap > 0 else "top"
            words(ax, at_s, rpm + gap * (high - low), text, va=side, color=colour("second"))


def _free_place(ax: Axes, track: Track, rpm: float, text: str) -> tuple[float, float]:
    """Where beside a level line at `rpm` its word hides least of the curve: (left end in seconds, how far above the
    line as a share of the axis, below it where negative). A curve that only passes through the word counts, too."""
    (first, last), (low, high) = ax.get_xlim(), ax.get_ylim()
    width, half = text_width(ax, text), WORD_HEIGHT * (high - low) / 2
    lower, upper = (each(track.rpm[:-1], track.rpm[1:]) for each in (np.minimum, np.maximum))  # NaN meets nothing
    hidden = {}
    for gap in (*GAPS, *(-gap for gap in GAPS)):
        centre = rpm + gap * (high - low) + np.sign(gap) * half
        outside = not low <= centre - half <= centre + half <= low + MARKS_FROM * (high - low)
        met = (lower < centre + 1.5 * half) & (upper > centre - 1.5 * half)
        for at_s in np.linspace(first + 0.005 * (last - first), last - width, PLACES):
            rows = (track.t_s[1:] >= at_s) & (track.t_s[:-1] <= at_s + width)
            hidden[float(at_s), gap] = outside, int(np.sum(met & rows)), abs(gap)
    return min(hidden, key=lambda place: hidden[place])


def settled_at_s(run: Run) -> float | None:
    """When the run became smooth, in the recording's time; None where it did not settle or that is not known."""
    settling = run.measures.settling
    start = next((span.start_s for span in run.timeline.spans if span.kind == "run"), None)
    return start + settling.settle_s if settling.found and settling.settle_s is not None and start is not None else None


def _events(ax: Axes, run: Run, high: float) -> None:
    """Loads, pops and the moment of settling: a mark at the top each, a word where there is room for it."""
    marks = [(step.at_s, "load") for step in run.measures.loads] + [(pop.at_s, "bang") for pop in run.timeline.pops]
    settled = settled_at_s(run)
    marks += [(settled, "smooth from here")] if settled is not None else []
    taken = -np.inf
    for at_s, text in sorted(marks):
        ax.axvline(at_s, color=colour("marker"), linewidth=0.8, linestyle=(0, (2, 2)))
        ax.plot([at_s], [high], marker="v", markersize=5, color=colour("marker"), clip_on=False)
        width = text_width(ax, text)
        right = at_s + width * 1.2 < ax.get_xlim()[1]
        start = at_s + 0.15 * width if right else at_s - 1.15 * width
        if start > taken:
            words(ax, at_s, 0.93, f"{INDENT[0]}{text}{INDENT[0]}", color=colour("marker"),
                  transform=ax.get_xaxis_transform(), ha="left" if right else "right")  # fmt: skip
            taken = start + width


def _confidence(ax: Axes, track: Track) -> None:
    x, value = track.t_s, track.confidence
    if len(x) > DRAWN_POINTS:
        thin = envelope(x, value, BINS)
        x, value = thin.x, np.nan_to_num(thin.mean)
    ax.fill_between(x, 0, value, color=colour("band"), linewidth=0, step="mid")
    ax.set_ylim(0, 1)
    ax.set_yticks([0, 1], ["0", "1"])
    name_axes(ax, None, "sure")
    ax.yaxis.label.set_fontsize(TEXT_PT - 1)


def swing_spectrum(run: Run, longest_s: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """How far the speed swings at each rate: (rate in Hz, peak-to-peak swing in rpm), from the longest run.

    Mean power of Hann-weighted stretches of at most `longest_s`, half overlapping, straight line removed; the scale is
    that of a sine of that swing (amplitude spectrum). Empty arrays where less than 4 s of speed is known.
    """
    track = run.track
    best = max(stretches(running(run)), key=lambda pair: pair[1] - pair[0], default=(0, 0))
    t_s, rpm = track.t_s[slice(*best)], track.rpm[slice(*best)]
    known = np.isfinite(rpm)
    if known.sum() < 10 or t_s[-1] - t_s[0] < 4.0:
        return np.empty(0), np.empty(0)
    step = float(np.median(np.diff(t_s)))
    rpm = np.interp(t_s, t_s[known], rpm[known])
    length = min(len(rpm), int(longest_s / step))
    window = np.hanning(length)
    base = np.linspace(-1, 1, length)
    power = []
    for start in range(0, len(rpm) - length + 1, max(length // 2, 1)):
        part = rpm[start : start + length]
        part = part - np.polyval(np.polyfit(base, part, 1), base)
        power.append(np.abs(np.fft.rfft(part * window, 4 * length)) ** 2)
    swing = 4 * np.sqrt(np.mean(power, axis=0)) / window.sum()
    rate = np.fft.rfftfreq(4 * length, step)
    keep = (rate >= 0.05) & (rate <= HUNTING_TOP_HZ)
    return rate[keep], swing[keep]


def hunting_spectrum(run: Run, narrow: bool = False) -> Figure | None:
    """Swing of the speed against its rate, the found rate marked. None where too little speed is known."""
    rate, swing = swing_spectrum(run)
    if not len(rate):
        return None
    if len(rate) > 2 * BINS:
        thin = envelope(rate, swing, BINS)
        rate, swing = thin.x, thin.high
    figure, (ax,) = stacked((1.5,), narrow)
    ax.fill_between(rate, 0, swing, color=colour("band"), alpha=0.6, linewidth=0)
    ax.plot(rate, swing, color=colour("line"), linewidth=1.2)
    ax.set_xlim(0, rate[-1])
    ax.set_ylim(0, max(swing.max() * 1.25, 0.01 * float(np.nanmedian(run.track.rpm))))
    hunting = run.measures.hunting
    if hunting.found and hunting.rate_hz:
        top = swing.max() * 1.15
        said = f"{INDENT}{significant(hunting.rate_hz, 2)} swings a second"
        words(ax, hunting.rate_hz, top, said, color=colour("marker"))
        ax.plot([hunting.rate_hz], [top], "v", markersize=6, color=colour("marker"))
    name_axes(ax, "swings a second (Hz)", "rpm, top to bottom")
    return figure
