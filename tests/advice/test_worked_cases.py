"""The worked cases of limits/trade/cases.toml, played through: each step is what the rules say.

There is no outside source for the order of checks (common practice, no source): what is tested is that the written
cases and the rules agree.
"""

import re
from pathlib import Path

import pytest
from made_signs import heard_with

from enginelog import report
from enginelog.advice import Situation, advise
from enginelog.limits.trade import knowledge
from enginelog.limits.trade.cases import cases


def played(case):
    """The situation after each step of a case."""
    heard = heard_with(case.heard, **engine_of(case))
    checks, answers = {}, {}
    for step in case.steps:
        for told in step.told:
            name, result = told.split("=")
            if name.startswith("check."):
                checks[name.removeprefix("check.")] = result
            else:
                answers[name] = result
        yield step, Situation(heard, dict(checks), dict(answers))


def engine_of(case):
    told = {"machine": case.machine, "strokes": case.strokes, "cylinders": case.cylinders}
    if case.machine in ("saw", "trimmer"):
        told |= {"rated_rpm": 13000.0 if case.machine == "saw" else 9000.0, "idle_rpm": None}
    return told


def test_there_are_ten_or_more_and_they_cover_the_issue():
    assert len(cases()) >= 10
    heard = {sign for case in cases().values() for sign in case.heard}
    asked = {"hunting_at_idle", "misses_loaded", "every_second", "one_cylinder_misses", "settles", "no_start"}
    assert heard >= asked | {"clean", "slow_top", "too_fast", "slow_stop", "afterfire", "idle_near_clutch", "sags"}
    assert len({case.machine for case in cases().values()}) >= 8


@pytest.mark.parametrize("case", cases().values(), ids=cases())
def test_every_step_is_what_the_rules_say(case):
    for step, situation in played(case):
        advice = advise(situation)
        assert advice.causes[0].cause.name == step.first, step.said
        assert (advice.checks[0].check.name if advice.checks else "") == step.next, step.said


@pytest.mark.parametrize("case", cases().values(), ids=cases())
def test_what_is_found_at_the_end_is_shown(case):
    """The last step's likeliest cause has been shown by a check, or is the only one its next check is about."""
    step, situation = list(played(case))[-1]
    advice = advise(situation)
    found = [cause.name for cause in advice.found]
    check = knowledge.load().checks.get(step.next)
    assert step.first in found or (check and step.first in check.bears_on)


def test_a_changed_case_would_be_seen():
    """The comparison fails where a case claims another next check."""
    case = cases()["pump-heron"]
    step, situation = next(played(case))
    assert advise(situation).checks[0].check.name == step.next != "carburettor"


def test_the_readme_shows_a_case_and_a_file_of_rules_as_they_are():
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    assert report.explain("mower-teasel").strip() in readme
    (own,) = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    assert "nest" in knowledge.load([("README.md", own)]).rules
