"""A cylinder that is silent throughout is not taken for a sound one: the lines that equal cylinders cancel show it."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scripts"))

from measuring import by_fault  # noqa: E402
from measuring.made import analysed, as_told  # noqa: E402

from enginelog import limits, synthesis  # noqa: E402
from enginelog.dsp.pulses import line_strengths  # noqa: E402
from enginelog.findings import doubt  # noqa: E402
from enginelog.model import Engine, Finding, Spectrum  # noqa: E402
from enginelog.speed import cancelled_db  # noqa: E402

LIMITS = limits.load("findings")
WEIGHTS = (("silent", 0.0), ("alike", 0.9))
TWINS = {angle: Engine(cylinders=2, firing_angles_deg=(0.0, angle)) for angle in (180.0, 270.0, 360.0)}


def pulses(engine: Engine, weights: tuple[float, ...], noise: float = 0.01) -> Spectrum:
    """Order spectrum of a train of pulses at the firing angles, one strength a cylinder, through white noise."""
    rng = np.random.default_rng(1)
    per_cycle, cycles = 256, 64
    sound = noise * rng.standard_normal(per_cycle * cycles)
    for angle, weight in zip(engine.firing_angles_deg, weights, strict=True):
        first = int(round(angle / engine.cycle_deg * per_cycle))
        sound[first::per_cycle] += weight
    frames = sound.reshape(-1, per_cycle * 8) * np.hanning(per_cycle * 8)
    level = 10 * np.log10((np.abs(np.fft.rfft(frames, axis=1)) ** 2).mean(axis=0) + 1e-12)
    order = np.arange(len(level)) / 8 / engine.revs_per_cycle
    return Spectrum(order, level - level.max())


# Ideal line strengths at orders 0.5 to 4: abs(sum(exp(-j*q*theta))) / 2, arithmetic from published firing-order tables.
@pytest.mark.parametrize(
    ("angle", "wanted"),
    [
        (270.0, (0.3827, 0.7071, 0.9239, 0, 0.9239, 0.7071, 0.3827, 1)),
        (180.0, (0.7071, 0, 0.7071, 1, 0.7071, 0, 0.7071, 1)),
        (360.0, (0, 1, 0, 1, 0, 1, 0, 1)),
    ],
)
def test_strengths_are_those_of_the_firing_order(angle, wanted):
    assert line_strengths(np.array([0.0, angle]) / 720.0, 8) == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("angle", TWINS)
def test_lines_are_cancelled_by_equal_cylinders_and_by_none_that_is_silent(angle):
    equal, unlike, silent = (
        cancelled_db(pulses(TWINS[angle], (1.0, other)), TWINS[angle]) for other in (1.0, 0.6, 0.0)
    )
    assert equal < -15 and equal < unlike < silent
    assert silent == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(("cylinders", "silent_db"), [(3, -6.02), (4, -9.54)])
def test_a_silent_one_of_several_is_doubted_by_what_the_others_add_up_to(cylinders, silent_db):
    """Without one of c pulses: 1 on a cancelled line, c - 1 on one of the firings (Fourier series), in dB."""
    angles = tuple(720.0 * k / cylinders for k in range(cylinders))
    engine, good = Engine(cylinders=cylinders, firing_angles_deg=angles), [Finding("misfire", "ok", "None lost.")]
    heard = {name: cancelled_db(pulses(engine, (*[1.0] * (cylinders - 1), last)), engine) for name, last in WEIGHTS}
    assert heard["silent"] == pytest.approx(silent_db, abs=1.0)
    verdict = {name: doubt.none_good_if_one_is_silent(good, engine, heard[name], LIMITS)[0].verdict for name in heard}
    assert verdict == {"silent": "unknown", "alike": "ok"}


def test_a_single_and_a_recording_without_a_spectrum_say_nothing():
    single = Engine()
    assert cancelled_db(pulses(single, (1.0,)), single) is None
    assert cancelled_db(None, TWINS[270.0]) is None


@pytest.mark.parametrize("angle", TWINS)
def test_no_cylinder_is_called_good_where_one_may_be_silent(angle):
    good = [Finding("misfire", "ok", "None lost."), Finding("cylinder_balance", "ok", "Alike.")]
    other = [Finding("misfire", "fault", "Half lost."), Finding("hunting", "ok", "None.")]
    engine = TWINS[angle]
    for heard_db, doubted in ((0.0, True), (-9.0, False), (None, False)):
        found = doubt.none_good_if_one_is_silent([*good, *other], engine, heard_db, LIMITS)
        assert [one.verdict for one in found] == (["unknown"] * 2 if doubted else ["ok"] * 2) + ["fault", "ok"]
        assert all(("one cylinder silent" in one.text) == doubted for one in found[:2])
        assert found[2:] == other
    loud = doubt.none_good_if_one_is_silent(good, engine, 0.0, LIMITS, too_loud=True)
    asked = doubt.none_good_if_one_is_silent(good, engine, 0.0, LIMITS)
    for one, plain in zip(loud, asked, strict=True):
        assert one.next == plain.next[:-1] and one.next and "nearer" in plain.next[-1]


def test_a_twin_with_a_cylinder_lost_throughout_is_not_called_good():
    """Found by measuring: 97 of 100 firings of one cylinder fail, and echoes of the other stand in their places."""
    scenario = by_fault.scenario_of(by_fault.Case("one cylinder, 270/450", "twin_270", 200001, "ordinary"))
    clip, truth = synthesis.make(scenario)
    assert truth.missed[truth.firing_slot == 0].mean() > 0.9
    found = {f.code: f.verdict for f in analysed(clip, as_told(scenario.engine, True)).measures.findings}
    assert found["misfire"] != "ok" and found.get("cylinder_balance") != "ok"
