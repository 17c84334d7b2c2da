"""The order of the checks: what can hurt, the branch of a failed check, and quick looks before long work.

There is no outside source for such an order; it is common practice of the trade (common practice, no source), and where
a line below rests on a reason of its own, that stands beside it.
"""

import itertools

import pytest
from made_signs import MAKERS, heard_with

from enginelog import advice, limits
from enginelog.advice import Situation, advise
from enginelog.limits.trade import knowledge
from enginelog.model import Engine

KNOWN = knowledge.load()
LONG_MIN = limits.load("findings").value("long_check_min")
SAW = {"machine": "saw", "strokes": 2, "rated_rpm": 10500.0, "idle_rpm": 2700.0}


def checks(found) -> list[str]:
    return [each.check.name for each in found.checks]


def in_order(found) -> list[str]:
    return [step.name for step in ((found.before,) if found.before else ()) + found.open_steps]


def test_a_racing_saw_is_looked_at_for_leaks_and_set_before_its_carburettor_is_taken_apart():
    """It was sent to 40 minutes of cleaning first. A leak before the screws: a richer setting hides it, and the engine
    goes on drawing air (common practice, no source)."""
    asked = checks(advise(Situation(heard_with(["too_fast"], **SAW))))
    assert asked[:2] == ["intake", "mixture"] and set(asked[2:]) == {"carburettor", "pressure_test"}
    mixture = KNOWN.checks["mixture"]
    assert "tachometer" in mixture.how and "never above the manual's" in mixture.how
    assert mixture.source == "common practice, no source" and mixture.runs and mixture.hurts
    tight = advise(Situation(heard_with(["too_fast"], **SAW), {"intake": "pass"}))
    assert checks(tight)[0] == "mixture"
    assert "mixture" not in checks(advise(Situation(heard_with(["hunting_at_idle"], machine="mower"))))


def test_after_a_failed_compression_check_the_next_one_is_about_compression():
    """Right after '5 bar, failed' the saw was sent to its carburettor. A saw with a scored piston is not run to set its
    mixture (common practice, no source)."""
    for signs in (["too_fast"], ["misfires"], ["no_start"]):
        heard = heard_with(signs, **SAW)
        assert checks(advise(Situation(heard, {"compression": "fail"})))[:2] == ["top_end", "piston"]
        seen = advise(Situation(heard, {"compression": "fail", "piston": "fail"}))
        assert [cause.name for cause in seen.found] == ["lost_compression"]
        mower = heard_with(signs[:1] if signs != ["too_fast"] else ["sags"], machine="mower")
        assert checks(advise(Situation(mower, {"compression": "fail"})))[:2] == ["oil_in_cylinder", "valves"]
    assert not {"piston", "oil_in_cylinder"} & set(checks(advise(Situation(heard, {"compression": "pass"}))))


@pytest.mark.parametrize(("result", "next_check"), [("fail", None), ("pass", "valves")])
def test_oil_in_the_cylinder_tells_rings_from_valves(result, next_check):
    """Oil seals worn rings for a moment, and no valve; worn rings end the list (common practice, no source)."""
    made = {"compression": "fail", "oil_in_cylinder": result}
    found = advise(Situation((), made, engine=Engine(strokes=4, machine="mower")))
    assert next(iter(checks(found)), None) == next_check
    assert [cause.name for cause in found.found] == (["lost_compression"] if result == "fail" else [])


@pytest.mark.parametrize("signs", [["no_start"], []], ids=["no start", "nothing heard"])
def test_without_a_spark_the_switch_is_looked_at_first_and_fuel_comes_after_the_ignition(signs):
    """The job sent one to 'fuel at the carburettor'; the switch, one minute, stood fifth after the wire, eight."""
    heard = heard_with(signs, machine="mower") if signs else ()
    made = {"compression": "pass", "spark": "fail", "fuel_tank": "fail", "air": "not_checked"}
    engine = Engine(strokes=4, machine="mower")
    asked = checks(advise(Situation(heard, made, engine=engine)))
    assert asked[:5] == ["controls", "oil", "plug", "plug_lead", "stop_wire"]
    job = advice.at_bench(made, heard, engine)
    assert (job.next.name, job.then.name) == ("controls", "oil")
    assert "Next check: controls, about 1 min; then oil level, about 1 min." in job.text
    on = dict.fromkeys(("controls", "oil", "plug", "plug_lead", "stop_wire"), "pass")
    assert checks(advise(Situation(heard, made | on, engine=engine)))[0] == "coil_gap"
    on["coil_gap"] = "pass"
    assert [each.name for each in advise(Situation(heard, made | on, engine=engine)).found] == ["old_fuel", "coil"]


def test_what_can_hurt_goes_before_the_branch_of_a_failed_check_where_the_engine_need_not_run():
    blow = advise(Situation(heard_with(["no_start"], machine="mower"), {"spark": "fail"}, {"blow": "yes"}))
    assert checks(blow)[:2] == ["blade", "controls"]
    fast = advise(Situation(heard_with(["too_fast"], machine="mower"), {"spark": "fail"}))
    assert checks(fast)[0] == "linkage"


ENGINES = ({"machine": "mower"}, {"machine": "generator"}, SAW)


@pytest.mark.parametrize("sign", sorted(MAKERS))
def test_quick_looks_at_a_possible_cause_come_before_long_work_on_a_likely_one(sign):
    for engine in ENGINES:
        found = advise(Situation(heard_with([sign], **engine)))
        if any(each.rule.danger for each in found.matched):
            continue
        ranks = {likely.cause.name: likely.rank for likely in found.causes}
        quick = [
            place
            for place, each in enumerate(found.checks)
            if each.check.minutes < LONG_MIN
            and any(ranks.get(name) in ("likely", "possible") for name in each.check.decides)
        ]
        long = [place for place, each in enumerate(found.checks) if each.check.minutes >= LONG_MIN]
        assert not quick or not long or max(quick) < min(long), (engine, checks(found))


@pytest.mark.parametrize("engine", ENGINES, ids=lambda engine: engine["machine"])
def test_job_and_advice_name_the_same_checks_in_the_same_order_whatever_was_found(engine):
    """Each check failed or passed by itself and in pairs with each bench check, for each of some findings."""
    told = Engine(strokes=engine.get("strokes", 4), machine=engine["machine"])
    bench_checks = [name for name, check in KNOWN.checks.items() if check.bench]
    for sign in ("", "no_start", "misfires", "hunting", "too_fast", "clean"):
        heard = heard_with([sign], **engine) if sign else ()
        pairs = list(itertools.product(KNOWN.checks, bench_checks, ("pass", "fail"), ("pass", "fail")))
        for one, other, first, second in pairs[::13]:
            made = {other: second, one: first}
            found = advise(Situation(heard, made, engine=told))
            asked = [each.check.bench or each.check.name for each in found.checks]
            kept = {KNOWN.checks[name].bench or name: result for name, result in made.items()}
            job = advice.at_bench(kept, heard, told)
            assert in_order(job) == asked and not set(kept) & set(asked), (sign, made)
            _branch_first(found, made)


def _branch_first(found, made) -> None:
    """The first check bears on what a failed one has opened, or on what can hurt."""
    branch = {each.cause.name for each in found.causes if each.rank == "pointed_to"} - {c.name for c in found.found}
    hurts = {name for each in found.matched if each.rule.danger for name in each.rule.likely}
    if any(each.check.bears_on & branch for each in found.checks):
        assert found.checks[0].check.bears_on & (branch | hurts), (made, checks(found))


def test_where_all_the_rules_ask_for_is_made_the_bench_checks_go_on_but_not_where_it_can_hurt():
    for sign, goes_on in (("frequency_low", True), ("too_fast", False)):
        heard, made = heard_with([sign], machine="mower"), {}
        first = advise(Situation(heard))
        made = {each.check.name: "pass" for each in first.checks}
        asked = checks(advise(Situation(heard, made)))
        assert (asked[:1] == ["fuel_tank"]) == goes_on and bool(asked) == goes_on, sign
        job = advice.at_bench({KNOWN.checks[name].bench or name: result for name, result in made.items()}, heard)
        assert bool(job.next) == goes_on and ("it takes a workshop" in job.text) != goes_on


def test_of_a_clean_recording_a_failed_check_is_put_right_and_nothing_else_is_asked_for():
    job = advice.at_bench({"fuel_tank": "fail"}, heard_with(["clean"], machine="mower"))
    assert job.next is None and "Put right and check again" in job.text and "Each check of the list" not in job.text
