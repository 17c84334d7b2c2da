"""The data files of trade knowledge: every value sourced, every rule reachable, no advice against a caution.

Which causes belong to which signs is common practice without a source where the file says so; what is held here is that
each entry says where it is from, that nothing in the files is dead, and that all texts keep to the cautions.
"""

import ast
import re
from pathlib import Path

import pytest
from made_signs import MAKERS, heard_with

from enginelog import limits
from enginelog.advice import Situation, advise
from enginelog.advice.signs import signs_of
from enginelog.limits.trade import cases, cautions, knowledge, machines, pages, protocols, reading

TOP = Path(__file__).resolve().parents[2]
TRADE = TOP / "enginelog" / "limits" / "trade"
KNOWN = knowledge.load()
FILES = {
    "signs": "sign",
    "causes": "cause",
    "checks": "check",
    "questions": "question",
    "rules": "rule",
    "machines": "value",
    "cautions": "caution",
    "terms": "term",
    "pages": "page",
    "cases": "case",
}


def entries(name: str, *kinds: str) -> list[reading.Table]:
    return list(reading.tables(reading.own_text(f"{name}.toml"), f"{name}.toml", kinds or (FILES[name],)))


# ---------------------------------------------------------------- sources


SOURCED = [(name, FILES[name]) for name in ("causes", "checks", "questions", "rules", "machines", "cautions", "pages")]
SOURCED += [("noise", "rule"), ("noise", "level"), ("protocols", "test"), ("protocols", "phone")]


@pytest.mark.parametrize(("name", "kind"), SOURCED)
def test_every_entry_has_a_source_or_says_that_it_has_none(name, kind):
    found = [t for t in entries(name, *{k for n, k in SOURCED if n == name}) if t.kind == kind]
    assert found
    for table in found:
        source = table.values["source"]
        assert len(source) > 8, f"{name}: {table.values}"
        if "common practice" in source:
            assert "no source" in source or "CPSC" in source, f"{table.values.get('name')}: {source}"


def test_every_usual_value_says_how_well_it_is_founded():
    for value in machines.values():
        assert value.status in limits.STATUSES and value.unit and value.meaning and value.outside
        assert ("memory" in value.source) == (value.status == "from memory"), value
        if value.status == "common practice":
            assert "no source" in value.source


def test_each_kind_of_machine_has_what_the_trade_asks_for():
    for kind in machines.KINDS:
        held = {value.quantity for value in machines.for_kind(kind)}
        assert {"droop", "slow_top"} <= held
        if kind != "other":
            assert "top" in held
        assert ("tip_speed" in held) == ("mower" in kind) and ("clutch" in held) == (kind in ("saw", "trimmer"))
    assert {"frequency_50", "frequency_60"} <= {v.quantity for v in machines.for_kind("generator")}


@pytest.mark.parametrize("topic", limits.topics())
def test_every_threshold_of_the_program_has_a_source(topic):
    for limit in limits.load(topic).values():
        assert limit.status in limits.STATUSES and len(limit.source) > 3 and limit.meaning, limit.name


def test_usual_windows_the_check_values_name():
    """Makers' figures as they were seen in service manuals; tiller and trimmer from memory (see machines.toml)."""
    seen = {
        ("mower", "idle"): (1700, 2000),
        ("mower", "top"): (2800, 3250),
        ("mower twin", "top"): (3300, 4200),
        ("pump", "top"): (3600, 3900),
        ("pressure washer", "top"): (3200, 3850),
        ("saw", "idle"): (2500, 2800),
        ("saw", "top"): (12_000, 14_000),
    }
    for (kind, quantity), window in seen.items():
        value = machines.usual(kind, quantity)
        assert (value.low, value.high) == window and value.status == "published"
    assert machines.usual("saw", "clutch").low == 3600
    assert machines.usual("tiller", "top").status == "from memory" == machines.usual("trimmer", "idle").status


# ---------------------------------------------------------------- reachable


def test_every_sign_can_be_heard():
    """For each sign there is a record in which it is found."""
    findings = limits.load("findings")
    missing = [name for name in KNOWN.signs if name not in signs_of(heard_with([name]), findings)]
    assert not missing


def test_no_sign_is_found_in_a_record_without_it():
    """A healthy record has only signs of what was told, and calm ones."""
    found = signs_of(heard_with(["clean"]), limits.load("findings"))
    assert found == {"clean", "four_stroke", "machine=other"}


@pytest.mark.parametrize("rule", KNOWN.rules.values(), ids=KNOWN.rules)
def test_every_rule_is_reachable(rule):
    """From records, results and answers as a user has them, the rule speaks, says why, and no other silences it."""
    for one in rule.any or ("",):
        wanted = [*rule.all, *([one] if one else [])]
        situation = situation_for(wanted)
        matched = {m.rule.name: m for m in advise(situation).matched}
        if rule.name in matched:
            assert matched[rule.name].because
            return
    pytest.fail(f"{rule.name} never speaks")


def situation_for(wanted) -> Situation:
    told = [name for name in wanted if "=" in name and not name.startswith("machine=")]
    pairs = [name.split("=") for name in told]
    checks = {name.removeprefix("check."): value for name, value in pairs if name.startswith("check.")}
    answers = {name: value for name, value in pairs if not name.startswith("check.")}
    return Situation(heard_with([name for name in wanted if name not in told]), checks, answers)


@pytest.mark.parametrize("rule", KNOWN.rules.values(), ids=KNOWN.rules)
def test_every_cause_of_a_rule_is_shown_or_belongs_to_another_machine(rule):
    situation = situation_for([*rule.all, *rule.any[:1]])
    advice = advise(situation)
    shown = {likely.cause.name for likely in advice.causes} | {out.cause.name for out in advice.ruled_out}
    engine = situation.heard[0].record["engine"]
    for name in rule.causes:
        cause = KNOWN.causes[name]
        elsewhere = cause.strokes not in (0, engine["strokes"]) or engine["machine"] in cause.not_machines
        if rule.name in {m.rule.name for m in advice.matched} and not elsewhere:
            checks = [c for c in KNOWN.checks.values() if name in c.bears_on]
            fits = any(not c.machines or engine["machine"] in c.machines for c in checks)
            assert (name in shown) == fits, name


def test_every_cause_is_named_by_a_rule_and_settled_by_a_check():
    by_rules = {name for rule in KNOWN.rules.values() for name in rule.causes}
    by_checks = {name for check in KNOWN.checks.values() for name in check.bears_on}
    assert set(KNOWN.causes) == by_rules == by_checks


def test_every_check_question_caution_and_page_is_used():
    asked = {name.split("=")[0] for rule in KNOWN.rules.values() for name in rule.conditions if "=" in name}
    assert {name for name in KNOWN.questions if name not in asked} <= {"smoke"} | asked
    carried = {name for check in KNOWN.checks.values() for name in check.cautions}
    carried |= {name for kind in machines.KINDS for test in protocols.tests(kind) for name in test.cautions}
    assert {caution.name for caution in cautions.cautions()} == carried
    assert {name for page in pages.pages().values() for name in page.rules} == set(KNOWN.rules)


def test_every_finding_has_a_page():
    from enginelog import findings

    assert set(pages.pages()) == set(findings.CODES)


def test_no_word_is_dead_and_each_is_found_by_its_pattern():
    corpus = " ".join(all_texts().values())
    assert not [term.name for term in pages.terms().values() if term.place_in(corpus) is None]
    assert [term.name for term in pages.terms_in("the governor hunts at idle")] == ["governor", "hunting", "idle"]
    assert pages.terms_in("the governor hunts", known=["governor"])[0].name == "hunting"


def test_answers_of_every_question_are_used_or_harmless():
    """Each question has an answer on which a rule or a check goes on."""
    used = {name for rule in KNOWN.rules.values() for name in rule.conditions}
    used |= {name for check in KNOWN.checks.values() for name in (*check.same_as, *check.when)}
    for question in KNOWN.questions.values():
        assert any(f"{question.name}={answer}" in used for answer in question.answers), question.name


# ---------------------------------------------------------------- no advice against a caution


def strings_of(path: Path) -> str:
    """All texts of a Python file (docstrings too), or the whole of another file."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return text
    nodes = (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Constant))
    return "\n".join(node.value for node in nodes if isinstance(node.value, str))


def all_texts() -> dict[str, str]:
    """Every text a user may see: the package's strings, its data files and pages, README and demo."""
    paths = [*(TOP / "enginelog").rglob("*"), TOP / "README.md", *(TOP / "recordings_demo").glob("*.md")]
    wanted = [path for path in paths if path.suffix in (".py", ".toml", ".html", ".md")]
    return {
        path.relative_to(TOP).as_posix(): strings_of(path)
        for path in wanted
        if path.name != "cautions.toml" or "trade" not in path.parts  # its patterns are what is looked for
    }


def test_no_text_advises_against_a_caution():
    found = {name: wrong for name, text in all_texts().items() if (wrong := cautions.contradictions(text))}
    assert not found


def test_the_cautions_do_not_contradict_each_other():
    for caution in cautions.cautions():
        assert not cautions.contradictions(caution.text), caution.name
        assert not cautions.contradictions(caution.short), caution.name


def test_nobody_is_asked_to_let_go_of_a_lever_that_must_be_held():
    """With an operator-presence control (16 CFR 1205.5(a)(1)) it runs untouched only where that is tied."""
    let_go = re.compile(r"\b(without|not) touch\w* (anything|it|the (machine|engine|mower|controls?))\b", re.I)
    assert not {name for name, text in all_texts().items() if let_go.search(text)}
    for kind in ("mower", "mower twin", "tiller"):
        held = [test for test in protocols.tests(kind) if "control" in test.how]
        assert held and all("held by hand, never tied" in test.how for test in held if "moving any" in test.how)


@pytest.mark.parametrize(
    "text",
    [
        "Run the engine in the shed with the door open.",
        "Test it indoors for a minute.",
        "Warm up the engine inside.",
        "Use it outdoors, or with the exhaust led away.",
        "Stay 3 m away from windows while it runs.",
        "Tie the governor back to see its top speed.",
        "Then disconnect the blade brake and try again.",
        "To check it, bridge the low-oil switch.",
        "Hold the control lever down with tape.",
        "If it does not reach its speed, tie the governor back.",
        "Set the speed above the rated one.",
        "Reach under the deck while it is running.",
        "Clear the blade while the engine is running.",
        "Leave the plug lead connected.",
        "Refuel at once while it is hot.",
        "Squirt some petrol into the carburettor.",
        "Spray starting fluid into the intake.",
        "Use a lighter to look into the tank.",
        "Take off the muffler while it is still hot.",
        "Hold the plug lead in your hand.",
        "Work without ear defenders.",
        "Feed the generator into the house.",
        "Ignore the manual.",
        "The sound shows a lean mixture.",
        "Clean the parts in petrol.",
        "Wedge the bail lever shut with tape while it runs.",
        "Tape the lever to the handle.",
        "Put a cable tie round the trigger.",
        "Zip-tie the trigger and step back.",
        "Keep the throttle open with a rubber band.",
        "Then wedge the trigger.",
        "Hold the plug wire by hand and look for sparks at the open plug hole.",
        "Look for sparks at the open plug hole.",
        "At the open plug hole watch the spark jump.",
        "Hold the ignition lead close in your bare hand.",
    ],
)
def test_contradictions_are_seen(text):
    assert cautions.contradictions(text)
    assert not cautions.contradictions("Never do this. " + "Never " + text[:1].lower() + text[1:])


@pytest.mark.parametrize(
    "text",
    [
        "Run it outdoors, at least 6 m from doors and windows.",
        "Engine off, plug lead off: is the governor linkage free?",
        "Never tie, remove, bend or block a governor.",
        "Sound cannot tell whether a lean or a rich mixture is to blame.",
        "On a certified US engine, removing the governor counts as tampering.",
        "Refuel only when cold.",
        "Set by the manual, 200 rpm below the limit.",
        "A lever that must be held is held by hand, never tied.",
        "Hold the plug lead away and turn the engine over by hand.",
        "Tester in line, plug in its hole, no spark beside an open plug hole.",
        "Test the spark well away from an open plug hole.",
        "Let the trigger go; the governor closes the throttle by its lever.",
        "A tape measure tells the blade's length.",
    ],
)
def test_good_advice_passes(text):
    assert not cautions.contradictions(text)


def test_checks_carry_the_cautions_their_texts_call_for():
    for check in KNOWN.checks.values():
        lacking = set(cautions.needed(check.how)) - set(check.cautions)
        assert not lacking, f"{check.name}: {lacking}"
        if check.runs:
            assert "exhaust" in check.cautions, check.name


def test_what_a_check_needs_is_seen_in_its_text():
    assert set(cautions.needed("Let it idle, then look at the muffler and the tank")) >= {"exhaust", "hot", "fuel"}
    assert "moving" in cautions.needed("is the blade tight?") and cautions.needed("look at the label") == ()


def test_recordings_carry_the_cautions_of_a_running_engine():
    for kind in machines.KINDS:
        tests = protocols.tests(kind)
        assert len(tests) >= 4
        for test in tests:
            assert {"exhaust", "moving", "hearing"} <= set(test.cautions)
        applied = {c.name for c in cautions.for_machine(kind)}
        assert {"manual", "exhaust", "moving", "fuel", "hot", "hearing", "eyes", "governor", "solvents"} <= applied
    assert "electricity" in {c.name for c in cautions.for_machine("generator")}
    assert "electricity" not in {c.name for c in cautions.for_machine("mower")}


def test_the_published_distances_and_rules_are_in_the_cautions():
    """CPSC: generators outdoors, 20 ft (6 m) from openings; NIOSH 96-118a: within minutes, doors open and fans on;
    40 CFR 1054.650(b): removing the governor is tampering; 16 CFR 1205.5: 3.0 s."""
    text = {caution.name: f"{caution.text} {caution.source}" for caution in cautions.cautions()}
    assert "6 m (20 ft)" in text["exhaust"] and "CPSC" in text["exhaust"] and "NIOSH 96-118a" in text["exhaust"]
    assert "tampering" in text["governor"] and "40 CFR 1054.650(b)" in text["governor"]
    assert "3.0 s" in text["moving"] and "manual" in text["manual"] and "licensed" in text["manual"]


def test_nothing_claims_that_a_clip_measures_loudness_or_compliance():
    """A phone's level is not calibrated (Android CDD); a recording certifies no rule."""
    report_texts = [text for name, text in all_texts().items() if name.startswith("enginelog/limits/trade")]
    for text in report_texts:
        assert not re.search(r"\b(this|the) (clip|recording) (has|shows|is) \d+ ?dB", text)
        assert not re.search(r"\bfails? OBD\b|\bcomplies with\b", text)


# ---------------------------------------------------------------- a file of one's own


OWN = """
# shed rules
[[cause]]
name = "mouse_nest"
place = "shroud"
title = "a mouse nest under the shroud"
why = "It blocks the cooling air."
source = "common practice, no source"

[[check]]
name = "shroud_off"
title = "Under the shroud"
how = "Engine off and cool, plug lead off, shroud off: is a nest on the fins?"
minutes = 6
pass_rules_out = ["mouse_nest"]
fail_points_to = ["mouse_nest"]
if_pass = "No nest."
if_fail = "Take it out, shroud on again."
cautions = ["moving", "hot"]
source = "common practice, no source"

[[rule]]
name = "nest"
title = "Nests after winter"
all = ["stood_long=yes"]
any = [
  "no_start",
  "hunting",
]
likely = ["mouse_nest"]
means = "Mice like shrouds."
source = "common practice, no source"
"""


def test_a_file_of_ones_own_extends_the_rules():
    known = knowledge.load([("shed.toml", OWN)])
    situation = Situation(heard_with(["hunting"]), {}, {"stood_long": "yes"})
    names = [likely.cause.name for likely in advise(situation, known).causes]
    assert "mouse_nest" in names and "mouse_nest" not in [c.cause.name for c in advise(situation).causes]
    assert "shroud_off" in [each.check.name for each in advise(situation, known).checks]
    passed = Situation(situation.heard, {"shroud_off": "pass"}, situation.answers)
    assert "mouse_nest" in [out.cause.name for out in advise(passed, known).ruled_out]


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ('likely = ["mouse_nest"]', 'likely = ["mouse_nets"]', "likely", "'mouse_nets'"),
        ('all = ["stood_long=yes"]', 'all = ["stood_long=maybe"]', "all", "stood_long=maybe"),
        ('all = ["stood_long=yes"]', 'al = ["stood_long=yes"]', "al", "is 'all' meant"),
        ("minutes = 6", 'minutes = "six"', "minutes", "a whole number expected"),
        ("minutes = 6", "minutes = true", "minutes", "a whole number expected"),
        ('why = "It blocks the cooling air."\n', "", "[[cause]]", "'why' is missing"),
        ('cautions = ["moving", "hot"]', 'cautions = ["hot"]', "how", "caution"),
        ('cautions = ["moving", "hot"]', 'cautions = ["moving", "hott"]', "cautions", "is 'hot' meant"),
        ('if_fail = "Take it out', 'if_fail = "Tie the governor back, take it out', "if_fail", "against a caution"),
        ('name = "mouse_nest"', 'name = "plug"', 'name = "plug"', "taken already"),
        ('name = "nest"', 'name = ""', 'name = ""', "empty"),
        ('  "hunting",', '  "hunting!",', "any", "hunting!"),
        ("[[rule]]", "[[rules]]", "[[rules", "[[rule]]"),
        ("[[rule]]", "[rule]", "[rule", "entries of"),
        ('source = "common practice, no source"\n\n[[check]]', "[[check]]", "[[cause]]", "'source' is missing"),
        ("minutes = 6", "minutes = 6 6", "minutes", "no valid TOML"),
        ('pass_rules_out = ["mouse_nest"]', 'pass_rules_out = "mouse_nest"', "pass_rules_out", "a list expected"),
    ],
)
def test_errors_in_a_file_of_ones_own_name_the_line(old, new, at, said):
    assert old in OWN
    text = OWN.replace(old, new, 1)
    line = next(number for number, row in enumerate(text.splitlines(), 1) if row.startswith(at))
    with pytest.raises(reading.TradeFileError) as wrong:
        knowledge.load([("shed.toml", text)])
    message = str(wrong.value)
    assert "shed.toml" in message and said in message
    assert re.search(rf"line {line}\b", message), message


def test_a_rule_that_cannot_speak_is_refused():
    rule = '[[rule]]\nname = "x"\ntitle = "t"\nmeans = "m"\nsource = "common practice, no source"\n'
    with pytest.raises(reading.TradeFileError, match="neither 'all' nor 'any'"):
        knowledge.load([("a.toml", rule + 'likely = ["plug"]\n')])
    with pytest.raises(reading.TradeFileError, match="names no cause"):
        knowledge.load([("a.toml", rule + 'all = ["hunting"]\n')])


def test_every_file_of_the_folder_is_read_by_something():
    named = {f"{name}.toml" for name in FILES} | {"noise.toml", "protocols.toml"}
    assert {path.name for path in TRADE.glob("*.toml")} == named
    assert len(cases.cases()) >= 10 and set(MAKERS) <= set(KNOWN.signs)
