"""Filters of the feature signals against scipy's own filtering forward and backward."""

import numpy as np
import pytest
from scipy import stats
from scipy.signal import butter, sosfiltfilt

from enginelog.dsp.rows import rows_of
from enginelog.dsp.signals import band, bands
from enginelog.dsp.spread import robust_std
from enginelog.model import Clip


@pytest.mark.parametrize(("low_hz", "high_hz"), [(150.0, 600.0), (600.0, 2000.0), (2000.0, 7000.0), (15.0, 8000.0)])
@pytest.mark.parametrize("count", [48_000, 48_001])
def test_a_band_equals_the_filter_run_both_ways(low_hz, high_hz, count):
    """Zero-phase filtering squares the gain (scipy.signal.sosfiltfilt); but for the ends, where nobody knows what went
    before, both give the same to float32."""
    sound = (0.1 * np.random.default_rng(1).standard_normal(count) + 0.05).astype(np.float32)
    edges = (low_hz, "highpass") if high_hz >= 8000.0 else ((low_hz, high_hz), "bandpass")
    both_ways = sosfiltfilt(butter(2, edges[0], edges[1], fs=16000.0, output="sos"), sound)
    found = band(sound, 16000.0, low_hz, high_hz)
    assert found.dtype == np.float32 and len(found) == count
    inner = slice(6400, -6400)
    np.testing.assert_allclose(found[inner], both_ways[inner], atol=1e-5 * both_ways.std())
    assert np.abs(found[:6400]).max() < 2 * np.abs(both_ways).max()


def test_several_bands_come_from_one_transform():
    sound = np.random.default_rng(2).standard_normal(5000).astype(np.float32)
    pairs = ((150.0, 600.0), (600.0, 2000.0))
    for found, pair in zip(bands(sound, 16000.0, pairs), pairs, strict=True):
        # Each alone is turned over at the ends a little less far.
        np.testing.assert_allclose(found, band(sound, 16000.0, *pair), atol=1e-3 * found.std())
    assert not band(sound[:63], 16000.0, 150.0, 600.0).any()


def test_rows_of_true_are_their_first_and_the_one_past_their_last():
    from enginelog.dsp.masks import rows_of_true

    first, past = rows_of_true(np.array([True, True, False, True, False, False, True]))
    assert first.tolist() == [0, 3, 6] and past.tolist() == [2, 4, 7]
    assert all(len(edge) == 0 for edge in rows_of_true(np.zeros(4, bool)))


def test_rows_of_a_table_are_those_of_each_column():
    """As numpy picks them from each array by itself."""
    table = Clip(np.arange(6.0), np.arange(6) % 2 == 0, np.arange(6) * 10)
    for which in (table.rate_hz, np.array([4, 1]), slice(1, 3)):
        found = rows_of(table, which)
        assert type(found) is Clip
        for name in ("samples", "rate_hz", "start_s"):
            assert np.array_equal(getattr(found, name), getattr(table, name)[which])


def test_the_spread_by_the_median_deviation_is_that_of_a_general_library():
    """Source: scipy.stats.median_abs_deviation, scale "normal"."""
    values = np.random.default_rng(3).standard_t(2, 501)
    assert robust_std(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-4)
    assert robust_std(np.array([4.0])) == 0.0
