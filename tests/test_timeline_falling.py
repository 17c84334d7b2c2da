"""A run ends where its speed begins to fall for good. The fall: dv/dt = -v0 / T of a body slowed by steady friction
(textbook mechanics); where a fall is none of a cut is the project's own rule, no source."""

import numpy as np
import pytest

from enginelog import limits
from enginelog.model import Span, Track
from enginelog.timeline.falling import ended_at_falls, falls_from

LIMITS = limits.load("timeline")
T_S = (np.arange(300) + 0.5) * 0.05  # 15 s


def track(rpm: np.ndarray) -> Track:
    """Each value is the mean of 0.2 s, as the track's are."""
    evened = np.convolve(np.pad(rpm, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    return Track(T_S, evened, np.full(300, 0.95), np.ones(300))


def coasting(cut_s: float, took_s: float) -> np.ndarray:
    wander = 1 + 0.001 * np.random.default_rng(1).standard_normal(300)
    return 3000 * np.clip(1 - np.maximum(T_S - cut_s, 0.0) / took_s, 0.05, 1.0) * wander


@pytest.mark.parametrize("took_s", [1.5, 3.0, 6.0])
def test_a_run_that_seems_to_end_late_ends_where_the_speed_begins_to_fall(took_s):
    """Such clips were told a band of 3 to 7 %, a rough start or lost firings of engines that had none."""
    line = track(coasting(10.0, took_s))
    spans = (Span("run", 0.0, 10.4, 3000.0), Span("rundown", 10.4, 11.5, 2800.0))
    found, seconds = ended_at_falls(spans, 2.0, line, LIMITS)
    assert [one.kind for one in found] == ["run", "rundown"]
    assert found[0].end_s == found[1].start_s == pytest.approx(10.0, abs=0.15) and found[1].end_s == 11.5
    assert seconds == pytest.approx(2.0 + 10.4 - found[0].end_s)


def test_a_recording_that_ends_while_it_runs_down_has_a_run_down():
    line = track(coasting(14.0, 3.0))
    found, _ = ended_at_falls((Span("run", 0.0, 15.0, 3000.0),), None, line, LIMITS)
    assert [one.kind for one in found] == ["run", "rundown"]
    assert found[0].end_s == pytest.approx(14.0, abs=0.15) and found[1].end_s == 15.0


def test_what_falls_otherwise_ends_no_run():
    right = Span("run", 0.0, 10.0, 3000.0)
    assert falls_from(right, track(coasting(10.0, 3.0)), LIMITS, False) is None, "the cut is right as it is"
    loaded = np.where(T_S < 9.0, 3000.0, 2800.0)
    assert falls_from(Span("run", 0.0, 10.0), track(loaded), LIMITS, False) is None, "a load, and it runs on"
    taken = 3000 * (1 - np.clip((T_S - 14.6) / 0.4, 0.0, 1.0) * 0.06)
    assert falls_from(Span("run", 0.0, 15.0), track(taken), LIMITS, True) is None, "no deeper than a load lets it dip"
    sinks = 3000 * (1 - np.clip((T_S - 5.0) / 10.0, 0.0, 1.0) * 0.1)
    assert falls_from(Span("run", 0.0, 15.0), track(sinks), LIMITS, False) is None, "slower than any coast"
    swings = 3000 * (1 + 0.05 * np.sin(2 * np.pi * 0.5 * T_S))
    assert falls_from(Span("run", 0.0, 14.4), track(swings), LIMITS, False) is None, "it hunts"
    spans = (Span("run", 0.0, 10.4, 3000.0), Span("pull", 10.4, 11.5))
    assert ended_at_falls(spans, None, track(coasting(10.0, 3.0)), LIMITS)[0] == spans
    silent = ((10.4, 12.0),)
    down = (Span("run", 0.0, 10.4, 3000.0), Span("quiet", 10.4, 15.0))
    assert ended_at_falls(down, None, track(coasting(10.0, 3.0)), LIMITS, silent)[0] == down
