"""Bench checks by elimination: the rule table agrees with itself, and suggestions follow from it.

The order of the checks and what each rules out are common practice of the trade, without a source; so is the table.
"""

import itertools
import re
from dataclasses import replace

import make_runs
import pytest
from store_makers import run_of

from enginelog import advice as advice_room
from enginelog import report
from enginelog.limits import bench
from enginelog.limits.trade import cautions, knowledge
from enginelog.model import Engine, UsageError
from enginelog.model.wording import begun_small
from enginelog.store import moments, open_store

NAMES = ("compression", "spark", "fuel_tank", "fuel_carburettor", "air", "valves", "exhaust", "governor")
TITLES = {step.title for step in bench.steps()}
KNOWN = knowledge.load()


def test_the_table_has_the_trades_order_and_agrees_with_itself():
    assert tuple(step.name for step in bench.steps()) == NAMES
    causes = {cause.name for cause in bench.causes()}
    for step in bench.steps():
        assert step.minutes > 0 and step.how and step.caution
        assert set(step.pass_rules_out) <= causes and set(step.fail_points_to) <= causes and step.fail_points_to
        assert (step.status, step.source) == ("common practice", "common practice, no source")


@pytest.mark.parametrize(
    ("name", "word"),
    [
        *[
            ("compression", "plug lead off"),
            ("compression", "blade"),
            ("spark", "near fuel"),
            ("spark", "high voltage"),
        ],
        *[("fuel_tank", "no flame"), ("fuel_carburettor", "no flame"), ("exhaust", "hot"), ("exhaust", "kills")],
        ("governor", "speed in the manual"),
    ],
)
def test_where_a_check_can_hurt_it_says_so(name, word):
    assert word in bench.step_named(name).caution.lower()


def test_a_check_that_every_machine_gets_does_not_speak_of_a_blade_as_of_its_own():
    """A pressure washer was to be turned over with hands and feet "clear of the blade"."""
    assert "the blade" not in bench.step_named("compression").caution


SAID = {
    "manual": "",  # said of all of them (`bench.LEAD`)
    "exhaust": "outdoors|engine off",
    "moving": "blade|plug lead off",
    "fuel": "petrol|fuel",
    "hot": "hot|cool",
    "governor": "never",
    "spark": "high voltage|ignition off",
    "turning": "it may start|plug lead off",
}


def test_each_step_covers_the_cautions_of_the_trade_s_own_check():
    """Of a spark test nothing was said of the engine that may start, nor of the blade that turns with the cord."""
    for check in KNOWN.checks.values():
        for caution in check.cautions if check.bench else ():
            assert re.search(SAID[caution], bench.step_named(check.bench).caution.lower()), (check.bench, caution)


def test_nobody_is_told_to_start_or_to_watch_the_spark_with_the_lead_off():
    turning = cautions.caution_named("turning")
    assert "unless to start or see the spark" in turning.short and "Only to start it" in turning.text


def test_a_check_is_known_by_any_spelling_of_its_name():
    assert bench.step_named(" Fuel-Tank ").name == bench.step_named("FUEL tank").name == "fuel_tank"
    with pytest.raises(UsageError, match="fuel-tank"):
        bench.step_named("fuel")


def test_every_possible_record_of_checks_leads_to_a_suggestion_that_holds():
    """Every 17th of the 4^8 records: nothing both ruled out and left, no check asked for twice, cheapest first."""
    causes = {cause.name for cause in bench.causes()}
    every = itertools.product(("pass", "fail", "not_checked", None), repeat=len(NAMES))
    for results in itertools.islice(every, 0, None, 17):
        made = {name: result for name, result in zip(NAMES, results, strict=True) if result}
        advice = bench.suggest(made)
        out, pointed, left = ({c.name for c in part} for part in (advice.ruled_out, advice.pointed_to, advice.left))
        assert out | pointed | left == causes and not (out & left or out & pointed or pointed & left)
        assert all(made.get(step.name, "not_checked") == "not_checked" for step in advice.open_steps)
        assert advice.text.startswith("Suggestion only")
        fresh = [step for step in advice.open_steps if step.name not in made]
        if not pointed and advice.open_steps:
            assert advice.next.minutes == min(step.minutes for step in fresh or advice.open_steps)
        if fresh:
            assert advice.next.name not in made, "what was skipped is asked for again only after all others"


def test_the_elimination_goes_from_the_cheapest_check_to_the_end():
    made = {}
    order = []
    while (advice := bench.suggest(made)).next:
        order.append(advice.next.name)
        made[advice.next.name] = "pass"
    assert sorted(order) == sorted(NAMES) and order[0] == "fuel_tank" and order[-1] == "valves"
    assert [cause.name for cause in advice.left] == ["inside_carburettor", "timing"]
    assert "a look inside, or a workshop" in advice.text


def test_a_failed_check_points_on_and_a_later_pass_takes_that_back():
    failed = bench.suggest({"compression": "fail"})
    assert {cause.name for cause in failed.pointed_to} == {"lost_compression", "valves"}
    assert failed.next.name == "valves", "which of the two it is comes before cheaper checks of something else"
    mended = bench.suggest({"compression": "pass"})
    assert mended.pointed_to == () and "lost_compression" in {cause.name for cause in mended.ruled_out}


def test_what_was_heard_comes_first():
    hunting = bench.suggest({}, ("hunting",))
    assert "governor" in [cause.name for cause in hunting.left][:5]
    assert bench.suggest({"fuel_tank": "pass", "air": "pass"}, ("hunting",)).next.name in (
        "governor",
        "fuel_carburettor",
    )
    assert bench.suggest({"fuel_tank": "pass", "air": "pass"}).next.name == "compression"


def test_every_finding_that_can_be_amiss_means_something_in_the_table():
    """Codes from the findings stage; those that point to no bench check are named here."""
    from pathlib import Path

    import enginelog.findings as stage

    source = "".join(path.read_text("utf-8") for path in Path(stage.__file__).parent.glob("*.py"))
    codes = set(re.findall(r'(?:Finding|unknown)\(\s*"([a-z_]+)"', source))
    assert {"misfire", "hunting", "start"} <= codes
    shown = {sign for cause in bench.causes() for sign in cause.shows_as}
    assert {bench.SHOWN_BY.get(code, code) for code in codes} - shown <= {"stop", "throttle"}


def test_unknown_results_are_refused():
    with pytest.raises(UsageError, match="pass, fail, not_checked"):
        bench.suggest({"spark": "good"})


def test_a_jobs_suggestion_uses_the_newest_checks(store):
    job = store.take_in(store.remember("pump Heron"))
    store.tick(job.id, "spark", "fail")
    store.tick(job.id, "spark", "pass")
    store.attach(job.id, run_of(b"a", make_runs.hunting_pump), "before")
    store.attach(job.id, run_of(b"b", make_runs.healthy_generator), "after")
    advice = report.suggestion(store.record(job.id))
    assert [cause.name for cause in advice.ruled_out] == ["no_spark"] and not advice.failed
    store.drop("check", 2)
    assert report.suggestion(store.record(job.id)).failed[0].name == "spark"


def test_a_job_is_judged_by_how_it_runs_after_the_work(store):
    """What was heard before the work is past: a run that is well asks for no check, one that is not counts."""
    job = store.take_in(store.remember("pump Heron"))
    store.attach(job.id, run_of(b"a", make_runs.pulls_only), "before")
    before = report.suggestion(store.record(job.id))
    store.attach(job.id, run_of(b"b", make_runs.hunting_pump), "after")
    hunts = report.suggestion(store.record(job.id))
    assert hunts.next and hunts.text != before.text
    assert report.known_of(store.record(job.id)).heard[0].record["hunting"]["found"]
    store.add_work(job.id, "part", "carburettor gasket")
    store.attach(job.id, run_of(b"c", make_runs.healthy_generator), "after")
    well = report.suggestion(store.record(job.id))
    assert well.next is None and well.text.startswith("Nothing amiss is heard after the work (run 3).")
    store.attach(job.id, run_of(b"d", make_runs.talk_only), "after")
    assert report.suggestion(store.record(job.id)).text == well.text, "talk shows nothing of the machine"
    store.tick(job.id, "spark", "fail")
    assert "Failed: spark" in report.suggestion(store.record(job.id)).text, "what failed is put right first"


def test_a_comparison_is_advised_only_where_something_was_heard_before_the_work(store):
    job = store.take_in(store.remember("generator Lantern"))
    store.attach(job.id, run_of(b"a", make_runs.talk_only), "before")
    store.attach(job.id, run_of(b"b", make_runs.healthy_generator), "after")
    alone = report.suggestion(store.record(job.id)).text
    assert "it can go back: hand it back." in alone and "compare" not in alone
    job = store.take_in(store.remember("generator Lamp"))
    store.attach(job.id, run_of(b"c", make_runs.pulls_only), "before")
    store.attach(job.id, run_of(b"d", make_runs.healthy_generator), "after")
    assert "compare before with after" in report.suggestion(store.record(job.id)).text


def test_a_job_names_no_check_where_the_advice_on_a_clean_recording_names_none(store):
    """The job page named the cheapest check, the page on what to check next none."""
    job = store.take_in(store.remember("generator Lantern"))
    assert report.suggestion(store.record(job.id)).next, "nothing was heard: the cheapest"
    store.attach(job.id, run_of(b"a", make_runs.healthy_generator), "before")
    known, found = report.known_of(store.record(job.id)), report.suggestion(store.record(job.id))
    assert not advice_room.advise(known).checks and found.next is None and found.before is None
    assert "Nothing heard in run 1 asks for a check: record it once more" in found.text
    store.tick(job.id, "spark", "fail")
    assert "Failed: spark" in report.suggestion(store.record(job.id)).text
    job = store.take_in(store.remember("pump Heron"))
    store.attach(job.id, run_of(b"b", make_runs.hunting_pump), "before")
    assert report.suggestion(store.record(job.id)).next


def test_a_recording_older_than_the_last_work_entry_does_not_send_it_back(store):
    """'It can go back' was said from a recording made before the spring was fitted."""
    job = store.take_in(store.remember("generator Lantern"), at=moments.given("2026-04-20T09:00:00Z"))

    def told() -> tuple[str, list[str]]:
        record = store.record(job.id)
        asked = [line for line in report.hand_back_questions(record) if "before the last work entry" in line]
        return report.suggestion(record).text, asked

    store.attach(job.id, run_of(b"a", make_runs.healthy_generator), "after", at=moments.given("2026-04-20T11:00:00Z"))
    text, asked = told()
    assert "it can go back" in text and not asked
    store.add_work(job.id, "part", "governor spring", at=moments.given("2026-04-22T10:00:00Z"))
    text, asked = told()
    early = "un 1 was recorded 2026-04-20, before the last work entry (governor spring, 2026-04-22): record it again"
    assert early in text and "can go back" not in text
    assert len(asked) == 1 and asked[0].startswith(f"R{early} after the work? Where a clock was wrong")
    store.attach(job.id, run_of(b"b", make_runs.healthy_generator), "after", at=moments.given("2026-04-22T10:00:00Z"))
    text, asked = told()
    assert "it can go back" in text and not asked


def made_at(content: bytes, builder, stamp: str):
    """A recording whose file says that it was made then."""
    run = run_of(content, builder)
    return replace(run, clip=replace(run.clip, recorded_at=stamp))


def test_a_file_that_says_it_is_older_than_the_work_is_asked_about_and_a_time_told_answers_it(tmp_path):
    """'It can go back', of a recording picked by mistake, whose file was months older than the work."""
    run = made_at(b"a", make_runs.healthy_generator, "2025-07-01T10:00:00Z")
    with open_store(tmp_path / "shed.enginelog", clock=lambda: moments.given("2026-04-20T09:00:00Z")) as store:
        job = store.take_in(store.remember("generator Lantern"))
        store.add_work(job.id, "part", "governor spring")
        kept = store.attach(job.id, run, "after")
        record = store.record(job.id)
        early = "un 1 was recorded 2025-07-01 by its file's own date, before the last work entry (governor spring,"
        assert early in report.suggestion(record).text and "can go back" not in report.suggestion(record).text
        assert any(early in line for line in report.hand_back_questions(record))
        store.drop("run", kept.id)
        store.attach(job.id, run, "after", at=moments.given("2026-04-20T09:20:00Z"))
        record = store.record(job.id)
        assert "it can go back" in report.suggestion(record).text
        assert not any("before the last work" in line for line in report.hand_back_questions(record))


def test_times_of_day_are_named_where_both_are_of_one_day(store):
    """'Run 2 was recorded 2026-11-29, before the last work entry (clip, 2026-11-29)' told nobody which was first."""
    job = store.take_in(store.remember("generator Lantern"), at=moments.given("2026-04-20T09:00:00Z"))
    store.attach(job.id, run_of(b"a", make_runs.healthy_generator), "after", at=moments.given("2026-04-20T11:00:00Z"))
    store.add_work(job.id, "part", "clip", at=moments.given("2026-04-20T11:20:00Z"))
    text = report.suggestion(store.record(job.id)).text
    assert "run 1 was recorded 2026-04-20 11:00, before the last work entry (clip, 2026-04-20 11:20)" in text


def test_a_recording_from_during_the_work_shows_how_it_is_now(store):
    """'No start' was still advised on when a newer recording, made after the cleaning, had shown that it ran."""
    job = store.take_in(store.remember("pump Heron"), at=moments.given("2026-05-02T09:00:00Z"))
    at = [moments.given(f"2026-05-02T{each}:00Z") for each in ("09:10", "09:45", "09:20", "10:00", "10:10")]

    def heard() -> list[str]:
        return [one.record["clip"]["sha256"][:8] for one in report.known_of(store.record(job.id)).heard]

    runs = [run_of(b"a", make_runs.pulls_only), run_of(b"b", make_runs.hunting_pump), run_of(b"c", make_runs.talk_only)]
    first, then, _ = (run.clip.sha256[:8] for run in runs)
    store.attach(job.id, runs[0], "before", at=at[0])
    store.attach(job.id, runs[1], "during", at=at[1])
    assert heard() == [first, then], "nothing was done between the two, as far as anybody wrote down"
    store.add_work(job.id, "labour", "carburettor cleaned", at=at[2])
    assert heard() == [then]
    signs = advice_room.advise(report.known_of(store.record(job.id))).signs
    assert not any("did not" in sign for sign in signs), signs
    store.attach(job.id, runs[2], "during", at=at[3])
    assert heard() == [then], "talk shows nothing of the machine"
    store.add_work(job.id, "part", "diaphragm", at=at[4])
    signs = advice_room.advise(report.known_of(store.record(job.id))).signs
    assert "it did not start once, and ran another time" in signs, "no newer one says that it starts not at all"


def test_a_recording_from_during_the_work_sends_nothing_back(store):
    job = store.take_in(store.remember("generator Lantern"))
    store.add_work(job.id, "part", "spark plug")
    store.attach(job.id, run_of(b"a", make_runs.healthy_generator), "during")
    text = report.suggestion(store.record(job.id)).text
    assert "Nothing heard in run 1 asks for a check" in text and "go back" not in text


def test_without_the_whole_runs_the_figures_say_what_is_amiss(store):
    job = store.take_in(store.remember("pump Heron"))
    store.attach(job.id, run_of(b"a", make_runs.hunting_pump), "before")
    short = report.suggestion(store.record(job.id, whole=False))
    assert short.text == bench.suggest({}, ("hunting",)).text


# ---------------------------------------------------------------- one list, one order: the rules of the advice


def test_each_bench_check_is_one_check_of_the_trade_and_says_the_same():
    of_bench = {check.bench: check for check in KNOWN.checks.values() if check.bench}
    assert sorted(of_bench) == sorted(NAMES)
    assert len(of_bench) == sum(bool(check.bench) for check in KNOWN.checks.values())
    for step in bench.steps():
        check = of_bench[step.name]
        settled = {KNOWN.causes[name].bench for name in check.pass_rules_out} - {""}
        assert settled <= set(step.pass_rules_out) | {"inside_carburettor"}, step.name
        pointed = {KNOWN.causes[name].bench for name in check.fail_points_to} - {""}
        assert pointed & set(step.fail_points_to), step.name
        assert check.title.startswith(step.title) and check.minutes == step.minutes, step.name
    assert {cause.bench for cause in KNOWN.causes.values()} - {""} == {cause.name for cause in bench.causes()}


HEARD = ("hunting_pump", "weak_twin", "every_second", "pulls_only", "healthy_generator")


@pytest.mark.parametrize("name", HEARD)
def test_job_and_advice_never_ask_for_different_checks_first(name):
    run = make_runs.ALL[name]()
    heard = (advice_room.Heard(report.record(run)),)
    every = itertools.product(("pass", "fail", None), repeat=len(NAMES))
    for results in itertools.islice(every, 0, None, 97):
        made = {step: result for step, result in zip(NAMES, results, strict=True) if result}
        asked = [one.check for one in advice_room.advise(advice_room.Situation(heard, made)).checks]
        found = advice_room.at_bench(made, heard, run.engine)
        assert in_order(found) == [check.bench or check.name for check in asked], made
        assert (found.next and found.next.name) == (in_order(found)[0] if asked else None)
        assert (found.before is not None) == bool(asked and not asked[0].bench)
        named = [f"{begun_small(step.title)}, about {step.minutes} min" for step in (found.next, found.then) if step]
        assert all(words in found.text.partition("heck: ")[2] for words in named[:1]), found.text


def in_order(found: bench.Suggestion) -> list[str]:
    """The names of the checks a suggestion asks for."""
    return [step.name for step in ((found.before,) if found.before else ()) + found.open_steps]


def test_no_two_checks_have_one_name():
    """Nobody could tell them apart where the job names one of them."""
    others = [check.title for check in KNOWN.checks.values() if not check.bench]
    assert not TITLES & set(others) and len(others) == len(set(others))


def test_what_is_looked_at_first_can_be_ticked_and_is_not_asked_for_again():
    heard = (advice_room.Heard(report.record(make_runs.pulls_only())),)
    first = advice_room.at_bench({}, heard).before
    assert first.how and first.caution.endswith(".")
    passed = advice_room.at_bench({first.name: "pass"}, heard)
    assert passed.before is None or passed.before.name != first.name
    skipped = advice_room.at_bench({first.name: "not_checked"}, heard)
    assert skipped.before is None or skipped.before.name != first.name
    failed = advice_room.at_bench({first.name: "fail", "spark": "fail"}, heard)
    assert [step.name for step in failed.failed] == ["spark", first.name]
    assert f"Failed: {first.title.lower()}. Points to " in failed.text and "Failed: spark. " in failed.text


def test_a_trial_that_failed_points_on_and_is_not_to_be_put_right():
    """'Failed: choke test. … Put right and check again.': it finds no fault, it tells where to look."""
    for check in (each for each in KNOWN.checks.values() if each.trial):
        found = advice_room.at_bench({check.name: "fail"})
        assert f"{check.title}: points to " in found.text and "Put right" not in found.text and not found.failed


def test_other_checks_are_known_by_name_or_title():
    assert knowledge.check_named("Plug lead and cap") == knowledge.check_named("plug-lead-and-cap") == "plug_lead"
    assert knowledge.check_named("Fuel-Tank") == "fuel_tank"
    # As advise calls it, whose result the table of the bench checks then knew nothing of.
    assert knowledge.check_named("Governor linkage, moved by hand") == knowledge.check_named("linkage") == "governor"
    with pytest.raises(UsageError, match=r"'fuel' is not known; one of these expected: compression, .* another"):
        knowledge.check_named("fuel")


def test_a_skipped_check_is_not_asked_for_at_once_again():
    heard = (advice_room.Heard(report.record(make_runs.pulls_only())),)
    for made in ({}, {"spark": "fail"}, {"compression": "pass", "spark": "pass"}):
        first = advice_room.at_bench(made, heard).next.name
        skipped = made | {first: "not_checked"}
        found = advice_room.at_bench(skipped, heard)
        assert found.next.name != first and in_order(found)[-1] == first
        asked = [one.check for one in advice_room.advise(advice_room.Situation(heard, skipped)).checks]
        assert (asked[-1].bench or asked[-1].name) == first, "the page on what to check next says the same"
    every = {name: "pass" for name in NAMES} | {"valves": "not_checked"}
    assert bench.suggest(every).text.endswith("valves, about 25 min, skipped so far.")


def test_what_a_machine_does_not_have_is_not_left():
    saw = Engine(strokes=2, machine="saw")
    left = {cause.name for cause in advice_room.at_bench({}, (), saw).left}
    assert not left & {"valves", "governor"} and {"no_spark", "blocked_exhaust"} <= left
    steps = {step.name for step in advice_room.at_bench({}, (), saw).open_steps}
    assert not steps & {"valves", "governor"}
    unsure = advice_room.at_bench({}, (), Engine(assumed=("strokes",)))
    assert {cause.name for cause in unsure.left} == {cause.name for cause in bench.causes()}


def test_what_failed_points_to_nothing_that_the_machine_does_not_have():
    saw = Engine(strokes=2, machine="saw")
    low = advice_room.at_bench({"compression": "fail"}, (), saw)
    assert "valves" not in {step.name for step in low.open_steps} | {cause.name for cause in low.pointed_to}
    assert advice_room.at_bench({"valves": "fail"}, (), saw).text.count("Failed: valves. Put right") == 1


ENGINES = (
    None,
    Engine(strokes=4, machine="mower"),
    Engine(strokes=2, machine="saw"),
    Engine(strokes=4, machine="generator"),
    Engine(assumed=("strokes",)),
)


@pytest.mark.parametrize("engine", ENGINES, ids=lambda engine: str(engine and engine.machine))
def test_job_and_advice_ask_for_the_same_where_nothing_was_heard(engine):
    every = itertools.product(("pass", "fail", "not_checked", None), repeat=len(NAMES))
    for results in itertools.islice(every, 0, None, 977):
        made = {step: result for step, result in zip(NAMES, results, strict=True) if result}
        asked = [one.check for one in advice_room.advise(advice_room.Situation((), made, engine=engine)).checks]
        found = advice_room.at_bench(made, (), engine)
        assert in_order(found) == [check.bench or check.name for check in asked], made


def test_the_advice_knows_the_machine_where_nothing_was_heard(store):
    mower = store.take_in(store.remember("mower Daisy", kind="mower", strokes=4))
    store.tick(mower.id, "fuel-tank", "fail")
    told = advice_room.advise(report.known_of(store.record(mower.id)))
    assert [cause.name for cause in told.found] == ["old_fuel"] and "the engine is a four-stroke" in told.signs
    unknown = advice_room.advise(advice_room.Situation((), {"fuel_tank": "fail"}))
    assert "wrong_mix" in [cause.name for cause in unknown.found]
    store.attach(mower.id, run_of(b"a", make_runs.hunting_pump), "before")
    heard = report.known_of(store.record(mower.id))
    assert advice_room.advise(heard) == advice_room.advise(advice_room.Situation(heard.heard, heard.checks))
