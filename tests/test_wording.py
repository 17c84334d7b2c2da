"""No number that a person reads is a power of ten, a minus before nothing, or nan: over the values where formats slip.

What is asked for is the project's own wish; there is no outside source. The values: nothing, what rounds to it from
either side, what rounds to the next digit, and what six digits do not hold.
"""

import ast
import dataclasses
import math
import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import make_runs
import pytest
import sim_tracks as sim
from hypothesis import given
from hypothesis import strategies as st

from enginelog import limits, report
from enginelog.compare import words as compared
from enginelog.findings import (
    firing_verdicts,
    run_verdicts,
    settling,
    settling_verdict,
    speed_verdicts,
    startstop,
    startstop_verdicts,
)
from enginelog.findings.gather import gather
from enginelog.model import Run
from enginelog.model.wording import (
    NOT_KNOWN,
    as_told,
    begun_large,
    begun_small,
    counted,
    figure,
    fixed,
    lasted,
    money,
    often,
    one_line,
    percent,
    shares,
    significant,
)
from enginelog.quality import words as quality_words
from enginelog.quality.whole import Measured
from enginelog.report import run_line
from enginelog.report import words as page_words
from enginelog.store.figures import figures_of

EDGES = (0.0, -0.0, 0.004, -0.004, 0.04, -0.04, 0.4, 9.96, 99.96, 100.0, 1e5, 1e7)
SLIPS = re.compile(r"\de[+-]?\d|(?<!\w)[-\u2212]0(?:\.0+)?(?![\d.])|\bnan\b|\binf\b", re.IGNORECASE)  # no date


def slips(text: str) -> list[str]:
    """What nobody should read, with a little of what stands round it."""
    return [text[max(found.start() - 40, 0) : found.end() + 10] for found in SLIPS.finditer(text)]


def test_thousands_are_written_in_one_way_everywhere():
    """As a number is typed in and as every measured one is shown: '19000 ft/min', without a gap or a mark."""
    package = Path(__file__).parents[1] / "enginelog"
    parted = re.compile(r"(?<![\d,])\b[1-9]\d{0,2}[ \u00a0\u202f]\d{3}\b(?!,)")
    texts = [path for ending in ("*.toml", "*.html", "*.js") for path in package.rglob(ending)]
    found = [
        f"{path.name}: {one}"
        for path in texts
        for line in path.read_text("utf-8").splitlines()
        if not line.startswith(("source", "#"))
        for one in parted.findall(line)
    ]
    for path in package.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        described = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        shown = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in described]
        found += [f"{path.name}: {one}" for each in shown if isinstance(each, str) for one in parted.findall(each)]
    readme = (package.parent / "README.md").read_text("utf-8")
    assert not found + parted.findall(readme)
    assert parted.findall("above 19 000 ft/min") and not parted.findall("0,270 or 2026-04 300 rpm")


def test_a_text_begins_small_within_a_sentence_and_large_at_its_start():
    """The rule of English; what is written in capitals, or small as a unit is, stays as it is."""
    for large, small in (("Misfires", "misfires"), ("A knock", "a knock"), ("ISO 8528-5", "ISO 8528-5"), ("", "")):
        assert (begun_small(large), begun_large(small)) == (small, large)
    assert begun_large("kW of the plate") == "kW of the plate" and begun_small("3358 rpm") == "3358 rpm"


def test_no_first_letter_is_changed_by_hand():
    package = Path(__file__).parents[1] / "enginelog"
    by_hand = re.compile(r"\[(?:0|:1)\]\.(?:lower|upper)\(\)")
    files = [path for path in package.rglob("*.py") if path.name != "wording.py"]
    assert [path.name for path in files if by_hand.search(path.read_text("utf-8"))] == ["serving.py"]  # a host's name


def test_a_spread_has_as_many_digits_in_its_finding_as_in_its_row():
    for spread in (0.22, 0.834, 1.27, 12.6):
        evidence = SimpleNamespace(misfire=SimpleNamespace(summary=SimpleNamespace(timing_spread_percent=spread)))
        told = firing_verdicts.judge_timing(evidence, limits.load("findings")).text
        assert f"evenly to {percent(spread)} % of" in told


def test_what_the_search_finds():
    assert slips("1e+02 % lost") and slips("swings of -0 rpm") and slips("dips by \u22120.0 %") and slips("nan %")
    assert not slips("2025-05-03, -0.4 %, 0 to 100 %, one 0.04, finance, \u22120.05 EUR")


@pytest.mark.parametrize("value", [*EDGES, math.nan, math.inf, -math.inf])
def test_no_helper_slips(value):
    for said in (
        fixed(value, 0),
        fixed(value, 2),
        figure(value),
        significant(value, 3),
        percent(value),
        as_told(value),
    ):
        assert not slips(f"{said} %") and said
        assert (said == NOT_KNOWN) == (not math.isfinite(value))


@given(st.floats(-1e12, 1e12))
def test_what_is_said_is_what_it_is(value):
    assert math.isclose(float(fixed(value, 1)), value, abs_tol=0.0501, rel_tol=1e-12)
    assert math.isclose(float(figure(value)), value, abs_tol=0.00501, rel_tol=0.0051)
    assert math.isclose(float(percent(value)), value, abs_tol=0.0000501, rel_tol=0.0501)
    assert math.isclose(float(as_told(value)), value, abs_tol=5e-7, rel_tol=5.1e-6)
    for said in (fixed(value, 1), figure(value), percent(value), as_told(value)):
        assert re.fullmatch(r"-?\d+(\.\d+)?", said) and not re.fullmatch(r"-0(\.0+)?", said)


def test_shares_by_hand():
    shares = {100.0: "100", 99.96: "100", 12.34: "12", 2.0: "2", 1.249: "1.2", 0.996: "1", 0.034: "0.034", 0.00001: "0"}
    assert {value: percent(value) for value in shares} == shares
    assert [as_told(value) for value in (3600.0, 1234567.25, 720 / 7, 1e-6)] == ["3600", "1234567.25", "102.857143", "0.000001"]  # fmt: skip  # noqa: E501
    assert (money(1234, "EUR"), money(-5), money(0)) == ("12.34 EUR", "-0.05", "0.00")
    assert one_line(" two\n\tlines ") == "two lines"


def test_counts_by_hand():
    assert [counted(n, "pull") for n in (0, 1, 2)] == ["0 pulls", "1 pull", "2 pulls"]
    assert [counted(n, "row was", "rows were") for n in (0, 1, 2)] == ["0 rows were", "1 row was", "2 rows were"]
    assert [often(n) for n in (1, 2, 3)] == ["once", "twice", "3 times"]


def test_what_lasted_less_than_ten_seconds_is_said_to_a_tenth():
    assert [lasted(value) for value in (0.04, 2.8, 9.96, 10.4, 34.4)] == ["0.0", "2.8", "10.0", "10", "34"]
    short = Measured(2.8, 2.8, 0.5, -20.0, -60.0, 0.0, 0, 0.0, 0.0, 0.0, 0.9, None, 8000.0, False, 0.0, 0.0, ())
    said = [problem.text for problem in quality_words.problems(short, limits.load("quality"))]
    assert "2.8 s of sound: what happens rarely may be missed" in said


def test_no_bracket_opens_where_one_was_just_closed():
    """A time with its interval, then what it was like: in brackets both, one would have to be read twice."""
    for course in ("settles", "worsens", "rough"):
        for between_s in ((5.5, 8.1), (5.5, 60.0)):
            study = settling.SettlingStudy(course, 6.1, None, 19.1, 0.1, 60.0, 21.0, between_s)
            said = settling_verdict._settling_text(study, 18.0, 6.7)
            assert ") (" not in said and said.count("(") == said.count(")")
    settles = settling.SettlingStudy("settles", 6.1, None, 19.1, 0.1, 60.0, 21.0, (5.5, 8.1))
    assert settling_verdict._settling_text(settles, 18.0, 6.7).startswith(
        "Rough at first: 19.1 % of firings lost, swings of 60 rpm. Settled after about 6.1 s (5.5 to 8.1 s): 0.1 %"
    )


def test_no_share_of_the_time_reads_as_more_than_all_of_it():
    """'Over 100 % of the stretch' was meant as throughout."""
    hunts = sim.make(21, sim.Scenario(seconds=30.0, hunt_hz=0.8, hunt_swing_percent=6.0))
    evidence = gather(hunts.engine, hunts.quality, hunts.timeline, hunts.track, hunts.firings, limits.load("findings"))
    assert evidence is not None
    swings = [dataclasses.replace(evidence.hunting.swing, time_share=share) for share in (1.0, 0.996, 0.8)]
    assert [run_verdicts._for_how_long(swing, evidence) for swing in swings] == ["all the time"] * 2 + [
        "80 % of the time"
    ]
    assert (
        "times a second, all the time; the swing" in run_verdicts.judge_hunting(evidence, limits.load("findings")).text
    )


# Numbers that are never one: of poles (even), of firings that were judged (50 and more), of speeds, runs and pulls
# where one of them is said otherwise, and such as are no count.
NEVER_ONE = {
    "poles": {"usual.py", "frequency.py", "facts.py", "words.py"},
    "firings": {"firing_verdicts.py", "misfire.py", "facts.py", "guide_text.py"},
    "pulls": {"startstop.py", "run_line.py", "words.py", "claims.py", "heard.py"},
    "times": {"facts.py", "words.py", "wording.py"},
    "speeds": {"speed.py"},
    "runs": {"words.py"},
}
COUNTED_NOUNS = re.compile(
    r"^ (?:\w+ )?(times|pulls|jobs|runs|files|recordings|checks|photos|firings|cylinders|entries|minutes|days|holes|"
    r"surges|bangs|speeds|angles|records|lines|machines|gaps|poles|opportunities)\b"
)


def number_with_plural(path: Path) -> Iterator[str]:
    """Nouns in the plural that an f-string of the code writes right behind a plain number."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        parts = node.values if isinstance(node, ast.JoinedStr) else []
        for value, after in zip(parts, parts[1:], strict=False):
            text = after.value if isinstance(after, ast.Constant) else ""
            plain = isinstance(value, ast.FormattedValue) and value.format_spec is None
            if plain and (found := COUNTED_NOUNS.match(str(text))):
                yield found[1]


def test_where_a_number_may_be_one_its_noun_is_asked_for():
    """Over the whole code, but for what is named above."""
    code = Path(report.__file__).parents[1].rglob("*.py")
    written = [(path.name, noun) for path in code for noun in number_with_plural(path)]
    assert ("wording.py", "times") in written, "the search finds what is there"
    assert not [f"{name}: {noun}" for name, noun in written if name not in NEVER_ONE.get(noun, ())]


def test_an_engine_started_again_is_told_in_plain_english():
    timeline = SimpleNamespace(pulls_sure=True, maybe_in_vain="")
    said = []
    for restarts in (1, 2, 3):
        start = startstop.StartStudy(1, 0.8, 0, restarts, False, True, 2.0, pull_count="1 pull")
        evidence: Any = SimpleNamespace(start=start, timeline=timeline)
        said.append(
            startstop_verdicts.judge_start(evidence, limits.load("findings")).text.split("was started again ")[1]
        )
    assert said == ["once.", "twice.", "3 times."]


INSIDE = ("gain",)  # of a filter, above 0 by its nature, and never shown


def edged(whole: Any, value: float) -> Any:
    """A record with every single number in it (no count, no series of them) put at `value`."""
    if isinstance(whole, float):
        return value
    if isinstance(whole, tuple):
        return tuple(edged(each, value) if dataclasses.is_dataclass(each) else each for each in whole)
    if not dataclasses.is_dataclass(whole):
        return whole
    parts = {each.name: getattr(whole, each.name) for each in dataclasses.fields(whole) if each.init}
    bent = {name: edged(part, value) for name, part in parts.items() if name not in INSIDE}
    return dataclasses.replace(whole, **bent)


@pytest.fixture(scope="module")
def evidence():
    """What was measured of simulated engines of every kind, and their speeds."""
    cases = [sim.draw(kind, 11) for kind in sim.KINDS]
    found = [
        (gather(each.engine, each.quality, each.timeline, each.track, each.firings, FINDINGS), each.speed)
        for each in cases
    ]
    return [(one, speed) for one, speed in found if one is not None]


FINDINGS = limits.load("findings")


@pytest.mark.parametrize("value", EDGES)
def test_no_finding_slips(evidence, value):
    said = 0
    for one, speed in evidence:
        kept = {name: getattr(one, name) for name in ("engine", "timeline", "span", "series", "calm", "steady")}
        bent = dataclasses.replace(edged(one, value), **kept)
        found = [
            *speed_verdicts.all_findings(bent, edged(speed, value), FINDINGS),
            *firing_verdicts.all_findings(bent, FINDINGS),
            *run_verdicts.all_findings(bent, FINDINGS),
        ]
        assert [slips(each.text) for each in found if slips(each.text)] == []
        said += len(found)
    assert said > 50


RUNS = ("healthy_generator", "hunting_pump", "settling_start", "weak_twin", "every_second", "pulls_only")


def bent(run: Run, value: float) -> Run:
    """The measures of a run at `value`; when and how long things were stays."""
    measures = dataclasses.replace(edged(run.measures, value), findings=run.measures.findings)
    return dataclasses.replace(run, measures=measures, quality=edged(run.quality, value))


@pytest.mark.parametrize("value", EDGES)
@pytest.mark.parametrize("name", RUNS)
def test_no_report_slips(name, value):
    run = bent(getattr(make_runs, name)(), value)
    assert slips(report.summary_text(run)) == []
    page = re.sub(r"<svg.*?</svg>|<style.*?</style>|<script.*?</script>|<[^>]*>", " ", report.to_html(run), flags=re.S)
    assert slips(page) == []


# Rooms whose numbers nobody reads: arrays, and what is made up.
TOOLS = ("dsp", "synthesis")
PACKAGE = Path(__file__).resolve().parents[1] / "enginelog"


def formats() -> Iterator[tuple[str, str]]:
    """(place, format) of every number that is put into a text with a format of its own."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.relative_to(PACKAGE).parts[0] in TOOLS or path.name == "wording.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
                said = "".join(str(part.value) for part in node.format_spec.values if isinstance(part, ast.Constant))
                yield f"{path.relative_to(PACKAGE)}:{node.lineno}", said


def test_every_format_is_one_that_cannot_slip():
    """In f-strings decimals come with 'z' (PEP 682: no minus before nothing), and no format has powers of ten."""
    found = list(formats())
    wrong = [(where, said) for where, said in found if said[-1:] in tuple("eEgG") or ("." in said and "z" not in said)]
    assert len(found) > 100 and wrong == []


@pytest.mark.parametrize("value", EDGES)
def test_no_line_and_no_difference_slips(value):
    found = dataclasses.replace(figures_of(make_runs.weak_twin()), **dict.fromkeys(FIGURES, value))
    stored = SimpleNamespace(analysis=SimpleNamespace(figures=found), run=None)
    assert "rpm" in run_line.figures(stored) and slips(run_line.figures(stored)) == []
    for unit in ("rpm", "%", "s", "pulls"):
        said = [compared.apart(value, unit), compared.matters(value, unit), compared.interval((value, 1.0), unit)]
        assert slips(" ".join([*said, compared.amount(value, unit)])) == []


FIGURES = ("rpm", "or_rpm", "misfire_percent", "misfire_low", "misfire_high", "hunting_swing_percent")


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(7.2, 13.06, "7.2 to 13.1"), (7.7, 22.4, "8 to 22"), (0.031, 0.79, "0.03 to 0.79"), (0.0, 1.0, "0.0 to 1.0")],
)
def test_an_interval_is_said_alike_in_figure_and_finding(low, high, said):
    """Both ends to the same number of decimals, as in the table so in the sentence."""
    assert shares(low, high) == said
    assert page_words.interval(low, high) == f"{said}\u00a0%"


def test_no_line_of_the_summary_ends_between_a_number_and_its_unit():
    said = page_words.glued("from 3 % to 12 rpm in 4 s and 5 min at 50 Hz; 4 singers, 2 spark plugs")
    assert said.replace("\u00a0", "_") == "from 3_% to 12_rpm in 4_s and 5_min at 50_Hz; 4 singers, 2 spark plugs"
    text = report.summary_text(make_runs.hunting_pump(), 43)
    assert not [row for row in text.splitlines() if row.lstrip().startswith(("% ", "%)", "rpm", "Hz", "s."))]
