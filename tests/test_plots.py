"""Pictures of a run: what they compute is checked against textbook values, what they draw by its geometry."""

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import make_runs
import numpy as np
import pytest

from enginelog import plots
from enginelog.model import Engine, Finding, Firings, Span, Track
from enginelog.plots.firing import example_miss
from enginelog.plots.thin import envelope, rolling_spread, stretches

DRAWERS = (
    plots.speed_over_time,
    plots.timeline_only,
    plots.firing_strengths,
    plots.order_spectrum,
    plots.miss_strip,
    plots.hunting_spectrum,
    plots.roughness,
    plots.run_down,
)


@pytest.fixture(scope="module")
def runs():
    return {name: make() for name, make in make_runs.ALL.items()}


def drawn(run):
    found = 0
    for draw, narrow in itertools.product(DRAWERS, (False, True)):
        figure = draw(run, narrow)
        if figure is not None:
            found += 1
            yield f"{draw.__name__}{' narrow' if narrow else ''}", figure
    assert found or not run.timeline.spans, "nothing was drawn to be looked at"


# ---------------------------------------------------------------- what is computed


@pytest.mark.parametrize(
    ("angles", "expected"),
    [
        ((0, 270), (0.7654, 1.4142, 1.8478, 0, 1.8478, 1.4142, 0.7654, 2)),
        ((0, 180), (1.4142, 0, 1.4142, 2, 1.4142, 0, 1.4142, 2)),
        ((0, 360), (0, 2, 0, 2, 0, 2, 0, 2)),
        ((0,), (1,) * 8),
    ],
)
def test_ideal_lines_are_those_of_the_layout(angles, expected):
    # Arithmetic, Fourier series of a pulse train: abs(sum of exp(-j q theta)) at orders 0.5 to 4.
    orders, strength = plots.ideal_lines(Engine(4, len(angles), angles), 4.0)
    assert orders.tolist() == [0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]
    assert strength == pytest.approx(expected, abs=1e-4)


def test_firing_order_is_named_where_the_textbook_puts_it():
    # Heywood; Taylor: 4-stroke N c / 120, 2-stroke N c / 60 firings a second, so c / 2 and c a turn.
    for strokes, cylinders, order in ((4, 1, 0.5), (4, 2, 1.0), (4, 4, 2.0), (2, 1, 1.0), (2, 3, 3.0)):
        named = plots.named_orders(Engine(strokes, cylinders, tuple(np.arange(cylinders) * 1.0)))
        assert "firing" in named[order]
        assert "crank" in named[1.0]
        assert list(named) == sorted(named)


def test_two_blade_tips_pass_each_turn_only_where_there_is_a_blade():
    assert "blade tips" in plots.named_orders(Engine(machine="mower"))[2.0]
    assert "blade tips" in plots.named_orders(Engine(blade_length_mm=533.0))[2.0]
    assert not any("blade" in name for name in plots.named_orders(Engine(machine="generator")).values())
    assert Engine(machine="mower twin").has_blade


@pytest.mark.parametrize(("rate_hz", "swing_rpm"), [(0.4, 60.0), (0.8, 220.0), (2.3, 90.0)])
def test_swing_spectrum_reads_a_known_sine(rate_hz, swing_rpm):
    # A sine of known amplitude and rate; Hann window's amplitude scale (textbook).
    run = make_runs.hunting_pump()
    t_s = run.track.t_s
    rpm = 3000 + swing_rpm / 2 * np.sin(2 * np.pi * rate_hz * t_s) + 5 * t_s
    run = replace(run, track=Track(t_s, rpm, np.ones(len(t_s)), np.zeros(len(t_s))))
    rate, swing = plots.swing_spectrum(run)
    assert rate[np.argmax(swing)] == pytest.approx(rate_hz, rel=0.03)
    assert swing.max() == pytest.approx(swing_rpm, rel=0.05)


def test_swing_spectrum_of_too_short_a_run_is_empty(runs):
    run = runs["hunting_pump"]
    short = replace(run, timeline=replace(run.timeline, spans=(Span("run", 1.0, 3.0),)))
    assert plots.swing_spectrum(short)[0].size == 0
    assert plots.hunting_spectrum(short) is None


def stopped(run, **told):
    """The run with how it stopped told, held against a limit of 3 s."""
    found = Finding("stop", "watch", "Long.", 2.4, "s", 3.0)
    timeline = replace(run.timeline, **({"cut_s": 22.0, "rundown_s": 2.4} | told))
    return replace(run, timeline=timeline, measures=replace(run.measures, findings=(found,)))


@pytest.mark.parametrize("narrow", [False, True])
def test_a_run_down_is_drawn_from_the_cut_to_standstill_beside_its_limit(runs, narrow):
    run = stopped(runs["weak_twin"])
    (ax,) = plots.run_down(run, narrow).axes
    since_s, rpm = ax.lines[0].get_data()
    inside = (run.track.t_s >= 21.5) & (run.track.t_s <= 24.4)
    assert np.array_equal(since_s, run.track.t_s[inside] - 22.0)
    assert np.array_equal(rpm, run.track_told.rpm[inside], equal_nan=True)
    assert [list(line.get_xdata()) for line in ax.lines[1:]] == [[0.0, 0.0], [3.0, 3.0], [2.4]]
    assert [text.get_text().strip() for text in ax.texts] == ["ignition off", "limit 3 s", "stands still"]
    assert ax.get_xlim()[0] < 0 and ax.get_xlim()[1] > 3.0


@pytest.mark.parametrize("told", [{"cut_s": None}, {"rundown_s": None}, {"rundown_s": 0.3}])
def test_no_run_down_is_drawn_where_it_is_not_told(runs, told):
    assert plots.run_down(stopped(runs["weak_twin"], **told)) is None


def test_envelope_holds_every_value_and_leaves_gaps():
    rng = np.random.default_rng(7)
    x, y = np.sort(rng.uniform(0, 100, 5000)), rng.standard_normal(5000)
    y[(x > 40) & (x < 60)] = np.nan
    thin = envelope(x, y, 50)
    edges = np.linspace(x[0], x[-1], 51)
    for i in range(50):
        last = i == 49
        here = y[(x >= edges[i]) & ((x <= edges[i + 1]) if last else (x < edges[i + 1]))]
        here = here[np.isfinite(here)]
        assert thin.count[i] == len(here)
        if len(here):
            assert (thin.low[i], thin.high[i]) == (here.min(), here.max())
            assert thin.mean[i] == pytest.approx(here.mean())
        else:
            assert np.isnan(thin.mean[i])
    assert np.isnan(thin.mean[22:28]).all()


def test_rolling_spread_is_the_standard_deviation():
    values = np.random.default_rng(3).normal(1e3, 0.2, 400)
    middle, spread = rolling_spread(values, 24, 1000)
    for at in (0, 100, 376):
        assert middle[at] == at + 12
        assert spread[at] == pytest.approx(np.std(values[at : at + 24]), rel=1e-6)


def test_stretches_of_a_mask():
    assert stretches(np.array([1, 1, 0, 0, 1, 0, 1], bool)) == [(0, 2), (4, 5), (6, 7)]
    assert stretches(np.zeros(3, bool)) == []


def test_example_miss_is_a_lost_one_with_room_round_it(runs):
    found = runs["settling_start"].firings
    at = example_miss(found)
    assert found.miss_probability[at] > 0.5
    assert 14 <= at < len(found.t_s) - 14
    assert example_miss(runs["healthy_generator"].firings) is None


def test_run_is_in_the_picture_and_what_is_not_is_said(runs):
    for name, run in runs.items():
        if run.timeline.engine_heard:
            low, high = plots.speed_over_time(run).axes[1].get_ylim()
            inside = run.track.rpm[(run.track.confidence > 0.8)]
            assert np.mean((inside >= low) & (inside <= high)) > 0.97, name
    assert plots.not_drawn_below(runs["healthy_generator"]) == pytest.approx(low_of(runs["healthy_generator"]))
    assert plots.not_drawn_below(runs["hunting_pump"]) is None


def low_of(run):
    return plots.speed_over_time(run).axes[1].get_ylim()[0]


def test_steady_run_is_not_blown_up(runs):
    low, high = plots.speed_over_time(runs["weak_twin"]).axes[1].get_ylim()
    assert high - low > 0.08 * 3320


# ---------------------------------------------------------------- what is drawn


@pytest.mark.parametrize("name", sorted(set(make_runs.ALL) - {"hostile", "nothing_known"}))
def test_no_two_words_overlap(runs, name):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    for title, figure in drawn(runs[name]):
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        texts = [t for ax in figure.axes for t in visible_texts(ax)]
        boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts]
        for (a, box), (b, other) in itertools.combinations(boxes, 2):
            wide = min(box.x1, other.x1) - max(box.x0, other.x0)
            high = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert not (wide > 1 and high > 1), f"{name}, {title}: {a!r} lies on {b!r}"
        assert_inside(figure, boxes, f"{name}, {title}")


@pytest.mark.parametrize("offset_rpm", [25.0, -25.0])
def test_the_word_beside_the_rated_speed_hides_no_part_of_the_curve(runs, offset_rpm):
    """A curve close above the line all the time, then close below it; only its last third leaves it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    run = runs["healthy_generator"]
    rated, t_s = run.engine.rated_rpm, run.track.t_s
    rpm = rated + np.where(t_s < t_s[-1] * 0.66, offset_rpm, -offset_rpm)
    figure = plots.speed_over_time(
        replace(run, track=replace(run.track, rpm=np.where(np.isfinite(run.track.rpm), rpm, np.nan)))
    )
    ax = figure.axes[1]
    FigureCanvasAgg(figure).draw()
    word = next(text for text in ax.texts if text.get_text().startswith("rated"))
    box = word.get_window_extent().transformed(ax.transData.inverted())
    (line, *_) = [np.asarray(each.get_ydata(), float) for each in ax.lines if len(each.get_xdata()) > 100]
    at_s = run.track.t_s[: len(line)]
    inside = (at_s > box.x0) & (at_s < box.x1) & (line > box.y0) & (line < box.y1)
    assert len(line) > 100 and not inside.any()


def test_no_curve_passes_through_the_word_beside_the_rated_speed(runs):
    """On a phone: blank at first but for less than the word, then steep swings through the line, then along it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    run = runs["healthy_generator"]
    t_s, rated, end_s = run.track.t_s, run.engine.rated_rpm, run.track.t_s[-1]
    rpm = rated + np.where(t_s < 0.5 * end_s, 200.0 * np.sign(np.sin(40 * np.pi * t_s / end_s)), 8.0)
    rpm[t_s < 0.15 * end_s] = np.nan
    figure = plots.speed_over_time(replace(run, track=replace(run.track, rpm=rpm)), narrow=True)
    ax = figure.axes[1]
    FigureCanvasAgg(figure).draw()
    word = next(text for text in ax.texts if text.get_text().startswith("rated"))
    box = word.get_window_extent().transformed(ax.transData.inverted())
    beside = (t_s[1:] > box.x0) & (t_s[:-1] < box.x1)
    low, high = np.minimum(rpm[1:], rpm[:-1]), np.maximum(rpm[1:], rpm[:-1])
    assert not (beside & (low < box.y1) & (high > box.y0)).any()


def visible_texts(ax):
    ticks = [*ax.get_xticklabels(), *ax.get_yticklabels()]
    low, high = sorted(ax.get_xlim())
    bottom, top = sorted(ax.get_ylim())
    shown = [t for t in ax.get_xticklabels() if low - 1e-9 <= t.get_position()[0] <= high + 1e-9]
    shown += [t for t in ax.get_yticklabels() if bottom - 1e-9 <= t.get_position()[1] <= top + 1e-9]
    labels = [t for t in ticks if t in shown and t.get_visible() and t.get_text().strip()]
    return labels + [t for t in (ax.xaxis.label, ax.yaxis.label, *ax.texts) if t.get_text().strip()]


def assert_inside(figure, boxes, where):
    width, height = figure.canvas.get_width_height()
    for text, box in boxes:
        inside = box.x0 >= -1 and box.y0 >= -1 and box.x1 <= width + 1 and box.y1 <= height + 1
        assert inside, f"{where}: {text!r} leaves the picture"


@pytest.mark.parametrize("name", ["weak_twin", "settling_start", "pulls_only"])
def test_svg_is_well_formed_and_fetches_nothing(runs, name):
    for title, figure in drawn(runs[name]):
        svg = plots.to_svg(figure, "pic-1", 'A "picture" <b> & more')
        root = ET.fromstring(svg)
        assert root.get("role") == "img" and root.get("aria-label") == 'A "picture" <b> & more', title
        ids = re.findall(r' id="([^"]+)"', svg)
        assert len(ids) == len(set(ids)) and all(one.startswith("pic-1-") for one in ids)
        for target in re.findall(r'href="([^"]*)"|url\(([^)]*)\)', svg):
            assert "".join(target).startswith("#pic-1-")
        assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', svg)) <= set(ids)
        assert "font-family" not in svg and "<script" not in svg


def test_colours_of_the_svg_can_be_changed_by_the_page(runs):
    svg = plots.to_svg(plots.speed_over_time(runs["weak_twin"]), "s", "x")
    bare = re.sub(r"var\(--plot-[a-z]+,#[0-9a-f]{6}\)", "", svg)
    assert "var(--plot-line,#1d6f91)" in svg
    assert not re.findall(r"#[0-9a-f]{6}\b", bare.replace("#000000", ""))


def six_hours():
    """Six hours at three times the density of an ordinary track, every hundredth firing lost."""
    run = make_runs.weak_twin()
    t_s = np.arange(0, 21600, 0.05)
    rng = np.random.default_rng(1)
    rpm = 3000 + 30 * rng.standard_normal(len(t_s))
    n = 21600 * 50
    lost = rng.random(n) < 0.01
    fired = Firings(np.linspace(0, 21600, n), np.arange(n) % 2, np.where(lost, 0.05, 1 + 0.1 * rng.standard_normal(n)),
                    np.ones(n), np.where(lost, 0.9, 0.01), np.zeros(n), np.ones(n), np.arange(n) * 1.0)  # fmt: skip
    return replace(run, clip=replace(run.clip, seconds=21600.0), firings=fired,
                   track=Track(t_s, rpm, np.ones(len(t_s)), np.full(len(t_s), 5.0)),
                   timeline=replace(run.timeline, spans=(Span("run", 0, 21600.0),), cut_s=22.0))  # fmt: skip


def test_six_hours_make_small_pictures():
    run = six_hours()
    drawings = {draw.__name__: draw(run) for draw in DRAWERS}
    sizes = {title: len(plots.to_svg(figure, "x", "x")) for title, figure in drawings.items()}
    assert max(sizes.values()) < 150_000, sizes
    assert len(plots.to_png(plots.speed_over_time(run))) < 400_000


def test_png_is_a_png(runs):
    data = plots.to_png(plots.speed_over_time(runs["healthy_generator"]), dpi=100)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"  # PNG specification, section 5.2
    assert int.from_bytes(data[16:20], "big") == 820


def test_nothing_to_draw_is_none(runs):
    assert all(draw(runs["nothing_known"]) is None for draw in DRAWERS)
    assert plots.speed_over_time(runs["talk_only"]) is None
    assert plots.timeline_only(runs["talk_only"]) is not None


def test_a_few_loud_outliers_do_not_press_the_rest_flat(runs):
    run = runs["healthy_generator"]
    strength = run.firings.strength.copy()
    strength[10:14] = 55.0
    loud = replace(run, firings=replace(run.firings, strength=strength))
    for draw in (plots.firing_strengths, plots.miss_strip):
        figure = draw(loud)
        assert figure is None or figure.axes[0].get_ylim()[1] <= 2.6


def test_the_band_of_a_speed_cannot_rise_while_it_coasts():
    from enginelog.plots.speed import coasting_down

    t_s = np.arange(0.025, 4.0, 0.05)
    high = np.where(t_s < 2.0, 3010.0, 3010.0 - 900.0 * (t_s - 2.0))
    high[np.abs(t_s - 2.05) < 0.06] += 200.0  # the cut is known to a tenth of a second only
    high[t_s > 3.5] = np.nan
    spans = (Span("run", 0.0, 2.0), Span("rundown", 2.0, 3.8), Span("quiet", 3.8, 4.0))
    shown = coasting_down(t_s, high, spans)
    assert shown.max(initial=0.0, where=np.isfinite(shown)) == 3010.0 and high.max(initial=0, where=t_s < 3) > 3100.0
    assert np.all(np.diff(shown[(t_s > 1.8) & (t_s < 3.5)]) <= 0.0)
    assert np.array_equal(coasting_down(t_s, high, spans[:1]), high, equal_nan=True)


def test_a_bang_is_called_so_in_the_picture_as_in_the_text():
    figure = plots.speed_over_time(make_runs.settling_start())  # a bang after the cut
    written = {text.get_text().strip() for ax in figure.axes for text in ax.texts}
    assert "bang" in written and "pop" not in written
