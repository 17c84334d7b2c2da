"""What the trade checks first on a sign, and with what care: the built-in rules, played with the signs they ask for.

No outside source orders such checks (common practice, no source); where one stands behind a line, it is named there.
"""

from made_signs import heard_with

from enginelog.advice import Situation, advise, at_bench
from enginelog.limits.trade import cautions, knowledge, protocols
from enginelog.model import Engine
from enginelog.report.advising import check_cautions

KNOWN = knowledge.load()
SAW = {"machine": "saw", "strokes": 2, "rated_rpm": 13000.0, "idle_rpm": None}


def asked(signs, checks=None, answers=None, **engine) -> list[str]:
    found = advise(Situation(heard_with(signs, **engine), checks or {}, answers or {}))
    return [each.check.name for each in found.checks]


def likeliest(signs, checks=None, answers=None, **engine) -> list[str]:
    found = advise(Situation(heard_with(signs, **engine), checks or {}, answers or {}))
    return [each.cause.name for each in found.causes]


# ---------------------------------------------------------------- a saw's brake and its idle


def test_no_throttle_is_opened_against_a_chain_brake():
    """ "Open the throttle fully" stood beside "chain brake on": it burns clutch and brake band, and lights oily chips
    (common practice, no source)."""
    chain = cautions.caution_named("chain")
    assert "brake off before the throttle is opened" in chain.short.lower()
    assert "Brake off before the throttle is opened" in chain.text and "with the chain brake on" in chain.text
    (full,) = [test for test in protocols.tests("saw") if test.name == "full-speed"]
    assert "chain brake off" in full.how and "chain" in full.cautions


def test_a_trimmer_is_told_nothing_of_a_saws_chain():
    for machine, said in (("trimmer", False), ("saw", True)):
        found = advise(Situation(heard_with(["too_fast"], **{**SAW, "machine": machine, "rated_rpm": 9000.0})))
        (mixture,) = [each for each in found.checks if each.check.name == "mixture"]
        assert ("saw:" in check_cautions(mixture)) == said
        job = at_bench({"intake": "pass"}, heard_with(["too_fast"], **{**SAW, "machine": machine}))
        assert job.before.name == "mixture" and ("Saw:" in job.before.caution or "saw:" in job.before.caution) == said


def test_a_creeping_chain_does_not_pass_with_the_brake_on():
    """The idle was set with the brake on, and then it was asked whether the chain moves: it cannot (common practice, no
    source; that it must stand still at idle: forestry training text)."""
    idle, still = KNOWN.checks["idle_speed"], KNOWN.checks["still_at_idle"]
    assert "With the brake on no chain moves" in idle.how and "still moves" not in idle.if_fail
    assert "brake off" in still.how and "hands and feet away" in still.how and still.hurts
    assert "still_at_idle" not in asked(["idle_near_clutch"], **SAW)
    assert "still_at_idle" in asked(["idle_near_clutch"], {"idle_speed": "pass"}, **SAW)
    creeps = advise(Situation(heard_with(["idle_near_clutch"], **SAW), {"idle_speed": "pass", "still_at_idle": "fail"}))
    assert creeps.checks[0].check.name in ("controls", "clutch") and any("stand still" in each for each in creeps.first)


def test_an_idle_near_the_clutch_is_laid_to_what_holds_the_throttle_open_before_the_clutch_is_opened():
    """Idle screw 5 min, then 'clutch cover off'. Weak springs make a chain turn at the right idle speed, they make no
    engine idle fast; latch, cable, leak and screw do, and a leak is looked for before a screw hides it (common
    practice, no source)."""
    assert asked(["idle_near_clutch"], **SAW)[:3] == ["controls", "intake", "idle_speed"]
    assert likeliest(["idle_near_clutch"], **SAW)[:3] == ["controls", "air_leak", "idle_setting"]
    for word in ("start latch", "cable"):
        assert word in KNOWN.checks["controls"].how and word in KNOWN.causes["controls"].title
    right = {"controls": "pass", "intake": "pass", "idle_speed": "pass"}
    assert likeliest(["idle_near_clutch"], right, {"moves_at_idle": "yes"}, **SAW)[0] == "clutch_worn"
    assert asked(["idle_high"], machine="trimmer", strokes=2).index("intake") < asked(
        ["idle_high"], machine="trimmer", strokes=2
    ).index("idle_speed")


# ---------------------------------------------------------------- starting and stopping


def test_what_stopped_is_looked_at_for_an_empty_tank():
    """A minute's look was never asked for: a stop while recorded was laid to oil, vent and wires alone."""
    assert "old_fuel" in likeliest(["stalled"], machine="mower")
    assert asked(["stalled"], machine="mower")[:3] == ["controls", "fuel_tank", "oil"]


def test_a_gauge_is_read_at_brisk_pulls_with_throttle_and_choke_open():
    """Turned slowly by hand a gauge reads low, and valves are condemned (common practice, no source)."""
    how = KNOWN.checks["compression"].how
    assert "pull the starter briskly" in how and "throttle and choke fully open" in how
    assert "slowly by hand: is resistance felt" in how, "by feel it is turned slowly"
    assert "brisk pulls" in KNOWN.checks["oil_in_cylinder"].how


def test_a_flooded_engine_is_dried_before_its_carburettor_is_opened():
    """The plug check asked "wet?", and too much fuel was reached by 40 minutes of carburettor alone."""
    order = asked(["no_start"], machine="mower")
    assert order.index("flooded") < order.index("carburettor")
    wet = advise(Situation(heard_with(["no_start"], machine="mower"), {"flooded": "fail"}))
    assert [cause.name for cause in wet.found] == ["flooded"]
    assert "as the manual says for a flooded engine" in KNOWN.checks["flooded"].if_fail
    dry = advise(Situation(heard_with(["no_start"], machine="mower"), {"flooded": "pass"}))
    assert {"flooded", "flooding"} <= {out.cause.name for out in dry.ruled_out}
    assert "flooded" not in asked(["hunting_at_speed"], machine="mower")


def test_a_vent_is_judged_by_the_vacuum_and_only_where_it_fades():
    """ "Cooled" let a hot coil recover as well, so that running on proved nothing; and yes meant fail here, pass
    elsewhere (common practice, no source)."""
    vent = KNOWN.checks["cap_vent"]
    assert "Is it quiet, no air drawn in" in vent.how and "a hot coil recovers, too" in vent.how
    assert asked(["clean"], answers={"hot_stall": "yes"}, machine="pump")[:2] == ["oil", "cap_vent"]
    assert "cap_vent" not in asked(["hunting_at_speed"], {"choke_test": "fail"}, machine="mower")


def test_white_smoke_and_a_two_strokes_blue_smoke_are_read():
    """It was asked for, and no rule went on from it."""
    assert likeliest(["misfires"], answers={"smoke": "white"}, machine="mower")
    assert "wrong_mix" in likeliest(["stays_rough"], answers={"smoke": "blue"}, **SAW)
    assert "breather" in likeliest(["clean"], answers={"smoke": "blue"}, machine="mower")


# ---------------------------------------------------------------- two-strokes


def test_a_slow_two_stroke_is_freed_cleaned_and_then_set():
    """A brake that drags came late, the mixture not at all. A screw is turned after the quick looks (common practice,
    no source)."""
    order = asked(["slow_top"], **SAW)
    assert order.index("cutting_gear") < order.index("mixture") < order.index("carburettor")
    assert order.index("air") < order.index("mixture") and order.index("exhaust") < order.index("mixture")


def test_a_two_stroke_that_bogs_is_not_set_before_fuel_filter_and_leaks_are_looked_at():
    """The mixture check itself says so: "After a look for leaks … air filter clean"."""
    order = asked(["hesitates"], **SAW)
    for quick in ("fuel_tank", "air", "fuel_carburettor", "intake"):
        assert order.index(quick) < order.index("mixture")


def test_a_two_stroke_that_hunts_at_idle_may_draw_air_at_its_seals():
    assert "crank_seals" in likeliest(["hunting_at_idle"], **SAW)
    assert "air_leak" in likeliest(["unsteady"], machine="tiller")


# ---------------------------------------------------------------- order


def test_a_look_of_a_minute_comes_before_belt_and_blade():
    """A hunting mower was tipped for its blade before anybody looked into its tank (common practice, no source)."""
    order = asked(["hunting_at_speed"], machine="mower")
    assert order[:2] == ["controls", "fuel_tank"]
    assert order.index("choke_test") < order.index("drive") and "blade" not in order[:6]


# ---------------------------------------------------------------- what ends the list, and what nobody looked at


def test_a_proven_fault_inside_ends_the_list():
    """A scored piston, "do not run it", and next "fuel in the tank"; worn rings, and next the choke."""
    ends = (
        (SAW, {"compression": "fail", "piston": "fail"}),
        (SAW, {"compression": "fail", "piston": "pass", "top_end": "pass"}),
        ({"machine": "mower"}, {"compression": "fail", "oil_in_cylinder": "fail"}),
    )
    for engine, made in ends:
        heard = heard_with(["no_start"], **engine)
        found = advise(Situation(heard, made))
        assert not found.checks and "give the machine up" in found.ended, made
        job = at_bench(made, heard)
        assert job.next is None and "give the machine up" in job.text, made
    seat = advise(Situation(heard_with(["no_start"], **SAW), {"compression": "fail", "piston": "pass"}))
    assert seat.checks[0].check.name == "top_end" and not seat.ended


def test_what_nobody_looked_at_is_not_said_to_be_shown():
    """ "Shown: coil failing", of a coil that nobody had looked at; and no check looked at it (common practice, no
    source)."""
    good = dict.fromkeys(("controls", "oil", "plug", "plug_lead", "stop_wire"), "pass")
    heard = heard_with(["no_start"], machine="mower")
    first = advise(Situation(heard, {"spark": "fail"} | good))
    assert first.checks[0].check.name == "coil_gap" and not first.found
    left = advise(Situation(heard, {"spark": "fail", "coil_gap": "pass"} | good))
    assert [cause.name for cause in left.by_elimination] == ["coil"] and not left.shown
    seen = advise(Situation(heard, {"spark": "fail", "coil_gap": "fail"} | good))
    assert [cause.name for cause in seen.shown] == ["coil"] and not seen.by_elimination


# ---------------------------------------------------------------- the job says what the advice says


def places(found) -> str:
    return ", ".join(cause.place for cause in found)


def test_a_job_rules_out_what_the_advice_rules_out_and_no_more():
    """A failed plug and a passed spark: "Ruled out: spark", whose title is "plug, lead, coil …"; a clean filter took
    the gasket behind it off the list, a free linkage the governor's spring."""
    mower = Engine(strokes=4, machine="mower")
    for result, out, left in (
        ({"plug": "fail", "spark": "pass"}, "ignition coil", "spark plug"),
        ({"air": "pass"}, "air filter", "intake"),
        ({"governor": "pass"}, "governor linkage", "governor setting"),
    ):
        job = at_bench(result, heard_with(["hunting_at_speed"], machine="mower"), mower)
        assert out in places(job.ruled_out) and left not in places(job.ruled_out), result
        if result.get("plug") != "fail":
            assert left in places(job.left)
    both = at_bench({"spark": "pass", "plug": "pass"}, heard_with(["misfires"], machine="mower"), mower)
    assert "spark" in places(both.ruled_out).split(", ")


def test_what_a_trial_pointed_to_and_was_passed_since_is_not_named():
    """The carburettor passed, and the job still said "Choke test: points to jets"."""
    heard = heard_with(["hunting_at_speed"], machine="mower")
    made = {"choke_test": "fail", "carburettor": "pass"}
    text = at_bench(made, heard, Engine(strokes=4, machine="mower")).text
    assert "Choke test: points to" in text and "jets" not in text.partition("Ruled out")[0]


def test_a_mower_is_told_nothing_of_leads_and_fridges():
    """ "The same without load" pointed a mower to extension leads, compressors and fridges."""
    mower = Engine(strokes=4, machine="mower")
    text = at_bench({"load_off": "fail"}, heard_with(["sags"], machine="mower"), mower).text
    assert "wet or long grass" in text and not {"lead", "fridge", "generator"} & set(text.replace(",", " ").split())
    assert "lead" in at_bench({"load_off": "fail"}, (), Engine(strokes=4, machine="generator")).text


def test_a_bench_check_is_described_once():
    """Eight checks were described twice, and differently: the spark was to be seen beside the open plug hole, which its
    own caution forbids (common practice, no source)."""
    from enginelog.limits import bench

    for check in KNOWN.checks.values():
        if check.bench:
            assert bench.step_named(check.bench).how == check.how
    assert "the plug in its hole" in bench.step_named("spark").how
    assert "bare metal" not in " ".join(step.how for step in bench.steps())
