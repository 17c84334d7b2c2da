"""A healthy single told as a twin seems to have a silent cylinder: what is said of that asks how many it has.

Truth is the engine of `enginelog.synthesis`, which lost no firing, and the simulated one of `sim_tracks`.
"""

import io
from dataclasses import replace

import numpy as np
import pytest
import sim_tracks as sim
import soundfile

from enginelog import analysis, limits, synthesis
from enginelog.findings import judge
from enginelog.findings.firing_verdicts import TOLD_AS_TWIN
from enginelog.model import Engine

LIMITS = limits.load("findings")
FINDINGS = ("misfire", "cylinder_balance")


def judged(engine: Engine, level: float, each: int):
    """A twin whose second cylinder sounds `level` as strong as the first, and of which each so-many-th firing burns."""
    case = sim.make(31, sim.Scenario(engine=engine, snr_db=25.0))
    own = case.firings.slot == 1
    burns = ~own | (np.cumsum(own) % each == 0)
    levels = np.where(own, level, 1.0) * 2 / (1 + level)
    firings = replace(case.firings, slot_level=levels, miss_probability=np.where(burns, 0.001, 0.97))
    measures = judge(case.engine, case.quality, case.timeline, case.speed, case.track, firings, LIMITS)
    return {one.code: one for one in measures.findings}


def test_a_cylinder_that_never_fires_may_not_be_there():
    found = judged(sim.TWIN_360, 0.05, 10_000)
    assert [found[code].verdict for code in FINDINGS] == ["watch", "watch"]
    assert all(TOLD_AS_TWIN in found[code].text for code in FINDINGS)


@pytest.mark.parametrize(
    ("engine", "level", "each"), [(sim.TWIN_180, 0.05, 10_000), (sim.TWIN_360, 1.0, 5), (sim.TWIN_360, 1.0, 3)]
)
def test_else_it_is_there(engine, level, each):
    """A single has no second cylinder that fires now and then; and who tells how an uneven twin fires has one."""
    found = judged(engine, level, each)
    for code in FINDINGS:
        assert found[code].verdict == "fault" and TOLD_AS_TWIN not in found[code].text
    assert "More than 90 % of them belong to one cylinder" in found["misfire"].text


@pytest.mark.parametrize("seed", [850002, 850000])
def test_heard_from_a_healthy_single(seed):
    """One was said to have lost firings for sure, the other to have a faint cylinder."""
    made = synthesis.random_scenario(seed, "generator" if seed == 850002 else "mower", "easy", "steady")
    clip, truth = synthesis.make(made)
    assert not np.any(truth.missed)
    sound = io.BytesIO()
    soundfile.write(sound, clip.samples, round(clip.rate_hz), format="WAV")
    sound.seek(0)
    told = replace(made.engine, cylinders=2, firing_angles_deg=(0.0, 360.0), machine="other")
    found = [one for one in analysis.analyse(sound, told, name="one.wav").measures.findings if one.code in FINDINGS]
    amiss = [one for one in found if one.verdict in ("watch", "fault")]
    assert amiss and all(one.verdict == "watch" and TOLD_AS_TWIN in one.text for one in amiss)
