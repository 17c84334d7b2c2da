"""A store in a folder of its own, and a clock that tells a minute more each time it is asked."""

import itertools
from datetime import UTC, datetime, timedelta

import pytest

from enginelog.store import moments, open_store


def ticking_clock():
    """A clock that begins on an April morning and goes on a minute with each look."""
    start = datetime(2026, 4, 11, 8, 0, tzinfo=UTC)
    count = itertools.count()
    return lambda: moments.moment(start + timedelta(minutes=next(count)))


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path / "shed.enginelog", clock=ticking_clock()) as opened:
        yield opened
