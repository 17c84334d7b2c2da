"""Mains hum that was taken out of a recording is said, with its share and what to do; an engine at its rate is none.

The rates of the grid: 50 and 60 Hz (IEC 60038; from memory). Engine and hum are those of the project's own synthesis,
whose hum is mixed in at a level asked for (seeds of their own); what its share ought to be follows from that.
"""

import functools
import io

import numpy as np
import pytest
import soundfile

from enginelog import analysis, report, synthesis

PLAIN_PLACE = {
    "wind_db": None,
    "talk_db": None,
    "birds_db": None,
    "knocks_db": None,
    "noise_db": -20.0,
    "drift_db": 0.0,
}


@functools.cache
def run_of(rpm: float, hum_db: float | None, hum_hz: float = 50.0, seconds: float = 20.0):
    """The analysis of a generator that runs steadily at `rpm`, beside a hum `hum_db` over it (None: none)."""
    scenario = synthesis.random_scenario(
        61_777, "generator", "easy", "steady", rpm=rpm, seconds=seconds, codec=None,
        place=PLAIN_PLACE | {"hum_db": hum_db, "hum_hz": hum_hz},
        phone={"high_pass_hz": None, "agc": 0.0, "suppression": 0.0, "gaps": 0},
    )  # fmt: skip
    clip, _ = synthesis.make(scenario)
    stream = io.BytesIO()
    soundfile.write(stream, clip.samples, int(clip.rate_hz), format="WAV")
    stream.seek(0)
    return analysis.analyse(stream, scenario.engine, "shed.wav")


def problems(run) -> dict[str, str]:
    return {problem.code: f"{problem.text}; {problem.advice}" for problem in run.quality.problems}


@pytest.mark.parametrize(("hum_hz", "rpm"), [(50.0, 3350.0), (60.0, 3350.0), (50.0, 3090.0)])
def test_hum_is_told_with_its_share_and_what_to_do(hum_hz, rpm):
    run = run_of(rpm, -3.0, hum_hz)
    share_percent = 100 / (1 + 10**0.3 + 10**-1.7)  # hum 3 dB, noise 20 dB under the engine
    assert run.quality.hum_percent == pytest.approx(share_percent, rel=0.2)
    assert "hum" in problems(run) and "charger" in problems(run)["hum"]
    assert run.quality.usable and run.timeline.engine_heard
    assert "Mains hum was" in report.to_html(run) and "taken out before the speed was looked for" in report.to_html(run)
    assert "mains hum was" in " ".join(report.summary_text(run).lower().split())
    assert report.record(run)["quality"]["hum_percent"] == pytest.approx(run.quality.hum_percent, abs=0.001)


def test_hum_alone_does_not_lower_trust():
    """It was taken out; what doubt it leaves about an engine at its rate is the engine's, not the recording's."""
    assert run_of(3350.0, -3.0, 50.0).quality.trust == run_of(3350.0, None).quality.trust


@pytest.mark.parametrize("rpm", [3000.0, 3600.0])
def test_an_engine_that_turns_at_the_rate_of_the_grid_is_not_said_to_hum(rpm):
    run = run_of(rpm, None)
    assert run.timeline.engine_heard and run.measures.speed.rpm == pytest.approx(rpm, rel=0.01)
    assert run.quality.hum_percent == 0.0 and "hum" not in problems(run)
    assert "hum" not in report.summary_text(run).lower().split()
    assert "none found" in report.to_html(run)


def test_a_faint_hum_is_on_the_page_and_asks_nothing():
    run = run_of(3350.0, -17.0)
    assert 0 < run.quality.hum_percent < 5 and "hum" not in problems(run)
    assert "taken out before the speed was looked for" in report.to_html(run)


def test_too_short_a_recording_does_not_tell():
    run = run_of(3350.0, -3.0, seconds=5.0)
    assert run.quality.hum_percent is None and "hum" not in problems(run)
    assert "only six seconds of sound and more tell" in report.to_html(run)


def test_the_share_of_hours_is_that_of_their_blocks():
    from enginelog import limits
    from enginelog.model import Clip
    from enginelog.quality import judge, measure, with_hum

    chosen = limits.load("quality")
    clip = Clip(np.random.default_rng(1).normal(0, 0.05, 16_000 * 10).astype(np.float32), 16_000)
    part = measure(clip, chosen)
    shares = (np.full(9, 0.3), np.full(9, 0.1), np.full(9, np.nan), None)
    quality = judge([with_hum(part, share) for share in shares], 40.0, chosen)
    assert quality.hum_percent == pytest.approx(20.0)
