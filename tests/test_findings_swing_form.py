"""A swing that is no sine, and how steady a hunting engine is. Peak to peak is known by how the speed is made here;
what a sine of the same rate would be of it, by the Fourier series of straight lines (no source needed)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sawtooth

from enginelog.findings import hunting, steadiness
from enginelog.findings.series import Series
from enginelog.limits import load

LIMITS = load("findings")
SWING = 5.0  # per cent, peak to peak
FORMS = {"sine": np.sin, "even lines": lambda w: sawtooth(w, 0.5), "uneven lines": lambda w: sawtooth(w, 0.9)}


def speed(form: str, hz: float, wander_percent: float = 0.25, seconds: float = 20.0, seed: int = 4):
    """A swing and first-order wander of half a second, as a track of 0.25 s shows them and as the firings do, and the
    fine speed itself."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0, seconds, 0.005)
    step = np.exp(-0.005 / 0.5)
    wander = np.zeros(len(t_s))
    for k, kick in enumerate(rng.standard_normal(len(t_s) - 1) * np.sqrt(1 - step**2), 1):
        wander[k] = step * wander[k - 1] + kick
    percent = 0.5 * SWING * FORMS[form](2 * np.pi * hz * t_s + rng.uniform(0, 6)) + wander_percent * wander
    rpm = 3000 * (1 + percent / 100)

    def seen(window_s: float, known: bool) -> Series:
        width = int(window_s / 0.005)
        smooth = np.convolve(rpm, np.ones(width) / width, "valid")
        times = t_s[: len(smooth)] + window_s / 2
        return Series(times[::10], smooth[::10], 0.05, window_s, known)

    return seen(0.25, False), seen(0.12, True), rpm


@pytest.mark.parametrize("hz", [0.35, 0.6, 1.0, 1.6, 2.3, 3.0])
@pytest.mark.parametrize("form", FORMS)
def test_the_swing_holds_from_peak_to_peak_whatever_its_form(form, hz):
    track, fine, _ = speed(form, hz)
    swing = hunting.study_hunting([track], [fine], LIMITS).hunts
    low, high = swing.between_percent
    assert low <= SWING <= high < 2.7 * low
    if hz < 0.7:  # its overtones come through
        assert swing.swing_percent == pytest.approx(SWING, rel=0.1)


def test_overtones_are_not_made_of_noise():
    """Of a sine in much wander no overtone is told that adds to it."""
    told = []
    for seed in range(12):
        track, fine, _ = speed("sine", 0.5, wander_percent=0.6, seed=seed)
        told.append(hunting.study_hunting([track], [fine], LIMITS).hunts.swing_percent)
    assert np.median(told) == pytest.approx(SWING, rel=0.06)


@pytest.mark.parametrize("hz", [0.3, 1.0, 1.7, 3.0])
@pytest.mark.parametrize("form", FORMS)
def test_the_band_of_an_engine_that_hunts_holds_all_of_its_movement(form, hz):
    """Frames and medians of a quarter of a second take most of a swing of 3 Hz; floored at the swing alone the band
    left out what the speed wanders besides."""
    for seed in (4, 5):
        track, fine, rpm = speed(form, hz, wander_percent=0.4, seed=seed)
        swing = hunting.study_hunting([track], [fine], LIMITS).hunts
        band = steadiness.band_with_swing(track, None, swing, LIMITS)
        true = np.ptp(np.percentile(rpm, steadiness.ENDS_PERCENT)) / 30
        assert band.low <= true <= band.high, seed
        assert band.percent > swing.swing_percent
        assert band.percent == pytest.approx(true, rel=0.12 if form == "sine" else 0.35)
