"""Whether a machine carries a blade is one question with one answer, whoever asks: the findings, a comparison, advice,
the plots. What kinds do without one is common practice, no source."""

from dataclasses import asdict, replace

import make_runs
import pytest
import sim_tracks as sim

from enginelog import compare, plots
from enginelog.advice import Heard, signs
from enginelog.advice.usual import usual_values
from enginelog.findings import judge
from enginelog.limits import load
from enginelog.model import Engine
from enginelog.report import record

TOLD = (
    ({"machine": "mower"}, True),
    ({"machine": "mower twin"}, True),
    ({"machine": "other", "blade_length_mm": 500.0}, True),
    ({"machine": "tiller", "blade_length_mm": 500.0}, True),
    ({"blade_length_mm": 500.0}, True),
    ({"machine": "tiller"}, False),
    ({"machine": "generator"}, False),
    ({"machine": "saw"}, False),
    ({}, False),
)


def coasting(rundown_s: float, **told):
    """A healthy run that takes so long from ignition off to standstill."""
    run = make_runs.healthy_generator()
    bare = {"machine": None, "blade_length_mm": None, "alternator_poles": None}
    timeline = replace(run.timeline, rundown_s=rundown_s, rundown_reason=None)
    return replace(run, engine=replace(run.engine, **bare | told), timeline=timeline)


@pytest.mark.parametrize(("told", "blade"), TOLD)
def test_all_who_ask_whether_it_carries_a_blade_get_the_same_answer(told, blade):
    """A blade must stand within 3.0 s (16 CFR 1205.5(a)(1)(iii)), so that a shorter run-down is better there: it was
    'neither way better' of a tiller that was told a blade's length, which the finding judged by that limit."""
    engine = Engine(**told)
    before, after = coasting(4.6, **told), coasting(2.1, **told)
    compared = compare.compare(before, replace(after, clip=replace(after.clip, sha256="ab" * 32)))
    rundown = next(one for one in compared.measures if one.code == "rundown")
    case = sim.make(411, sim.Scenario(seconds=12.0))
    told_engine = replace(case.engine, **{"machine": None} | told)
    findings = judge(
        told_engine, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings")
    ).findings
    plain = record(before)
    assert engine.has_blade is blade
    assert (rundown.verdict == "better") is blade and (rundown.verdict == "changed") is not blade
    assert ("blade" in signs.signs_of([Heard(plain)], load("findings"))) is blade
    assert ("Blade stop" in [line.title for line in usual_values(plain)]) is blade
    assert ("blade_speed" in [one.code for one in findings]) is blade
    assert any("blade" in name for name in plots.named_orders(engine).values()) is blade


def test_what_never_drives_a_blade_may_cut_once_it_was_told_one():
    assert not Engine(machine="tiller").may_cut and Engine(machine="tiller", blade_length_mm=500.0).may_cut
    assert Engine().may_cut and Engine(machine="saw").may_cut, "what it is was not told; a chain"


def test_saws_and_trimmers_alone_have_no_governor():
    assert [kind for kind in ("mower", "generator", "saw", "trimmer", None) if not Engine(machine=kind).governed] == [
        "saw", "trimmer",
    ]  # fmt: skip
    assert "governed" not in asdict(Engine())
