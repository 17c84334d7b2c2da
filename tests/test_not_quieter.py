"""Whether an engine stopped is told by its getting quieter; no outside source, the plainest levels are made here."""

from __future__ import annotations

import numpy as np
import pytest

from enginelog import limits
from enginelog.model import Span
from enginelog.model.course import RunDown
from enginelog.timeline.not_quieter import never_stopped
from enginelog.timeline.traces import Traces

LIMITS = limits.load("timeline")
RUN_A, REST, PULL, REST_B, RUN_B = (
    Span("run", 0.0, 6.0, 2700.0),
    Span("quiet", 6.0, 9.0),
    Span("pull", 9.0, 9.6),
    Span("quiet", 9.6, 13.0),
    Span("run", 13.0, 23.0, 2720.0),
)


def levels(parts: list[tuple[float, float]]) -> Traces:
    """Levels in ten bands, with a little of chance; parts: (seconds, dB) one after the other."""
    rng = np.random.default_rng(1)
    peak = np.concatenate([np.full(round(100 * seconds), db) for seconds, db in parts])
    bands = peak[:, None] + rng.normal(0.0, 0.5, (len(peak), 10))
    return Traces(0.005, peak, peak, np.zeros((len(peak), 5, 2)), bands, 1, np.zeros((len(peak) // 10, 7)))


def down(cut_s: float, clear: bool) -> RunDown:
    none = np.zeros(0)
    return RunDown(cut_s, None, None, clear, none, none, none, none)


def blipped(idle_db: float = -40.0) -> Traces:
    """A saw that idles at -40 dB, with a blip to full throttle at 3 and 9 s; `idle_db` after the first run."""
    return levels([(3, -40), (1, -20), (2, -40), (3, idle_db), (0.6, -20), (3.4, idle_db), (10, -40)])


def test_a_saw_blipped_over_its_idle_never_stopped():
    spans, _ = never_stopped((RUN_A, REST, PULL, REST_B, RUN_B), (), blipped(), LIMITS)
    assert [(span.kind, span.start_s, span.end_s, span.rpm) for span in spans] == [("run", 0.0, 23.0, 2720.0)]


@pytest.mark.parametrize(("after_db", "one_run"), [(-40.0, True), (-52.0, False)])
def test_a_saw_that_mostly_works_is_as_quiet_as_its_idle_all_the_same(after_db, one_run):
    """At full throttle for three quarters of the time: held against that, its own idle would be a stop."""
    sound = levels([(1.5, -40), (4.5, -20), (3, after_db), (0.6, -20), (3.4, after_db), (7.5, -20), (2.5, -40)])
    spans, _ = never_stopped((RUN_A, REST, PULL, REST_B, RUN_B), (), sound, LIMITS)
    assert (len(spans) == 1) == one_run


def test_one_that_gets_quieter_did():
    told = (RUN_A, REST, PULL, REST_B, RUN_B)
    assert never_stopped(told, (), blipped(-52.0), LIMITS) == (told, ())


def test_one_quieter_stretch_among_loud_ones_is_enough():
    told = (RUN_A, REST, PULL, REST_B, RUN_B)
    sound = levels([(6, -40), (3, -52), (0.6, -20), (3.4, -38), (10, -40)])
    assert never_stopped(told, (), sound, LIMITS)[0] == told


def test_a_run_down_clearly_heard_is_a_stop_however_loud_the_place():
    told, ended = (RUN_A, REST, PULL, REST_B, RUN_B), (down(6.0, True),)
    assert never_stopped(told, ended, blipped(), LIMITS) == (told, ended)
    assert never_stopped(told, (down(6.0, False),), blipped(), LIMITS)[1] == ()


def test_after_the_last_run_blips_are_no_pulls_in_vain():
    spans, _ = never_stopped((RUN_A, REST, PULL, REST_B), (), blipped(), LIMITS)
    assert [(span.kind, span.start_s, span.end_s) for span in spans] == [("run", 0.0, 6.0), ("quiet", 6.0, 13.0)]
    vain = (RUN_A, REST, PULL, REST_B)
    assert never_stopped(vain, (), blipped(-52.0), LIMITS)[0] == vain


@pytest.mark.parametrize("spans", [(REST, PULL, REST_B), (Span("run", 0.0, 0.6), REST)])
def test_without_a_run_long_enough_nothing_is_changed(spans):
    assert never_stopped(spans, (), blipped(), LIMITS) == (spans, ())
