"""What was amiss before is left open until it is shown to be gone; design of our own, no outside source."""

from dataclasses import replace

import make_runs
import pytest

from enginelog.compare.left_open import left_open, said_open
from enginelog.model import Compared, Difference

CODES = ("hunting", "misfire")


def judged(verdict: str):
    """The run after, with these findings judged so."""
    run = make_runs.healthy_generator()
    others = [one for one in run.measures.findings if one.code not in CODES]
    like = run.measures.findings[0]
    own = [replace(like, code=code, verdict=verdict) for code in CODES]
    return replace(run, measures=replace(run.measures, findings=(*others, *own)))


def side(name: str, **heard) -> Compared:
    return Compared(f"{name}.m4a", name[0] * 64, "ran", **heard)


BEFORE = side("before", faults=("hunting",), watches=("misfire",))


@pytest.mark.parametrize(("verdict", "left"), [("ok", ()), ("unknown", CODES)])
def test_what_is_judged_well_after_the_work_is_not_left_open(verdict, left):
    assert left_open(BEFORE, side("after"), judged(verdict), ()) == left


def test_what_is_heard_after_or_told_by_a_measure_is_not_left_open_either():
    run = judged("unknown")
    assert left_open(BEFORE, side("after", faults=("hunting",)), run, ()) == ("misfire",)
    same, unsure = (Difference("hunting", "Hunting", "", verdict, "") for verdict in ("same", "cannot_tell"))
    assert left_open(BEFORE, side("after"), run, (same,)) == ("misfire",)
    assert left_open(BEFORE, side("after"), run, (unsure,)) == CODES


def test_it_is_said_once_by_name():
    assert said_open(CODES) == "Heard before, and not shown to be gone: hunting and misfires."
    assert said_open(()) == ""
