"""Live listening held against the made-up truth and against the file's own result, without a microphone."""

import json
import time
from pathlib import Path
from threading import Event

import numpy as np
import pytest

from enginelog import analysis, limits
from enginelog.live import Follower, from_file, listen
from enginelog.model import Engine, Firings, Track

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
HUNTING = DEMO / "pump_heron_hunts.m4a"  # swings by 225 rpm at 0.8 a second: a lag shows in its phase
ENGINE = Engine(strokes=4, cylinders=1, rated_rpm=3600.0, machine="pump")
LIVE = limits.load("live")


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """(readings, finished, follower) of the hunting pump, as fast as it goes."""
    source = from_file(str(HUNTING), pace=None)
    follower, readings = Follower(source.rate_hz, analysis.listener(ENGINE), LIVE), []
    path = tmp_path_factory.mktemp("live") / "take.wav"
    finished = listen(source, path, follower, LIVE, readings.append)
    return readings, finished, follower


def truth() -> tuple[np.ndarray, np.ndarray]:
    told = json.loads(HUNTING.with_name("pump_heron_hunts.truth.json").read_text(encoding="utf-8"))["track"]
    return np.array(told["t_s"]), np.array(told["rpm"])


def test_the_speed_lags_half_a_second_at_most(followed):
    """The display at a moment is the truth of at most 0.5 s before: by the shift at which the two agree best."""
    readings, _, _ = followed
    known = [(each.at_s, each.rpm) for each in readings if each.rpm is not None and each.at_s > 3.0]
    at_s, rpm = map(np.array, zip(*known, strict=True))
    t_s, true_rpm = truth()
    shifts = np.arange(0.0, 1.25, 0.01)
    error = [np.mean(np.abs(np.interp(at_s - shift, t_s, true_rpm) - rpm)) for shift in shifts]
    assert len(known) >= 0.8 * sum(each.at_s > 3.0 for each in readings)
    assert shifts[int(np.argmin(error))] <= 0.5
    assert min(error) < 20  # rpm, of a swing of 225
    assert all(each.at_s - each.rpm_at_s <= 0.5 for each in readings if each.rpm_at_s is not None)
    assert np.diff([each.at_s for each in readings]).max() <= 0.3


def test_it_agrees_with_the_file_afterwards(followed):
    readings, finished, follower = followed
    run = analysis.analyse(str(finished.path), ENGINE)
    whole = run.measures.speed.rpm
    assert abs(np.nanmedian(follower.rpm) / whole - 1) < 0.005
    assert abs(finished.seconds - 15.0) < 0.2 and abs(run.clip.seconds - finished.seconds) < 0.01
    inside = np.isfinite(follower.rpm)
    same = np.interp(np.array(follower.t_s)[inside], run.track.t_s, run.track.rpm)
    off = np.abs(np.array(follower.rpm)[inside] / same - 1)
    assert np.nanmedian(off) < 0.005 and np.nanpercentile(off, 95) < 0.03
    assert abs(readings[-1].firings / len(run.firings.t_s) - 1) < 0.1


def test_talk_has_no_speed(tmp_path):
    """People at the bench are no engine: nothing is shown rather than a wrong speed."""
    source = from_file(str(DEMO / "talk_at_the_bench.m4a"), pace=None)
    follower, readings = Follower(source.rate_hz, analysis.listener(Engine()), LIVE), []
    listen(source, tmp_path / "a.wav", follower, LIVE, readings.append, seconds=8.0)
    assert len(readings) > 30 and sum(each.rpm is not None for each in readings) <= 1


def test_level_and_clipping_are_right():
    """A sine of amplitude 0.5 has an RMS of 0.5/sqrt(2): -9.03 dB against full scale (definition)."""
    quiet = silent_follower(48_000)
    t = np.arange(48_000) / 48_000
    found = [r for r in (quiet.add(part) for part in np.split(0.5 * np.sin(2 * np.pi * 100 * t), 20)) if r]
    assert abs(found[-1].level_db + 9.03) < 0.05 and found[-1].clipped_percent == 0 and abs(found[-1].peak - 0.5) < 1e-3
    found = [r for r in (quiet.add(np.sign(np.sin(2 * np.pi * 100 * t[:4800]))) for _ in range(8)) if r]
    assert found[-1].clipped_percent > 90


def silent_follower(rate_hz: int) -> Follower:
    """One whose stages hear nothing."""
    empty = np.empty(0)
    nothing = Firings(empty, np.empty(0, int), empty, empty, empty, empty, empty, empty)
    return Follower(rate_hz, lambda clip, wanted: (Track(empty, empty, empty, empty), nothing), LIVE)


def made_up_stages(rpm_of, missed_every: int):
    """Stages that hear a given speed and lose every so-manieth firing: 25 firings a second."""

    def hear(clip, wanted):
        t_s = clip.start_s + 0.025 + np.arange(int(clip.seconds / 0.05)) * 0.05
        fire_s = np.arange(int(clip.start_s * 25) + 1, int((clip.start_s + clip.seconds) * 25)) / 25
        miss = (np.round(fire_s * 25).astype(int) % missed_every == 0).astype(float)
        ones = np.ones(len(fire_s))
        firings = Firings(fire_s, np.zeros(len(fire_s), int), ones, ones, miss, 0 * ones, 20 * ones, fire_s * 50)
        return Track(t_s, rpm_of(t_s), np.full(len(t_s), 0.9), np.full(len(t_s), 5.0)), firings if wanted else None

    return hear


def test_trend_band_and_count_from_a_known_speed():
    """A speed that rises by 100 rpm a second, every 10th firing lost: each is counted once, whatever the windows."""
    follower = Follower(8000, made_up_stages(lambda t: 2000 + 100 * t, 10), LIVE)
    found = [r for r in (follower.add(np.zeros(400, np.float32)) for _ in range(400)) if r]
    last = found[-1]
    assert abs(last.trend_rpm_per_s - 100) < 1 and abs(last.rpm - (2000 + 100 * last.rpm_at_s)) < 1
    counted_s = follower._counted_s
    assert (
        18.4 <= counted_s <= 19.5
        and abs(last.firings - 25 * counted_s) <= 2
        and abs(last.misfires - 0.1 * last.firings) <= 1
    )
    spread = 100 * 0.95 * 1000 / np.median(2000 + 100 * np.arange(9.75, 19.75, 0.05))
    assert abs(last.band_percent - spread) < 1
    assert np.diff(follower.t_s).max() < 0.051


def test_an_unsure_speed_is_not_shown():
    def unsure(clip, wanted):
        track, firings = made_up_stages(lambda t: 3000 + 0 * t, 10)(clip, wanted)
        return Track(track.t_s, track.rpm, np.full(len(track.t_s), 0.3), track.rpm_std), firings

    follower = Follower(8000, unsure, LIVE)
    found = [r for r in (follower.add(np.zeros(400, np.float32)) for _ in range(100)) if r]
    assert all(r.rpm is None and r.trend_rpm_per_s is None and r.band_percent is None for r in found)


def test_work_is_put_off_while_sound_waits():
    """A slow machine skips readings, never sound."""
    follower = silent_follower(8000)
    assert all(follower.add(np.zeros(400, np.float32), behind=True) is None for _ in range(100))
    assert follower.seconds == 5.0 and follower.add(np.zeros(400, np.float32)).at_s == 5.05


def test_memory_does_not_grow():
    follower = silent_follower(8000)
    for _ in range(4000):
        follower.add(np.zeros(400, np.float32), behind=True)
    assert follower._held_n < 8000 * (LIVE.value("window_s") + 0.1)


def test_stopping_and_the_time_limit(tmp_path):
    source, stop, told = from_file(str(HUNTING), pace=None), Event(), []

    def tell(reading):
        told.append(reading)
        if reading.at_s > 1.0:
            stop.set()

    done = listen(source, tmp_path / "a.wav", silent_follower(source.rate_hz), LIVE, tell, stop)
    assert 1.0 < done.seconds < 1.5 and told
    again = from_file(str(HUNTING), pace=None)
    done = listen(again, tmp_path / "b.wav", silent_follower(again.rate_hz), LIVE, told.append, seconds=2.0)
    assert abs(done.seconds - 2.0) < 0.11


def test_a_file_plays_as_fast_as_it_sounds():
    source = from_file(str(HUNTING), pace=4.0)
    begun = time.monotonic()
    for taken, _ in enumerate(source.blocks(Event()), start=1):
        if taken == 40:  # 2 s of sound
            break
    assert 0.45 < time.monotonic() - begun < 3.0
