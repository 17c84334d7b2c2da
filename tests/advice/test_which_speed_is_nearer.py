"""Which of its two told speeds an engine was nearer to is asked by ratio: the middle of 1700 and 3600 rpm is 2474."""

import pytest
from made_signs import at_rpm, plain

from enginelog.advice.signs import regime


@pytest.mark.parametrize(("rpm", "name"), [(2440.0, "idle"), (2510.0, "top"), (2640.0, "top"), (1700.0, "idle")])
def test_the_middle_is_the_geometric_one(rpm, name):
    """sqrt(1700 * 3600) = 2474; half of their sum would be 2650 (no source)."""
    record = plain(idle_rpm=1700.0, rated_rpm=3600.0)
    at_rpm(record, rpm)
    assert regime(record) == name
