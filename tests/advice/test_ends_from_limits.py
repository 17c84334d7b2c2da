"""Usual values whose ends are limits of the findings."""

import pytest

from enginelog import limits
from enginelog.limits.trade import machines


def test_an_end_that_findings_judge_by_is_read_from_their_limits():
    """A number in two files is two numbers after the first change of one."""
    known = limits.load("findings")
    for kind, quantity, end, name in (
        ("mower", "tip_margin", "low", "tip_margin_rpm"), ("mower twin", "blade_stop", "high", "blade_stop_s"),
        ("generator", "droop", "high", "droop_watch_percent"),
        ("generator", "frequency_50", "high", "frequency_50_high_hz"),
    ):  # fmt: skip
        assert getattr(machines.usual(kind, quantity), end) == known.value(name)


@pytest.mark.parametrize("wrong", ['low_from = "no_such_limit"', 'low = 1\nlow_from = "tip_margin_rpm"'])
def test_an_end_from_no_limit_names_the_line(wrong, monkeypatch):
    text = f'[[value]]\nmachine = "mower"\nquantity = "tip_margin"\n{wrong}\nunit = "rpm"\nmeaning = "m"\n'
    text += 'status = "published"\nsource = "s"\noutside = "o"\n'
    monkeypatch.setattr(machines.reading, "own_text", lambda _: text)
    with pytest.raises(machines.reading.TradeFileError, match=r"machines.toml, line [45]: .*'low_from' is no limit"):
        machines.values.__wrapped__()
