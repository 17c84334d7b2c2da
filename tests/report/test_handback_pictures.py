"""The pictures of before against after and of a machine's seasons."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import make_runs
import numpy as np
import pytest

from enginelog import plots
from enginelog.compare import BeforeAfter
from enginelog.model import Analysis, Moment, RunFigures, StoredRun
from enginelog.report import pictures
from enginelog.report.handback_pictures import drawings


@pytest.fixture(scope="module")
def runs():
    return {name: make_runs.ALL[name]() for name in ("hunting_pump", "healthy_generator", "pulls_only", "talk_only")}


def test_both_lines_begin_where_the_engine_begins_to_run(runs):
    figure = plots.before_after_speed(runs["hunting_pump"], runs["healthy_generator"])
    lines = {line.get_label(): line for line in figure.axes[-1].get_lines()}
    assert set(lines) == {"before", "after"}
    for line in lines.values():
        assert -0.1 < line.get_xdata()[0] < 0.2
    assert lines["before"].get_linestyle() != lines["after"].get_linestyle()  # told apart without colour
    known = lines["before"].get_ydata()
    assert np.nanmin(known) == pytest.approx(np.nanmin(runs["hunting_pump"].track.rpm), rel=0.02)


def test_a_before_of_pulls_only_is_drawn_beside_the_run(runs):
    figure = plots.before_after_speed(runs["pulls_only"], runs["healthy_generator"])
    words = [text.get_text().strip() for ax in figure.axes for text in ax.texts]
    assert "did not start" in words and "before" in words and "after" in words
    alone = plots.before_after_speed(runs["pulls_only"], None)
    assert alone.axes[-1].get_xlabel() == "seconds since the first pull"


def test_nothing_to_draw(runs):
    assert plots.before_after_speed(None, None) is None
    assert plots.before_after_strength(runs["pulls_only"], None) is None


def test_one_side_alone(runs):
    for before, after in ((runs["hunting_pump"], None), (None, runs["healthy_generator"])):
        assert plots.before_after_speed(before, after) is not None
        assert plots.before_after_strength(before, after, narrow=True).get_figwidth() < 4


def test_shares_of_firings_add_up_to_all(runs):
    from matplotlib.patches import StepPatch

    figure = plots.before_after_strength(runs["hunting_pump"], runs["healthy_generator"])
    outlines = [
        patch
        for patch in figure.axes[0].patches
        if isinstance(patch, StepPatch) and patch.get_label() in ("before", "after")
    ]
    assert [patch.get_label() for patch in outlines] == ["before", "after"]
    for patch in outlines:
        assert patch.get_data().values.sum() == pytest.approx(100.0)


def at(day: str, stage: str, number: int, **figures) -> StoredRun:
    moment = Moment(f"{day}T09:00:00Z")
    analysis = Analysis(number, moment, "0.1.0", RunFigures(usable=True, **figures))
    return StoredRun(number, number, stage, moment, analysis=analysis)


SEASONS = (
    at("2024-04-02", "before", 1, pulls=6),
    at("2024-04-03", "after", 2, heard=True, rpm=3340.0, rpm_low=3325.0, rpm_high=3355.0, misfire_percent=0.2),
    at("2025-05-02", "before", 3, heard=True, rpm=3280.0, misfire_percent=9.0, misfire_low=6.0, misfire_high=13.0),
)


def test_the_seasons_show_only_figures_that_are_known():
    figure = plots.machine_trend(SEASONS)
    assert [ax.get_ylabel() for ax in figure.axes[1:]] == ["rpm", "misfires, %"]
    names = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert names == ["before", "after", "did not start"]
    assert plots.machine_trend(tuple(reversed(SEASONS))) is not None


RETURNED = (
    SEASONS[2],
    at("2025-05-03", "after", 4, heard=True, rpm=3300.0, misfire_percent=0.0, misfire_low=0.0, misfire_high=0.6),
    at("2026-05-02", "before", 5, heard=True, rpm=3310.0, misfire_low=9.9),
    at("2026-05-09", "during", 6, heard=True, rpm=3320.0, misfire_low=2.0, misfire_high=14.0),
)


def test_a_share_of_which_only_the_least_is_known_is_no_cure():
    """It was drawn as nothing beside the nothing heard of a year before. The figures are made up."""
    figure = plots.machine_trend(RETURNED)
    misfires = next(ax for ax in figure.axes if ax.get_ylabel() == "misfires, %")
    days = [plots.trend._days(run) for run in RETURNED]
    drawn = {(float(x), float(y)) for line in misfires.get_lines() if line.get_marker() in tuple("o^s")
             for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)}  # fmt: skip
    assert drawn == {(days[0], 9.0), (days[1], 0.0), (days[2], 9.9)}, "no value within what it lies between"
    (arrow,) = misfires.texts
    assert arrow.xy == (days[2], 9.9) and arrow.arrow_patch is not None
    low, high = misfires.get_ylim()
    height_pt = 72 * misfires.get_position().height * figure.get_figheight()
    assert 9.9 + plots.trend.ARROW_PT * (high - low) / height_pt <= high, "the whole arrow is in the picture"
    ends = [sorted(map(float, line.get_ydata())) for line in misfires.get_lines() if line.get_marker() == "_"]
    assert ends == [[2.0, 14.0]]
    course = misfires.get_lines()[0].get_ydata()
    assert list(np.isnan(course)) == [False, False, True, True], "the line does not tell what is withheld"
    names = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert names[3:] == ["at least so much", "between these"]


def test_an_arrow_alone_is_in_the_picture():
    figure = plots.machine_trend(
        [at(f"2026-05-0{k}", "before", k, heard=True, rpm=3000.0, misfire_low=9.0 + k) for k in (1, 2)]
    )
    misfires = next(ax for ax in figure.axes if ax.get_ylabel() == "misfires, %")
    height_pt = 72 * misfires.get_position().height * figure.get_figheight()
    assert 11.0 * (1 + plots.trend.ARROW_PT / (height_pt - plots.trend.ARROW_PT)) <= misfires.get_ylim()[1]


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize(
    ("more", "count"),
    [
        ((at("2025-05-03", "during", 4, heard=True, rpm=3290.0),), 4),
        ((at("2025-05-03", "before", 4, heard=True, misfire_low=9.9),), 4),
        (RETURNED[2:], 6),
    ],
)
def test_the_whole_key_of_the_seasons_is_in_the_picture(narrow, more, count):
    """With a recording during the work, too, a phone showed "did" of "did not start"."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = plots.machine_trend((*SEASONS, *more), narrow)
    FigureCanvasAgg(figure).draw()
    key = figure.axes[0].get_legend()
    texts = [text.get_window_extent() for text in key.get_texts()]
    assert len(texts) == count and max(box.x1 for box in texts) <= figure.bbox.x1
    assert (
        min(box.y0 for box in texts) >= figure.axes[1].get_window_extent().y1
        and max(b.y1 for b in texts) <= figure.bbox.y1
    )


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("days", [0.001, 0.02, 0.2, 1, 2, 2.7, 5, 20, 53, 54, 60, 61, 200, 900, 1300, 1470, 5000])
def test_no_two_dates_on_the_axis_read_the_same(days, narrow):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    first = datetime(2011, 11, 25, 9, 10, tzinfo=UTC)
    moments = [Moment((first + timedelta(days=part * days)).strftime("%Y-%m-%dT%H:%M:%SZ"), "+02:00")
               for part in (0.0, 0.3, 1.0)]  # fmt: skip
    runs = [replace(SEASONS[1], id=k, at=moment) for k, moment in enumerate(moments)]
    figure = plots.machine_trend(runs, narrow)
    FigureCanvasAgg(figure).draw()
    low, high = figure.axes[-1].get_xlim()
    ticks = [tick for tick in figure.axes[-1].xaxis.get_major_ticks() if low <= tick.get_loc() <= high]
    said = [tick.label1.get_text() for tick in ticks]
    assert 1 <= len(said) <= (6 if narrow else 11) and len(set(said)) == len(said), said
    boxes = [tick.label1.get_window_extent() for tick in ticks]
    assert all(one.x1 < other.x0 for one, other in pairwise(boxes)), said
    assert boxes[0].x0 >= 0 and boxes[-1].x1 <= figure.bbox.x1, said


def test_too_little_for_seasons():
    assert plots.machine_trend(()) is None and plots.machine_trend(SEASONS[:1]) is None
    assert plots.machine_trend((SEASONS[0], replace(SEASONS[0], id=5))) is None


def test_every_picture_can_be_saved(runs):
    figure = plots.before_after_speed(runs["hunting_pump"], runs["healthy_generator"], narrow=True)
    assert plots.to_png(figure)[:4] == b"\x89PNG"
    assert plots.to_svg(plots.machine_trend(SEASONS, narrow=True), "trend-n", "seasons").startswith("<svg")


def faint(run, share: float):
    """A run of which every so-many-th firing lies near nothing, without being held for lost. Made up."""
    strength = run.firings.strength.copy()
    strength[:: round(1 / share)] = 0.0
    return replace(run, firings=replace(run.firings, strength=strength))


@pytest.mark.parametrize("narrow", [False, True])
def test_what_noise_hid_is_not_said_to_be_lost(runs, narrow):
    """'Firings near 0 were lost', of a fifth of all, beside 'Misfires: none heard'."""
    well = runs["healthy_generator"]
    for run, so in ((well, False), (faint(well, 0.2), True), (runs["pulls_only"], False)):
        assert plots.heard_faintly(run) == so
    for run, said in ((well, "lost"), (faint(well, 0.2), "lost or not heard")):
        label = plots.before_after_strength(None, run, narrow).axes[0].get_xlabel()
        assert ("lost or not heard" in label) == (said != "lost") and "lost" in label
    hidden = replace(SEASONS[1], run=faint(well, 0.2))
    captions = [each.caption for each in drawings(BeforeAfter(None, hidden, None), (), True) if each.name == "strength"]
    assert (
        len(captions) == 1
        and "near 0 there are not counted as lost" in captions[0]
        and "0 were lost" not in captions[0]
    )


def test_in_the_close_look_a_place_where_nothing_was_heard_is_marked_as_unknown(runs):
    """Nine places at zero, one of them marked "lost?", the others not at all."""
    one = make_runs.every_second()
    at = plots.strip_part(one)
    kept = np.flatnonzero(~plots.lost_mask(one.firings))
    here = kept[(kept >= at.start) & (kept < at.stop)][:3]
    strength = one.firings.strength.copy()
    strength[here] = 0.01
    hidden = replace(one, firings=replace(one.firings, strength=strength))
    texts = [text.get_text() for text in plots.miss_strip(hidden).axes[0].texts]
    assert texts.count("?") == 3 and "?" not in [t.get_text() for t in plots.miss_strip(one).axes[0].texts]
    said = [pictures.evidence(each, "misfire").caption for each in (hidden, one)]
    assert "'?'" in said[0] and "'?'" not in said[1]
