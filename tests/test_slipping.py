"""Whether a two-stroke fires on every turn, or on every second turn of twice the speed: told by the order of its turns.

That four-stroking is uneven, and misses twice in a row now and then, is what encyclopedias ("Four-stroking") and
repairers' forums say. The engines are made here or drawn by the makers, with known truth.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from test_one_alone import knocks

from enginelog import analysis, firing, speed
from enginelog.firing import slipping
from enginelog.limits import load
from enginelog.model import Clip, Engine

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP / "scripts"))
from measuring.made import analysed  # noqa: E402
from measuring.plain_engines import plain_engine  # noqa: E402

SAW = Engine(strokes=2)
SPEED, FIRING = load("speed"), load("firing")
SEED = 610_000  # never used for tuning
DEMO = TOP / "recordings_demo"


def turns(*runs: int) -> np.ndarray:
    """Strong and empty turns that take turns for as long as each of `runs` says, then slip: two alike."""
    count = np.concatenate([np.full(length, number) for number, length in enumerate(runs)])
    return (np.arange(len(count)) + count) % 2 == 0


def slips(strong: np.ndarray, pattern=slipping.CLEAR, sure: bool = True) -> int:
    return slipping._slips(strong, np.full(len(strong), sure), *pattern)


@pytest.mark.parametrize(("runs", "found"), [((200,), 0), ((40, 60), 1), ((41, 31, 50, 30), 3), ((5, 60), 0)])
def test_places_where_the_order_slips_are_counted(runs, found):
    """Two strong ones in a row, or two empty ones, as the lengths fall; none too near to an end to be seen."""
    assert slips(turns(*runs)) == found == slips(~turns(*runs))


def test_lost_firings_of_one_that_fires_on_every_turn_are_no_slip():
    """Strong ones stay on the same turns, however many are lost."""
    strong = turns(400)
    strong[np.arange(400) % 14 < 4] = False
    assert slips(strong, slipping.LIKELY) == 0


def test_a_slip_of_the_grid_is_no_slip_of_the_engine():
    """Where the turns are not laid as long as those of the double speed the track strays."""
    assert slips(turns(60, 60), sure=False) == 0


def test_noise_slips_nowhere():
    """The chance that 22 of 24 coins fall as asked, either way, is 2 * 301 / 2**24: under one in 25 000 places."""
    assert slips(np.random.default_rng(5).random(4000) < 0.5) == 0


@pytest.mark.parametrize(
    ("turns", "clear", "likely", "left", "second", "every"),
    [
        (1000, 5, 6, 0.0, True, False),
        (1000, 2, 2, 0.0, False, False),
        (1000, 0, 0, 0.0, False, True),
        (1000, 0, 1, 0.0, False, False),
        (400, 0, 0, 0.0, False, False),
        (1000, 0, 0, 0.3, False, False),
        (4000, 5, 5, 0.0, False, False),
        (0, 0, 0, np.nan, False, False),
    ],
)
def test_what_an_order_tells(turns, clear, likely, left, second, every):
    """Neither is told of few turns, of few slips, nor where half a turn late something is heard."""
    order = slipping.Order(turns, clear, likely, left)
    assert firing.fires_every_second(order, FIRING) is second
    assert firing.fires_every_turn(order, FIRING) is every


def on_every_second(slip: float, seconds: float = 10.0, seed: int = 4) -> Clip:
    """A two-stroke at 8000 rpm, 7.5 ms a turn, that fires on every second turn but for slips of that chance a turn."""
    rng = np.random.default_rng(seed)
    count = int(seconds / 0.0075)
    fires = (np.arange(count) + np.cumsum(rng.random(count) < slip)) % 2 == 0
    return knocks(tuple(np.where(fires, 1.0, 0.0)), 0.0075, seconds, seed)


def test_an_engine_whose_order_slips_is_told_at_the_faster_speed():
    run = analysed(on_every_second(0.02), SAW)
    measured = run.measures
    assert measured.speed.rpm == pytest.approx(8000, rel=0.01) and measured.speed.or_rpm is None
    assert measured.firing.pattern == "every_second"
    assert measured.firing.misfire_low < 50 < measured.firing.misfire_high


def test_an_engine_whose_order_never_slips_is_told_at_the_slower_speed():
    run = analysed(on_every_second(0.0), SAW)
    assert run.measures.speed.rpm == pytest.approx(4000, rel=0.01) and run.measures.speed.or_rpm is None
    assert run.measures.speed.confidence > 0.5


def test_a_block_too_short_to_tell_goes_on_at_the_speed_of_the_one_before():
    """4000 or 8000 rpm: as before, where that fired on every second turn and was about as fast."""
    clip = on_every_second(0.0, seconds=4.0)
    told = [analysis.tracked(clip, SAW, SPEED, FIRING, before_rpm) for before_rpm in (None, 8200.0, 12_000.0)]
    assert [round(float(np.nanmedian(track.rpm)), -2) for track in told] == [4000, 8000, 4000]
    assert [speed.settled_double(track) for track in told] == [None, pytest.approx(8000, rel=0.01), None]


def test_a_long_run_keeps_its_speed_from_block_to_block():
    """Slips in its first half minute alone."""
    first, then = on_every_second(0.02, seconds=28.0), on_every_second(0.0, seconds=6.0)
    run = analysed(Clip(np.concatenate([first.samples, then.samples]), first.rate_hz), SAW)
    assert run.measures.speed.rpm == pytest.approx(8000, rel=0.01)
    known = run.track.rpm[np.isfinite(run.track.rpm)]
    assert np.mean(np.abs(known / 8000 - 1) < 0.05) > 0.95


def drawn(wanted: int, second: bool) -> list:
    """Two-strokes of the second maker in little noise at speeds at which both are possible (half of a slower one is
    below what is usual, and in no question), that lose every second firing, or none."""
    made = (plain_engine(seed, faulty=True) for seed in range(SEED, SEED + 400))
    fit = (one for one in made if one.engine.strokes == 2 and (3500 < one.rpm < 13_000 if second else one.rpm < 7000))
    kind = "every_second" if second else None
    return [one for one in fit if one.misfire_pattern == kind][:wanted]


@pytest.mark.parametrize("second", [True, False], ids=["every second turn", "every turn"])
def test_engines_of_the_second_maker(second):
    """Most are told; none is told surely, and wrong: that would be the worst."""
    engines = drawn(8, second)
    speeds = [analysed(one.clip, one.engine).measures.speed for one in engines]
    right = [told.rpm == pytest.approx(one.rpm, rel=0.01) for told, one in zip(speeds, engines, strict=True)]
    sure = [told.confidence >= 0.5 for told in speeds]
    assert sum(a and b for a, b in zip(right, sure, strict=True)) >= 4  # of 8
    assert not any(b and not a for a, b in zip(right, sure, strict=True))


def test_the_demo_brushcutter_is_told_at_its_speed():
    name = "brushcutter_thistle_every_second"
    truth = json.loads((DEMO / f"{name}.truth.json").read_text(encoding="utf-8"))
    run = analysis.analyse(str(DEMO / f"{name}.m4a"), SAW)
    told = run.measures.speed
    assert told.rpm == pytest.approx(truth["speed_rpm"], rel=0.005)
    assert told.rpm_low <= truth["speed_rpm"] <= told.rpm_high
    assert told.or_rpm is None and told.confidence > 0.5
    assert run.measures.firing.misfire_low <= 100 * truth["misfire_share"]


def test_double_the_speed_is_in_question_of_single_two_strokes_alone():
    clip = knocks((1.0,), 0.015)
    track = speed.track(clip, SAW, SPEED)
    assert speed.double_in_question(track, SAW, SPEED) == pytest.approx(8000, rel=0.01)
    assert speed.double_in_question(track, Engine(), SPEED) is None
    fast = speed.track(knocks((1.0,), 0.0065), SAW, SPEED)  # 9200 rpm: no such engine turns at 18 400
    assert speed.double_in_question(fast, SAW, SPEED) is None
