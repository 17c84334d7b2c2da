"""Better is no reason for green where the engine stopped and was pulled again in vain (the project's own wish)."""

from dataclasses import replace

import make_runs
import pytest

from enginelog.model import Compared, Comparison
from enginelog.report.handback_answer import _compared

SIDES = Compared("before.m4a", "a" * 64, "ran"), Compared("after.m4a", "b" * 64, "ran")


@pytest.mark.parametrize(("pulls", "tone"), [(0, "ok"), (1, "watch"), (3, "watch")])
def test_pulls_in_vain_after_the_run_keep_the_answer_from_green(pulls, tone):
    run = make_runs.healthy_generator()
    after = replace(run, timeline=replace(run.timeline, pulls_after=pulls))
    comparison = Comparison(True, "better", "Better: misfires.", *SIDES)
    for full in (True, False):
        assert _compared(comparison, run, after, full).tone == tone


def test_nor_is_it_green_where_a_fault_is_left():
    run = make_runs.healthy_generator()
    comparison = Comparison(True, "better", "Better: speed.", SIDES[0], replace(SIDES[1], faults=("misfire",)))
    assert _compared(comparison, run, run, False).tone == "watch"
