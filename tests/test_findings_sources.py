"""The findings' formulas against sources outside the project: standards, handbook tables, worked examples,
libraries.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter
from scipy.signal import lfilter

from enginelog.findings import loads, patterns, settling, shares, steadiness
from enginelog.findings.series import Series, clean_series
from enginelog.findings.surges import count_surges
from enginelog.limits import load
from enginelog.limits.trade import formulas
from enginelog.model import Engine, Span, Track

LIMITS = load("findings")


# ---------------------------------------------------------------- governing


def test_droop_on_the_full_load_basis():
    """1854 rpm without load, 1800 with: 3.0 % (TM 55-1930-209-14P-9-2; the 1800 from memory)."""
    assert loads.droop_percent(1854, 1800) == pytest.approx(3.0, abs=1e-9)


@pytest.mark.parametrize(("name", "percent", "rpm"), [("G1", 2.5, 90), ("G2", 1.5, 54), ("G3", 0.5, 18)])
def test_steady_state_band_of_the_classes(name, percent, rpm):
    """ISO 8528-5 as tabulated in King & Knight, table 1.1: 2.5 / 1.5 / 0.5 %, at 3600 rpm 90 / 54 / 18 rpm wide."""
    t_s = np.arange(0, 20, 0.05)
    square = np.where((t_s // 2) % 2 == 0, 1.0, -1.0)
    series = Series(t_s, 3600 + 0.5 * rpm * square, 0.05, 0.35)
    band = steadiness.band_percent(series, 3600.0)
    assert band == pytest.approx(percent, abs=0.01)
    assert steadiness.class_met(percent, LIMITS) == name
    assert steadiness.class_met(percent + 0.05, LIMITS) != name


def test_a_series_counts_as_the_independent_values_it_is_worth():
    """Bayley & Hammersley (1946): of a first-order series with correlation a, n (1 - a^2) / (1 + a^2) for large n. The
    scatter of estimated correlations, (1 - k/n) / n of that sum each (Bartlett 1946), makes it 5/3 as large."""
    rng = np.random.default_rng(3)
    white = rng.standard_normal(20_000)
    for a in (0.0, 0.5, 0.9):
        values = lfilter([1.0], [1.0, -a], white)
        assert steadiness.freedom(values) == pytest.approx(0.6 * 20_000 * (1 - a**2) / (1 + a**2), rel=0.1)
    assert steadiness.freedom(np.full(50, 3000.0)) == 50


@pytest.mark.parametrize("seconds", [8.0, 20.0, 60.0])
@pytest.mark.parametrize("correlation", [0.8, 0.95])
def test_the_interval_of_a_band_holds_its_true_width(seconds, correlation):
    """Speeds of one known spread, drawn again and again; the true width is that of the middle one of 400 more. 95 % is
    what is stated; 0.86 to 0.995 allows for 150 draws and for the ends of a band being rarer than its spread."""
    rng = np.random.default_rng(int(10 * seconds) + int(100 * correlation))
    n = round(seconds / 0.05)

    def drawn() -> Series:
        wander = lfilter([1.0], [1.0, -correlation], rng.standard_normal(n + 400))[400:]
        return Series(0.05 * np.arange(n), 3000 + 10 * wander, 0.05, 0.35)

    true = np.median([steadiness.band_percent(drawn(), 3000.0) for _ in range(400)])
    held = np.mean([steadiness.band(drawn(), 3000.0, LIMITS).holds(true) for _ in range(150)])
    assert 0.86 <= held <= 0.995


def test_a_band_does_not_hang_on_where_the_recording_begins():
    """The same falls of the speed, in frames that begin 0 to 45 ms later; the width by its definition on a fine course:
    medians of a quarter of a second each 5 ms (scipy's median filter)."""
    rng, t_s = np.random.default_rng(11), np.arange(0, 16, 0.005)
    rpm = np.full(len(t_s), 3000.0)
    for at in np.sort(rng.uniform(0.3, 15.7, 30)):
        rpm -= rng.uniform(60, 250) * np.exp(-(((t_s - at) / 0.1) ** 2))
    low, high = np.percentile(median_filter(rpm, 51), steadiness.ENDS_PERCENT)
    found = [steadiness.band_percent(Series(t_s[first::10], rpm[first::10], 0.05, 0.35), 3000.0) for first in range(10)]
    assert np.ptp(found) < 0.08 * np.mean(found)
    assert np.mean(found) == pytest.approx((high - low) / 30, rel=0.03)


def test_a_longer_recording_knows_a_band_better():
    rng = np.random.default_rng(8)
    wander = 3000 + 10 * lfilter([1.0], [1.0, -0.9], rng.standard_normal(4000))
    parts = (Series(0.05 * np.arange(n), wander[:n], 0.05, 0.35) for n in (200, 4000))
    short, long = (steadiness.band(part, 3000.0, LIMITS) for part in parts)
    assert long.high / long.low - 1 < 0.3 * (short.high / short.low - 1)
    assert steadiness.band(Series(0.05 * np.arange(40), wander[:40], 0.05, 0.35), 3000.0, LIMITS) is None


def test_a_band_may_be_wider_where_its_ends_may_be_unknown():
    """The ends are the 0.5th and 99.5th percentile: where more than that is unknown, an end may lie in it."""
    rng = np.random.default_rng(9)
    wander = 3000 + 10 * lfilter([1.0], [1.0, -0.9], rng.standard_normal(1000))
    t_s, gap = 0.05 * np.arange(1000), np.array(wander)
    gap[500:512] = np.nan
    whole, part = (steadiness.band(Series(t_s, rpm, 0.05, 0.35), 3000.0, LIMITS) for rpm in (wander, gap))
    assert part.high == pytest.approx(LIMITS.value("band_unknown_wider") * whole.high, rel=0.03)
    assert (part.percent, part.low) == pytest.approx((whole.percent, whole.low), rel=0.03)


def seen_as(course: list[float]) -> np.ndarray:
    """What is left of a track at 3000 rpm with noise of a tenth per cent that goes through such a course, per cent."""
    t_s = 0.025 + 0.05 * np.arange(200)
    rpm = 3000 * (1 + 0.001 * np.random.default_rng(10).standard_normal(200))
    rpm[100 : 100 + len(course)] *= 1 + np.array(course) / 100
    track = Track(t_s, rpm, np.full(200, 0.9), np.full(200, 3.0))
    return clean_series(track, Span("run", 0.0, 10.0), LIMITS).known[100 : 100 + len(course)]


@pytest.mark.parametrize(
    "course",
    [[-3.0, -6.4, -6.7, -7.6, -7, -3.2], [-2.6, -4.0, -1.7], [-3.6, -6.9, -7.1, -1.4, -5.4, -2.0], [-2.9, -6.5, -2.4]],
)
def test_a_fall_of_lost_firings_is_kept(course):
    """Courses as tracked where firings were lost (made-up recordings and their true speed, within 3 % of it)."""
    assert seen_as(course).all()


@pytest.mark.parametrize("course", [[-9.0], [9.0], [-9.0, -9.0], [9.0, 9.0, 9.0], [4.4, 6.8, 6.0, 2.7], [-33.0, -33.0]])
def test_jumps_of_the_tracker_are_left_out(course):
    """No course leads into them, or up: nothing lifts an engine and lets it fall within a quarter of a second."""
    far = np.abs(course) > LIMITS.value("outlier_percent")
    assert not seen_as(course)[far].any()


def test_wider_than_every_class_meets_none():
    assert steadiness.class_met(2.6, LIMITS) is None


@pytest.mark.parametrize("ratio", [0.05, 0.1, 0.2, 0.3])
def test_surges_and_logarithmic_decrement(ratio):
    """Free damped vibration (textbook): decrement 2 pi z / sqrt(1 - z^2); the number of peaks above the floor
    follows.
    """
    hz, start, floor = 0.7, -8.0, 0.6
    decrement = 2 * np.pi * ratio / np.sqrt(1 - ratio**2)
    t = np.arange(0, 60, 0.002)
    decay = decrement * hz
    wave = start * np.exp(-decay * t) * np.cos(2 * np.pi * hz * t)
    surges = count_surges(wave, floor)
    assert surges.decrement == pytest.approx(decrement, rel=0.03)
    assert surges.damping_ratio == pytest.approx(ratio, rel=0.03)
    peaks = 8.0 * np.exp(-decrement * (np.arange(100) + 0.5))  # maxima of the other sign, half a period late
    assert abs(surges.count - int(np.sum(peaks > floor))) <= (1 if np.any(np.abs(peaks / floor - 1) < 0.1) else 0)


def test_surges_after_the_throttle_leave_the_way_there_out_of_the_damping():
    """Logarithmic decrement of the ringing alone (free damped vibration, textbook); before it the rise from idle."""
    t = np.arange(0, 20, 0.002)
    ringing = 6.0 * np.exp(-0.8 * 1.0 * t) * np.sin(2 * np.pi * 1.0 * t)
    rise = -np.linspace(45.0, 0.01, 400)
    surges = count_surges(np.concatenate([rise, ringing]), 0.3, knock=False)
    assert surges.decrement == pytest.approx(0.8, rel=0.03)
    assert count_surges(np.concatenate([rise, ringing]), 0.3).decrement > 1.0


def test_many_surges_are_the_manuals_number():
    """Still going after 5: droop may be too small (TM 5-3805-257-14P p. 243)."""
    assert LIMITS.value("surges_many") == 5


# ---------------------------------------------------------------- misfire


def test_opportunities_in_a_thousand_revolutions():
    """R * cylinders / (strokes / 2): a four-stroke single has 500 in 1000 revolutions, so 1 % is 5 (definition)."""
    engine = Engine()
    assert 1000 * engine.cylinders / engine.revs_per_cycle == 500
    probability = np.zeros(500)
    probability[[20, 130, 260, 370, 480]] = 1.0
    assert shares.share_interval(probability, LIMITS)[0] == pytest.approx(0.01)


@pytest.mark.parametrize(("n", "percent"), [(100, 2.95), (250, 1.19), (500, 0.597), (1000, 0.299)])
def test_rule_of_three(n, percent):
    """None in n: the 95 % upper bound is 1 - 0.05^(1/n) (arithmetic; Hanley & Lippman-Hand 1983 from memory)."""
    share, low, high = shares.share_interval(np.zeros(n), LIMITS)
    assert (share, low) == (0.0, 0.0)
    assert 100 * high == pytest.approx(percent, rel=0.002)


@pytest.mark.parametrize(("k", "n"), [(1, 100), (5, 500), (37, 250), (249, 250)])
def test_clopper_pearson_against_scipy(k, n):
    """scipy.stats.binomtest, method "exact"."""
    from scipy.stats import binomtest

    expected = binomtest(k, n).proportion_ci(0.95, method="exact")
    low, high = shares.clopper_pearson(k, n)
    assert low == pytest.approx(expected.low, rel=1e-6)
    assert high == pytest.approx(expected.high, rel=1e-6)


@pytest.mark.parametrize(
    ("split", "named"), [((91, 9), (0,)), ((9, 91), (1,)), ((90, 10), ()), ((85, 15), ()), ((4, 0), ())]
)
def test_attribution_rule(split, named):
    """13 CCR 1968.2(e)(3.1.3): one cylinder is named with more than 90 % of the misfires."""
    slot = np.repeat([0, 1], split)
    lost = np.ones(len(slot), bool)
    assert patterns.attributed_cylinders(slot, lost, 2, LIMITS) == named


# ---------------------------------------------------------------- settling


@pytest.mark.parametrize("tau", [1.5, 3.0, 5.0])
def test_first_order_step_time_constant(tau):
    """A first-order step is within 5 % of its end after three time constants (textbook)."""
    t_s = np.arange(0.25, 40, 0.5)
    events = np.full(len(t_s), 400.0)
    rough = settling.Roughness(
        t_s, np.round(events * (0.02 + 0.3 * np.exp(-t_s / tau))), events, np.full(len(t_s), np.nan), 1
    )
    change = settling.fit_change(rough)
    assert change.settle_s == pytest.approx(3 * tau, rel=0.1)
    assert change.first_share == pytest.approx(0.02 + 0.3 * np.exp(-0.25 / tau), rel=0.1)
    assert change.last_share == pytest.approx(0.02, abs=0.004)


def test_one_change_of_the_fit_where_ruptures_finds_it():
    """The fitted hold of a pure step lies at the change point of ruptures (Dynp, l2), within a window."""
    ruptures = pytest.importorskip("ruptures", reason="install ruptures to compare change-point positions")
    rng = np.random.default_rng(8)
    t_s = np.arange(0.25, 30, 0.5)
    events = np.full(len(t_s), 12.0)
    lost = rng.binomial(12, np.where(t_s < 11, 0.3, 0.02)).astype(float)
    change = settling.fit_change(settling.Roughness(t_s, lost, events, np.full(len(t_s), np.nan), 1))
    theirs = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(lost).predict(n_bkps=1)[0] * 0.5
    assert change.settle_s + 0.0 == pytest.approx(theirs, abs=1.0)


# ---------------------------------------------------------------- speeds


@pytest.mark.parametrize(
    ("inches", "rpm"),
    [(18, 4032), (19, 3820), (20, 3629), (21, 3456), (22, 3299), (23, 3155), (24, 3024), (25, 2903), (26, 2791)],
)
def test_blade_table(inches, rpm):
    """US Army TM 5-4240-501-14P p. 143: all nine rows, 19000 ft/min."""
    assert formulas.blade_limit_rpm(inches * 25.4, formulas.m_s(LIMITS.value("tip_speed_ft_min"))) == pytest.approx(
        rpm, abs=1.0
    )


@pytest.mark.parametrize(("rpm", "hz"), [(3780, 63.0), (3570, 59.5), (3150, 52.5), (2940, 49.0)])
def test_alternator_table(rpm, hz):
    """Generator service manual, two-pole set: f = P N / 120."""
    assert formulas.alternator_hz(2, rpm) == pytest.approx(hz)
    assert formulas.mains_hz(2, rpm, None) == (60.0 if abs(hz - 60) < abs(hz - 50) else 50.0)
