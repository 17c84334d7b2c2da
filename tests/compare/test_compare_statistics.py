"""The statistics of comparing, held against published worked examples and other people's code.

Newcombe, R. G. (1998), "Interval estimation for the difference between independent proportions: comparison of eleven
methods", Statistics in Medicine 17, 873-890, table II, method 10 (hybrid score): values from memory of the table.
Block lengths: the `optimal_block_length` of the Python package arch 8.0.0 on the same series, values frozen here.
"""

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from enginelog.compare.bootstrap import block_length, resampled_means, resampled_medians, stretches, widening
from enginelog.compare.estimate import Estimate, difference, from_draws, within
from enginelog.compare.intervals import difference_of, poisson_rate, wilson
from enginelog.compare.sample import without_slow

NEWCOMBE = [
    ((56, 70), (48, 80), (0.2000, 0.0524, 0.3339)),
    ((9, 10), (3, 10), (0.6000, 0.1705, 0.8090)),
    ((6, 7), (2, 7), (0.5714, 0.0582, 0.8062)),
    ((5, 56), (0, 29), (0.0893, -0.0381, 0.1926)),
    ((0, 10), (0, 20), (0.0, -0.1611, 0.2775)),
    ((0, 10), (0, 10), (0.0, -0.2775, 0.2775)),
    ((10, 10), (0, 20), (1.0, 0.6791, 1.0)),
    ((10, 10), (0, 10), (1.0, 0.6075, 1.0)),
]


def autoregressive(seed: int, phi: float, n: int) -> np.ndarray:
    return lfilter([1], [1, -phi], np.random.default_rng(seed).standard_normal(n))


@pytest.mark.parametrize(("first", "second", "expected"), NEWCOMBE)
def test_difference_of_shares_newcombe_1998(first, second, expected):
    # His method 10: each share within Wilson's limits. He takes first - second; here it is after - before.
    before, after = ((lost / total, *wilson(lost, total)) for lost, total in (second, first))
    assert difference_of(before, after) == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(("lost", "total"), [(0, 250), (1, 50), (44, 442), (50, 50), (7, 13)])
def test_wilson_as_scipy(lost, total):
    ours, theirs = wilson(lost, total), stats.binomtest(lost, total).proportion_ci(method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_wilson_lies_above_the_rule_of_three():
    for n in (100, 250, 500, 1000):  # 1 - 0.05^(1/n), arithmetic
        assert wilson(0, n)[1] > 1 - 0.05 ** (1 / n)


@pytest.mark.parametrize("count", [0, 1, 4, 17])
def test_rate_from_a_count_garwood_1936(count):
    # Chi-squared quantiles halved, by scipy.stats.
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert poisson_rate(count, 2.0) == pytest.approx((low / 2, stats.chi2.ppf(0.975, 2 * count + 2) / 4))


@pytest.mark.parametrize(
    ("seed", "phi", "n", "arch", "near"),
    [
        (1, 0.0, 500, 3.18971, 1e-3),
        (3, 0.9, 1000, 34.04895, 1e-3),
        (4, 0.97, 400, 29.82897, 1e-3),
        (2, 0.5, 500, 6.81386, 0.05),
    ],
)
def test_block_length_as_arch(seed, phi, n, arch, near):
    # Their search for the first quiet lag begins one lag earlier than the paper's, hence 4 % in the last case.
    assert block_length(autoregressive(seed, phi, n)) == pytest.approx(arch, rel=near)


def test_block_length_of_nothing_much():
    assert block_length(np.zeros(100)) == 1.0 and block_length(np.arange(5.0)) == 1.0
    assert 1.0 <= block_length(np.arange(300.0)) <= 100.0


def test_resamples_hold_stretches_of_the_series():
    found = stretches(400, 20.0, 300, np.random.default_rng(5))
    assert found.lengths.sum() == 300 * 400 and len(found.firsts) == 300
    assert (np.add.reduceat(found.lengths, found.firsts) == 400).all()
    # A stretch ends by chance one time in 20, and with its resample: mean length 1 / (1/20 + 1/400), nearly.
    assert found.lengths.mean() == pytest.approx(1 / (1 / 20 + 1 / 400), rel=0.05)
    assert np.bincount(found.starts, minlength=400).min() > 0


def test_means_are_those_of_the_stretches():
    values = np.arange(7.0)
    found = stretches(7, 2.5, 50, np.random.default_rng(3))
    means = resampled_means(values, 2.5, 50, np.random.default_rng(3))
    places = [(start + np.arange(size)) % 7 for start, size in zip(found.starts, found.lengths, strict=True)]
    assert means == pytest.approx(values[np.concatenate(places)].reshape(50, 7).mean(axis=1))


@pytest.mark.parametrize(("statistic", "resampled"), [(np.mean, resampled_means), (np.median, resampled_medians)])
def test_independent_values_as_scipy_bootstrap(statistic, resampled):
    values = np.random.default_rng(7).gamma(2.0, 1.0, 300)
    theirs = stats.bootstrap(
        (values,), statistic, n_resamples=4000, method="percentile", vectorized=True, rng=np.random.default_rng(8)
    )
    draws = resampled(values, 1.0, 4000, np.random.default_rng(9))
    assert np.std(draws) == pytest.approx(theirs.standard_error, rel=0.08)
    ours, width = np.percentile(draws, [2.5, 97.5]), np.diff(theirs.confidence_interval)[0]
    assert ours == pytest.approx(theirs.confidence_interval, abs=0.08 * width)


def test_difference_of_two_runs_as_scipy_bca():
    rng = np.random.default_rng(11)
    before, after = rng.normal(5.0, 1.0, 240), rng.normal(4.2, 1.5, 300)
    theirs = stats.bootstrap(
        (after, before), lambda a, b, axis: np.mean(a, axis=axis) - np.mean(b, axis=axis), n_resamples=4000,
        method="BCa", vectorized=True, rng=np.random.default_rng(12),
    )  # fmt: skip
    one, two = (
        from_draws(float(x.mean()), resampled_means(x, 1.0, 4000, np.random.default_rng(k)), None)
        for k, x in enumerate((before, after))
    )
    ours = difference(one, two)
    assert ours[0] == pytest.approx(after.mean() - before.mean())
    assert ours[1:] == pytest.approx(theirs.confidence_interval, abs=0.06 * np.diff(theirs.confidence_interval)[0])


def test_neighbours_that_hang_together_widen_the_interval():
    # The variance of the mean of a first-order autoregression is (1 + phi) / (1 - phi) that of independent values
    # (textbook, large n).
    phi, ratios = 0.8, []
    for seed in range(12):
        x = autoregressive(seed, phi, 2000)
        draws = resampled_means(x, block_length(x), 300, np.random.default_rng(seed))
        ratios.append(np.var(draws) / (np.var(x) / len(x)))
    assert np.mean(ratios) == pytest.approx((1 + phi) / (1 - phi), rel=0.25)


def test_the_interval_covers_in_dependent_series():
    held = []
    for seed in range(150):
        x = autoregressive(1000 + seed, 0.85, 300)
        length = block_length(x)
        draws = resampled_means(x, length, 400, np.random.default_rng(seed))
        found = from_draws(float(x.mean()), x.mean() + widening(len(x), length) * (draws - draws.mean()), None)
        held.append(found.low <= 0.0 <= found.high)
    assert np.mean(held) >= 0.88  # a bare bootstrap of independent values holds 40 %


def test_widening_is_students_t():
    assert widening(11, 1.0) == pytest.approx(stats.t.ppf(0.975, 10) / stats.norm.ppf(0.975))
    assert widening(100000, 1.0) == pytest.approx(1.0, abs=1e-3)


def test_difference_of_any_two_quantities_adds_the_arms_in_squares():
    assert difference_of((10.0, 7.0, 13.0), (20.0, 16.0, 24.0)) == pytest.approx((10.0, 5.0, 15.0))
    found = difference(within(10.0, 3.0), within(20.0, 4.0))
    assert found == pytest.approx((10.0, 5.0, 15.0))
    wide = difference(within(10.0, 3.0), within(20.0, 4.0), 0.99)  # normal quantiles, by arithmetic
    assert wide == pytest.approx((10.0, 10 - 5 * 2.5758 / 1.96, 10 + 5 * 2.5758 / 1.96), rel=1e-4)


def test_a_bound_that_holds_at_any_level_is_not_stretched():
    unheard = Estimate(0.0, 0.0, 1.25, heard=False, firm=True)
    assert difference(unheard, unheard, 0.99) == difference(unheard, unheard) == (0.0, -1.25, 1.25)
    mixed = difference(within(5.0, 1.0), unheard, 0.99)
    assert mixed[2] == pytest.approx(-5.0 + np.hypot(1.25, 2.5758 / 1.96), rel=1e-4)


def test_intervals_at_another_level_as_scipy_bootstrap():
    rng = np.random.default_rng(21)
    before, after = rng.normal(5.0, 1.0, 300), rng.normal(4.8, 1.2, 260)
    theirs = stats.bootstrap(
        (after, before), lambda a, b, axis: np.mean(a, axis=axis) - np.mean(b, axis=axis), n_resamples=6000,
        confidence_level=0.99, method="percentile", vectorized=True, rng=np.random.default_rng(22),
    )  # fmt: skip
    one, two = (
        from_draws(float(x.mean()), resampled_means(x, 1.0, 6000, np.random.default_rng(k)), None)
        for k, x in enumerate((before, after))
    )
    ours = difference(one, two, 0.99)
    assert ours[1:] == pytest.approx(theirs.confidence_interval, abs=0.06 * np.diff(theirs.confidence_interval)[0])


def test_an_unknown_value_has_no_numbers():
    with pytest.raises(ValueError, match="no wind"):
        difference(Estimate(reason="no wind"), within(1.0, 1.0))


def test_slow_drift_goes_and_a_swing_stays():
    t = np.arange(0, 90, 0.05)
    swing = 2.0 * np.sin(2 * np.pi * 0.5 * t)
    rest = without_slow(t, swing + 0.1 * t + 3 * np.cos(2 * np.pi * t / 60), 8.0)
    assert np.std(rest) == pytest.approx(np.std(swing), rel=0.03)
    assert np.std(rest - swing) < 0.2 * np.std(swing)
