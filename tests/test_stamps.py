"""When a text from outside says that something was: ISO 8601, the standard for it; what names no zone is no moment."""

from datetime import UTC, datetime

import pytest

from enginelog.model.stamps import in_utc


@pytest.mark.parametrize("stamp", ["2026-04-12T11:25:00+02:00", "2026-04-12T09:25:00Z", "2026-04-12T09:25+00:00"])
def test_a_time_with_its_zone_is_that_moment_in_utc(stamp):
    assert in_utc(stamp) == datetime(2026, 4, 12, 9, 25, tzinfo=UTC)


@pytest.mark.parametrize("stamp", [None, "", "2026-04-12T11:25:00", "not a time", "0001-01-01T00:00+02:00", "\u202e"])
def test_what_is_no_moment_is_none(stamp):
    assert in_utc(stamp) is None
