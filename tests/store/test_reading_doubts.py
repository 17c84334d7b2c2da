"""Readings that are mostly slips are told of, and kept.

Factors: 1 psi = 6.894757 kPa (NIST SP 811, 2008, appendix B.8); 1 bar = 100 kPa (SI brochure, 9th edition, table 8 of
the 8th). What a small engine reads: common practice, no source.
"""

import pytest

from enginelog.limits import bench
from enginelog.limits.bench.units import doubts


@pytest.mark.parametrize(
    ("step", "value", "unit"),
    [("compression", 650.0, "kPa"), ("compression", 6.5, "bar"), ("compression", 95.0, "PSI"),
     ("compression", 35.0, "bar"), ("compression", 12.0, "%"), ("valves", 0.15, "mm"), ("valves", 6.0, "thou"),
     ("valves", 0.006, "in."), ("spark", 0.7, "mm"), ("spark", 8.0, "kΩ"), ("spark", -12.0, "kV"),
     ("spark", 8.0, "k\u2126"), ("spark", 700.0, "\u03bcm"), ("spark", 700.0, "\u00b5m"),
     ("fuel_tank", 0.0, "l"), ("pressure_test", -50.0, "kPa"), ("controls", -5.0, "°C"), ("air", None, "")],
)  # fmt: skip
def test_an_ordinary_reading_raises_no_doubt(step, value, unit):
    assert doubts(step, value, unit) == ()


@pytest.mark.parametrize(
    ("step", "value", "unit", "said"),
    [("compression", -650.0, "kPa", "below zero"), ("compression", 650.0, "bar", "beyond 4000 kPa"),
     ("compression", 650.0, "psi", "beyond 4000 kPa"), ("compression", 650.0, "", "has no unit"),
     ("compression", 650.0, "kPaa", "'kPaa' is no unit"), ("compression", 0.5, "mm", "which is in kPa, bar, psi"),
     ("valves", 15.0, "mm", "beyond 2 mm"), ("valves", 3.0, "in", "beyond 2 mm"), ("spark", -0.7, "mm", "below zero"),
     ("fuel_tank", -1.0, "l", "below zero"), ("air", -3.0, "bananas", "below zero"), ("air", 3.0, "x" * 40, "no unit")],
)  # fmt: skip
def test_an_odd_reading_is_said_to_be_odd(step, value, unit, said):
    assert said in "; ".join(doubts(step, value, unit))


def test_nothing_at_all_is_no_pass():
    """0 kPa of compression passed without a remark. Nothing lost in a leak-down test is a good one."""
    for step, unit in (("compression", "kPa"), ("valves", "mm"), ("fuel_tank", "l")):
        assert "nothing at all" in "; ".join(doubts(step, 0.0, unit, "pass"))
        assert doubts(step, 0.0, unit, "fail") == doubts(step, 0.1, unit, "pass") == ()
    assert doubts("compression", 0.0, "%", "pass") == doubts("governor", 0.0, "mm", "pass") == ()


def test_no_unit_the_list_of_checks_offers_is_odd():
    for step in bench.steps():
        for unit in step.units:
            assert doubts(step.name, 1.0, unit) == ()
