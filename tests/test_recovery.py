"""When a load's recovery is told: where the new level is known well enough to say when the speed was near it.

Truth is the exponential each step is made of: a dip of d per cent below the new level with time constant T is within b
per cent of it after T ln(d / b).
"""

from __future__ import annotations

import numpy as np
import pytest

from enginelog.findings.loads import load_released, load_taken
from enginelog.findings.series import Series
from enginelog.findings.steps import Step
from enginelog.limits import load

LIMITS = load("findings")
BAND = LIMITS.value("recovery_band_percent")


def step_of(dip_percent: float, tau_s: float, std: float = 0.35, level: float = 2857.0) -> Step:
    """A load at 10 s on 3000 rpm; the speed falls so far below its new level, and comes back with `tau_s`."""
    u = np.arange(0.0, 8.0, 0.01)
    return Step(10.0, 18.0, 3000.0, level, 10.0 + u, level * (1 - dip_percent / 100 * np.exp(-u / tau_s)), std)


def taken(step: Step):
    t_s = np.arange(2.0, 18.0, 0.05)
    return load_taken(step, Series(t_s, np.full(len(t_s), step.after_rpm), 0.05, 0.22), LIMITS)


@pytest.mark.parametrize(("dip", "tau_s"), [(6.0, 0.3), (6.0, 0.8), (12.0, 0.7)])
def test_a_quick_recovery_is_told(dip, tau_s):
    step = step_of(dip, tau_s)
    assert taken(step).recovery_s == pytest.approx(tau_s * np.log(dip / BAND), abs=0.02)
    assert load_released(step, LIMITS).recovery_s == taken(step).recovery_s


@pytest.mark.parametrize(
    ("dip", "tau_s", "std"),
    [
        (6.0, 2.5, 0.35),  # on its way to the band for longer than the level is waited for
        (2.2, 2.0, 0.35),  # hardly out of the band, by less than the doubt of the level: over at once, or after 1 s
        (6.0, 1.0, 1.2),  # the level is hardly known
    ],
)
def test_a_recovery_that_may_be_another_is_not(dip, tau_s, std):
    step = step_of(dip, tau_s, std)
    assert taken(step).recovery_s is None and load_released(step, LIMITS).recovery_s is None


def test_a_droop_read_while_the_speed_still_crept_is_known_no_better_than_is_told():
    quick, slow = taken(step_of(6.0, 0.8)), taken(step_of(6.0, 2.5))
    assert quick.droop_within_points == pytest.approx(1.96 * 0.35)
    assert slow.droop_percent == quick.droop_percent
    assert slow.droop_within_points == LIMITS.value("droop_doubt_points")
