"""Which trial speed wins: the network against the plain sum of contrasts, and what it reads."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from enginelog import limits, synthesis
from enginelog.model import Engine
from enginelog.speed import emission
from enginelog.speed import evidence as reading
from enginelog.speed.evidence import FEATURES, GRID_STEP, evidence, feature_signals, frame_times
from enginelog.speed.kinds import layouts
from enginelog.speed.tracking import grid_of

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scripts"))

from fit_emission import mean_of  # noqa: E402

LIMITS = limits.load("speed")
TWIN = Engine(cylinders=2, firing_angles_deg=(0.0, 360.0))


def test_moved_reads_the_state_above_and_marks_what_is_off_the_grid():
    values = np.arange(6.0).reshape(1, 6)
    assert emission.moved(values, 2)[0].tolist() == [2, 3, 4, 5, emission.OFF_GRID, emission.OFF_GRID]
    assert emission.moved(values, -1)[0].tolist() == [emission.OFF_GRID, 0, 1, 2, 3, 4]
    assert (emission.moved(values, 9) == emission.OFF_GRID).all()


def test_rivals_lie_at_whole_multiples_and_parts_of_the_speed():
    reached = np.exp(np.array(emission.STEPS) * GRID_STEP)
    assert reached == pytest.approx(emission.RIVALS, rel=GRID_STEP / 2)


def test_inputs_are_as_many_as_the_network_was_made_for():
    grid = grid_of(TWIN, LIMITS)
    scores = {feature.name: np.zeros((3, len(grid)), np.float32) for feature in FEATURES}
    told = emission.told_inputs(TWIN, grid, LIMITS)
    assert emission.inputs(scores).shape == (len(emission.shipped().mean) - len(told), 3, len(grid))


def test_frames_are_judged_alike_whatever_number_is_read_at_a_time():
    rng = np.random.default_rng(1)
    grid = grid_of(TWIN, LIMITS)
    scores = {f.name: rng.uniform(0, 1, (emission.AT_ONCE + 3, len(grid))).astype(np.float32) for f in FEATURES}
    whole = emission.log_odds(scores, TWIN, grid, LIMITS)
    last = emission.log_odds({name: values[-1:] for name, values in scores.items()}, TWIN, grid, LIMITS)
    assert whole[-1:] == pytest.approx(last, abs=1e-3)


@pytest.mark.parametrize("length", [7, 40, 64, 65])
def test_a_signal_is_turned_over_at_its_ends_as_numpy_turns_one_over(length):
    signal = np.random.default_rng(2).normal(size=65).astype(np.float32)
    # The outside source: numpy's own padding.
    wanted = np.pad(signal, length, mode="reflect" if length < len(signal) else "constant")
    assert np.array_equal(reading._padded(signal, length), wanted)


def test_contrasts_are_the_same_by_plain_and_by_sparse_matrices(monkeypatch):
    scenario = synthesis.random_scenario(61008, "twin_360", "ordinary", "steady", seconds=4.0)
    signals, grid = feature_signals(synthesis.make(scenario)[0]), grid_of(TWIN, LIMITS)
    found = []
    for share in (0.0, 1.0):  # all plain, all sparse: scipy's product is the outside source
        monkeypatch.setattr(reading, "DENSE", share)
        reading._kernels.cache_clear()
        found.append(evidence(signals, layouts(TWIN), grid, frame_times(4.0, 0.05)))
    reading._kernels.cache_clear()
    for name, plain in found[0].items():
        assert plain == pytest.approx(found[1][name], abs=1e-4)


def test_the_rated_speed_told_favours_speeds_near_it():
    scenario = synthesis.random_scenario(61007, "twin_360", "ordinary", "steady")
    clip, _ = synthesis.make(scenario)
    grid = grid_of(TWIN, LIMITS)
    scores = evidence(feature_signals(clip), layouts(TWIN), grid, frame_times(clip.seconds, 0.05))
    fast, slow = (np.abs(grid * 120.0 / rpm - 1.0) < 0.03 for rpm in (3000.0, 1500.0))

    def lead_of_fast(rated_rpm: float) -> float:
        odds = emission.log_odds(scores, replace(TWIN, rated_rpm=rated_rpm), grid, LIMITS)
        return float(odds[:, fast].mean() - odds[:, slow].mean())

    assert lead_of_fast(3000.0) > lead_of_fast(1500.0) + 1.0


def wins(odds: np.ndarray, grid: np.ndarray, true_hz: np.ndarray) -> float:
    """Share of frames whose best trial speed is within 3 per cent of the truth."""
    return float(np.mean(np.abs(grid[odds.argmax(axis=1)] / true_hz - 1.0) < 0.03))


@pytest.mark.parametrize(("kind", "seed"), [("mower", 61000), ("twin_360", 61001), ("trimmer", 61004), ("four", 61005)])
def test_in_noise_the_true_speed_wins_more_often_than_by_the_plain_sum(kind, seed):
    scenario = synthesis.random_scenario(seed, kind, "hard", "steady")
    clip, truth = synthesis.make(scenario)
    engine = Engine(scenario.engine.strokes, scenario.engine.cylinders, scenario.engine.firing_angles_deg)
    grid, times = grid_of(engine, LIMITS), frame_times(clip.seconds, 0.05)
    scores = evidence(feature_signals(clip), layouts(engine), grid, times)
    true_hz = np.interp(times, truth.t_s, truth.rpm) / 60.0 / engine.revs_per_cycle
    plain = emission.plain_sum(scores)
    assert wins(emission.log_odds(scores, engine, grid, LIMITS), grid, true_hz) >= wins(plain, grid, true_hz)


def test_the_mean_of_several_networks_gives_the_mean_of_their_logits_but_for_what_is_the_same_for_every_speed():
    rng = np.random.default_rng(2)
    nets = [
        emission.Net(
            rng.normal(0, 0.5, 6), rng.uniform(0.5, 2, 6), rng.normal(0, 1, (6, 4)), rng.normal(0, 1, 4),
            rng.normal(0, 1, 4), rng.normal(0, 1, 6),
        )
        for _ in range(3)
    ]  # fmt: skip
    x = rng.uniform(-1, 1, (6, 50)).astype(np.float32)  # within reach of all of them
    together = mean_of(nets).logit(x.copy())
    apart = np.mean([net.logit(x.copy()) for net in nets], axis=0)
    assert together - together.mean() == pytest.approx(apart - apart.mean(), abs=1e-4)
    assert np.std(apart) > 1
