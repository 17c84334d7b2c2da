"""The run-down after a cut: against a coast integrated by scipy, and against the crank of made-up recordings."""

import json
import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from enginelog import analysis, limits, speed, synthesis, timeline
from enginelog.model import Engine, RunDown, Span, Timeline, Track
from enginelog.timeline import claims, coasting
from enginelog.timeline.activity import Activity

sys.path.append(str(Path(__file__).resolve().parents[1] / "scripts"))

import accuracy_stops  # noqa: E402

LIMITS = limits.load("timeline")
SPEED = limits.load("speed")
DEMO = Path(__file__).parents[1] / "recordings_demo"


def coasting_activity(firing_hz: float, a: float, b: float, cut_s: float, seconds: float, noise_db: float):
    """Envelopes of a coast integrated numerically, when it stands still, and its speed (of the first) after the cut.

    Outside reference: scipy's solve_ivp on dv/dt = -(a + b v^2) (v relative to the first speed).
    """
    from scipy.integrate import solve_ivp

    def still(_, state):
        return state[1] - 0.02

    still.terminal = True
    solved = solve_ivp(lambda _, s: [s[1], -(a + b * s[1] ** 2)], (0, 60), [0, 1], events=still, max_step=0.01)
    t = np.arange(0, seconds, 0.002)
    turned = np.where(t < cut_s, t - cut_s, np.interp(t - cut_s, solved.t, solved.y[0])) * firing_hz
    moving = (t < cut_s + solved.t[-1]) & (t >= cut_s)
    beat = 6 * np.exp(-(((turned % 1) - 0.3) ** 2) / 0.02) * moving
    noise = np.random.default_rng(2).normal(0, noise_db, (len(t), 2))
    fine = (beat[:, None] - 40 + noise).astype(np.float16).reshape(-1, 5, 2)
    n = len(fine)
    zero = np.zeros(n, np.float16)
    activity = Activity(np.arange(n) / 100 + 0.005, np.zeros((n, 10), np.float16), zero, zero, fine)
    return activity, solved.t[-1], lambda at_s: np.interp(at_s - cut_s, solved.t, solved.y[1], left=1.0)


def coast_of(activity: Activity, end_s: float, firing_hz: float) -> coasting.Coast:
    t_s = np.arange(0.025, 9.0, 0.05)
    found = coasting.coast(activity, end_s, t_s, np.full(len(t_s), firing_hz), 5.5, LIMITS)
    assert found is not None
    return found


@pytest.mark.parametrize(("firing_hz", "a", "b"), [(25.0, 0.3, 0.2), (25.0, 0.8, 0.1), (50.0, 0.4, 0.4)])
@pytest.mark.parametrize("seems_s", [3.0, 3.5])
def test_cut_time_and_speed_of_a_known_coast(firing_hz, a, b, seems_s):
    activity, stands_s, speed_at = coasting_activity(firing_hz, a, b, 3.0, 9.0, 2.0)
    found = coast_of(activity, seems_s, firing_hz)
    assert found.clearness > LIMITS.value("coast_clear") and found.seconds_chance >= LIMITS.value("coast_told")
    assert found.seconds == pytest.approx(stands_s, abs=max(0.3, 0.15 * stands_s))
    assert found.cut_s == pytest.approx(3.0, abs=0.15)
    told = (
        (found.chance >= SPEED.value("least_confidence_coasting")) & (found.t_s > 3.1) & (found.t_s < 3 + stands_s / 2)
    )
    assert told.sum() >= 4
    assert np.mean(np.abs(found.firing_hz[told] / firing_hz / speed_at(found.t_s[told]) - 1) < 0.03) >= 0.9


@pytest.mark.parametrize(("firing_hz", "noise_db", "most_s"), [(25.0, 4.0, 0.15), (49.0, 6.0, 0.08)])
def test_where_the_run_seems_to_end_decides_little(firing_hz, noise_db, most_s):
    """By one set of windows, which begin by it, these times to standstill lay 0.22 and 0.12 s apart."""
    activity, _, _ = coasting_activity(firing_hz, 0.25, 0.15, 3.0, 9.0, noise_db)
    seconds = [coast_of(activity, seems_s, firing_hz).seconds for seems_s in np.arange(3.0, 3.25, 0.04)]
    assert max(seconds) - min(seconds) < most_s


def test_a_slow_coast_of_few_beats_is_not_timed():
    """13 firings a second at first: no more than a dozen compressions."""
    activity, _, _ = coasting_activity(13.0, 0.5, 0.2, 3.0, 9.0, 2.0)
    found = coast_of(activity, 3.0, 13.0)
    assert found.cut_s == pytest.approx(3.0, abs=0.1)
    assert found.seconds_chance < LIMITS.value("coast_told") < 1.0


def test_a_coast_never_gains_speed():
    activity, _, _ = coasting_activity(25.0, 0.3, 0.2, 3.0, 9.0, 2.0)
    found = coast_of(activity, 3.0, 25.0)
    assert np.all(np.diff(found.firing_hz) <= 1e-6) and np.all((found.chance >= 0) & (found.chance <= 1 + 1e-9))


def test_no_coast_in_noise():
    activity, _, _ = coasting_activity(25.0, 0.5, 0.2, 3.0, 9.0, 2.0)
    noise = np.random.default_rng(7).normal(-40, 3, activity.fine_db.shape).astype(np.float16)
    assert coast_of(replace(activity, fine_db=noise), 3.0, 25.0).clearness < LIMITS.value("coast_clear")


def test_no_coast_where_next_to_nothing_follows():
    activity, _, _ = coasting_activity(25.0, 0.5, 0.2, 3.0, 3.3, 2.0)
    t_s = np.arange(0.025, 3.3, 0.05)
    assert coasting.coast(activity, 3.0, t_s, np.full(len(t_s), 25.0), 0.3, LIMITS) is None


# ---------------------------------------------------------------- the track after the cut


def rising_track() -> Track:
    """3000 rpm until 5 s, then what a window may make of it: up by 100 rpm, each frame taken for sure."""
    t_s = np.arange(0.025, 10.0, 0.05)
    rpm = np.where(t_s < 5.0, 3000.0, 3100.0)
    return Track(t_s, rpm, np.full(len(t_s), 0.9), np.full(len(t_s), 1.0))


def stopped_at(cut_s: float, clear: bool, *after: Span) -> Timeline:
    t_s = np.arange(4.525, 8.0, 0.05)
    rpm = np.where(clear, np.clip(3000.0 * (1 - (t_s - cut_s) / 2), 0.0, 3000.0), np.nan)
    sure = np.where(clear & (t_s < 6.0), 0.8, 0.3 if clear else 0.0)
    down = RunDown(cut_s, cut_s, 0.97, clear, t_s, rpm, 0.02 * rpm, sure)
    return Timeline(True, 0.99, (Span("run", 0.0, cut_s), Span("rundown", cut_s, 7.0), *after), downs=(down,))


def test_after_the_cut_the_speed_is_that_of_the_coast():
    found = speed.coasted(rising_track(), stopped_at(5.0, True), SPEED)
    running, falling = found.t_s < 4.9, (found.t_s > 5.0) & (found.t_s < 6.0)
    assert np.all(found.rpm[running] == 3000.0)
    assert np.allclose(found.rpm[falling], 3000.0 * (1 - (found.t_s[falling] - 5.0) / 2))
    assert np.isnan(found.rpm[found.t_s > 6.0]).all() and not found.confidence[found.t_s > 6.0].any()
    assert np.all(np.diff(found.rpm[np.isfinite(found.rpm)]) <= 0)


def test_what_rises_before_an_unclear_cut_is_not_told_either():
    track = rising_track()
    early = replace(track, rpm=np.where(track.t_s < 4.8, 3000.0, 3100.0))
    found = speed.coasted(early, stopped_at(5.0, False), SPEED)
    assert np.isnan(found.rpm[found.t_s > 4.8]).all() and np.isfinite(found.rpm[found.t_s < 4.8]).all()


def test_no_coast_is_faster_than_the_run_before_it():
    slower = replace(rising_track(), rpm=np.full(200, 2800.0))
    found = speed.coasted(slower, stopped_at(5.0, True), SPEED)
    assert np.nanmax(found.rpm) <= 2800.0 * 1.02 and np.isfinite(found.rpm[(found.t_s > 5.2) & (found.t_s < 6)]).all()


def test_after_the_cut_nothing_is_told_without_a_clear_beat():
    found = speed.coasted(rising_track(), stopped_at(5.0, False), SPEED)
    assert np.isnan(found.rpm[found.t_s > 4.9]).all() and np.isfinite(found.rpm[found.t_s < 4.9]).all()


def test_what_is_started_again_has_its_own_speed():
    found = speed.coasted(rising_track(), stopped_at(5.0, True, Span("run", 8.0, 10.0)), SPEED)
    assert np.all(found.rpm[found.t_s > 8.0] == 3100.0)


# ---------------------------------------------------------------- what is claimed of the cut


def down_at(beat_s: float, chance: float) -> RunDown:
    return RunDown(beat_s, beat_s, chance, False, *np.empty((4, 0)))


@pytest.mark.parametrize(
    ("beat_s", "chance", "says"),
    [(10.1, 0.97, True), (10.5, 0.97, False), (10.1, 0.85, False)],
)
def test_the_beat_speaks_for_a_cut(beat_s, chance, says):
    assert claims.agrees(down_at(beat_s, chance), 10.0, LIMITS) is says


def test_where_too_little_follows_the_beat_says_nothing():
    assert not claims.agrees(RunDown(10.0, None, None, False, *np.empty((4, 0))), 10.0, LIMITS)
    assert not claims.agrees(None, 10.0, LIMITS)


# ---------------------------------------------------------------- whole recordings


def told_after(run, t_s: np.ndarray, rpm: np.ndarray, cut_s: float, stands_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Speeds told between cut and standstill, and the true ones beside them."""
    track = run.track_told
    rows = (track.t_s > cut_s) & (track.t_s < stands_s) & np.isfinite(track.rpm)
    return track.rpm[rows], np.interp(track.t_s[rows], t_s, rpm)


def assert_falls(told: np.ndarray, true: np.ndarray) -> None:
    assert len(told) >= 10 and np.all(np.diff(told) < 0)
    assert np.mean(np.abs(told / true - 1) < 0.03) >= 0.9


@lru_cache(maxsize=1)
def stop_of_the_demo():
    """The analysis of the demo stop, and the truth written with it (the simulated crank)."""
    told = next(one for one in json.loads((DEMO / "demo.json").read_text()) if "daisy_stop" in one["file"])
    engine = Engine(rated_rpm=told["options"]["rated_rpm"], machine="mower", blade_length_mm=460)
    return analysis.analyse(str(DEMO / told["file"]), engine), json.loads((DEMO / told["truth"]).read_text())


def test_the_demo_stop_falls_as_its_crank_did():
    run, truth = stop_of_the_demo()
    told, true = told_after(run, *map(np.array, truth["track"].values()), truth["cut_s"], truth["standstill_s"])
    assert_falls(told, true)
    assert told.max() <= run.measures.speed.rpm


def test_the_demo_stop_is_timed():
    run, truth = stop_of_the_demo()
    assert run.timeline.cut_s == pytest.approx(truth["cut_s"], abs=0.1)
    assert run.timeline.rundown_s == pytest.approx(truth["rundown_s"], abs=0.3)


@pytest.mark.parametrize("kind", ["generator", "twin_360"])
def test_a_made_up_stop_falls_as_its_crank_did(kind):
    scenario = synthesis.random_scenario(31480, kind, "easy", "cut")
    clip, truth = synthesis.make(scenario)
    track = speed.track(clip, scenario.engine, SPEED)
    story = timeline.build(timeline.listen(clip, LIMITS), track, scenario.engine, LIMITS)
    told = speed.coasted(track, story, SPEED)
    rows = (told.t_s > truth.cut_s) & (told.t_s < truth.standstill_s) & np.isfinite(told.rpm)
    assert_falls(told.rpm[rows], np.interp(told.t_s[rows], truth.t_s, truth.rpm))
    assert story.cut_s == pytest.approx(truth.cut_s, abs=0.15)


# ---------------------------------------------------------------- scores


def test_scores_of_a_stop():
    """Worked out by hand: 3000 rpm that falls by 1000 a second; told level for 0.1 s, not told for as long, then right,
    and too fast by 5 % in the last frame, which is a rise."""
    t_s = np.arange(0.025, 8.0, 0.05)
    crank = np.clip(3000.0 - 1000.0 * np.maximum(t_s - 5.0, 0.0), 0.0, None)
    truth = replace(synthesis.nothing(8.0), engine_heard=True, cut_s=5.0, standstill_s=5.4, t_s=t_s, rpm=crank)
    rpm = np.where(t_s < 5.1, 3000.0, np.where(t_s < 5.2, np.nan, crank))
    rpm[np.argmin(np.abs(t_s - 5.375))] *= 1.05
    story = Timeline(True, 0.9, (Span("run", 0.0, 5.0), Span("rundown", 5.0, 5.4), Span("quiet", 5.4, 8.0)))
    found = accuracy_stops.stop_of(Track(t_s, rpm, np.ones(len(t_s)), np.ones(len(t_s))), story, truth)
    assert found.counts.tolist() == [[4, 2, 2], [4, 4, 3], [0, 0, 0]] and found.rises
    falls = accuracy_stops.stop_of(Track(t_s, crank, np.ones(len(t_s)), np.ones(len(t_s))), story, truth)
    assert falls.counts.tolist() == [[4, 4, 4], [4, 4, 4], [0, 0, 0]] and not falls.rises
