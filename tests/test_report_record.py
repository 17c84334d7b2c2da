"""The run record: each field of its table, strict JSON, and a reader that says exactly what is wrong."""

import csv
import io
import json
import math
from dataclasses import replace

import make_runs
import numpy as np
import pytest

from enginelog import model, plots, report
from enginelog.bench import answers
from enginelog.model import Span, Speed, Timeline, Track

# The record's table, written out again here apart from the program's own specification.
TABLE = {
    "schema": None,
    "program_version": None,
    "analysed_at": None,
    "clip": "name sha256 seconds sample_rate_hz channels codec recorded_at",
    "engine": "strokes cylinders firing_angles_deg rated_rpm idle_rpm machine blade_length_mm alternator_poles",
    "quality": "usable snr_db clipped_percent low_cut_hz problems",
    "engine_heard": None,
    "timeline": ["kind start_s end_s rpm"],
    "start": "pulls seconds_to_run",
    "stop": "rundown_s",
    "speed": "rpm rpm_low rpm_high band_percent confidence",
    "track": "t_s rpm confidence",
    "firing": "events misfires misfire_percent misfire_low misfire_high pattern timing_spread_percent "
    "strength_spread_percent cylinders",
    "hunting": "found rate_hz swing_rpm swing_percent",
    "settling": "found settle_s rough_misfire_percent rough_swing_rpm",
    "loads": ["at_s dip_percent droop_percent recovery_s"],
    "findings": ["code verdict text value unit limit source start_s end_s next"],
}
INNER = {
    ("quality", "problems"): "code text advice",
    ("firing", "cylinders"): "index misfire_percent relative_strength",
}
ADDED = {"engine_probability", "engine_reason", "pops", "limits_used", "releases", "surges", "throttle"}
ADDED_INSIDE = {
    "engine": {"assumed", "angles_used_deg"},
    "quality": {"trust", "hum_percent"},
    "speed": {"or_rpm", "band_low_percent", "band_high_percent", "changed", "range_low_rpm", "range_high_rpm", "held"},
    "hunting": {"swing_low_percent", "swing_high_percent"},
    "settling": {"settle_low_s", "settle_high_s", "course"},
    "firing": {"windows"},
    "start": {"pulls_low", "pulls_high", "pulls_reason", "at_s", "at_reason"},
    "stop": {"cut_s", "cut_reason", "rundown_reason"},
}
PULL = {"compressions"}  # beside, of a pull of the starter


@pytest.fixture(scope="module", params=list(make_runs.ALL))
def run(request):
    return make_runs.ALL[request.param]()


@pytest.fixture()
def document():
    return json.loads(report.to_json(make_runs.settling_start()))


def test_every_field_of_the_table_and_no_other(run):
    found = report.record(run)
    assert set(found) == set(TABLE) | ADDED
    for name, fields in TABLE.items():
        if isinstance(fields, str):
            assert set(found[name]) == set(fields.split()) | ADDED_INSIDE.get(name, set()), name
        elif isinstance(fields, list):
            for entry in found[name]:
                more = PULL if name == "timeline" and entry["kind"] == "pull" else set()
                assert set(entry) == set(fields[0].split()) | more, name
    for (outer, inner), fields in INNER.items():
        assert all(set(entry) == set(fields.split()) for entry in found[outer][inner])


def walk(value, place=""):
    yield place, value
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in items:
        yield from walk(inner, f"{place}.{name}")


def test_only_plain_json_types_and_never_nan(run):
    for place, value in walk(report.record(run)):
        assert type(value) in (dict, list, str, int, float, bool, type(None)), place
        assert not (isinstance(value, float) and not math.isfinite(value)), place


def test_strict_json_that_reads_back_the_same(run):
    text = report.to_json(run)
    assert text.isascii() and text.endswith("}\n") and "NaN" not in text and "Infinity" not in text
    assert report.from_json(text) == report.record(run)


def test_a_doubtful_number_of_pulls_is_null_with_its_range_and_reason():
    run = make_runs.settling_start()
    line = replace(run.timeline, pulls_low=2, pulls_high=4, pulls_reason="some hardly stand out", cut_s=30.25)
    found = report.record(replace(run, timeline=line))
    start = found["start"]
    assert (start["pulls"], start["pulls_low"], start["pulls_high"]) == (None, 2, 4)
    assert start["pulls_reason"] == "some hardly stand out" and found["stop"]["cut_s"] == 30.25
    assert report.from_json(report.to_json(replace(run, timeline=line))) == found


def test_the_probability_of_an_engine_is_that_of_the_answer_or_of_its_opposite():
    heard, talk = make_runs.settling_start(), make_runs.talk_only()
    assert report.record(heard)["engine_probability"] == pytest.approx(heard.timeline.confidence, abs=1e-3)
    talk = replace(talk, timeline=replace(talk.timeline, confidence=0.84))
    assert report.record(talk)["engine_probability"] == pytest.approx(0.16)
    assert "with a probability of 0.16" in report.to_html(talk)
    short = replace(talk, timeline=Timeline(False, 1.0, (), reason="too short"))
    assert report.record(short)["engine_probability"] is None and "too short to judge" in report.to_html(short)


def test_a_record_from_before_the_probability_of_an_engine_is_read(document):
    del document["engine_probability"]
    assert report.from_json(json.dumps(document)) == document


def test_values_come_from_their_own_fields():
    run = make_runs.settling_start()
    found = report.record(run)
    assert found["schema"] == "enginelog/run/1"
    assert found["clip"]["name"] == "tiller before.m4a" and found["clip"]["seconds"] == 32.0
    assert (found["start"]["pulls"], found["start"]["seconds_to_run"]) == (3, 3.6)
    assert (found["start"]["pulls_low"], found["start"]["pulls_high"]) == (3, 3)
    assert found["stop"]["rundown_s"] == 1.8
    assert found["settling"] == {
        "found": True, "settle_s": 8.2, "settle_low_s": None, "settle_high_s": None, "course": None,
        "rough_misfire_percent": 14.0, "rough_swing_rpm": 180.0,
    }  # fmt: skip
    assert found["firing"]["misfires"] == int((run.firings.miss_probability > 0.5).sum())
    assert found["pops"] == [{"at_s": 30.6, "level_db": 12.0, "where": "after_cut"}]
    assert [span["kind"] for span in found["timeline"]] == ["pull"] * 3 + ["run", "rundown"]


def test_unknown_frames_are_null_with_no_confidence(run):
    track = report.record(run)["track"]
    assert len(track["t_s"]) == len(track["rpm"]) == len(track["confidence"]) == len(run.track.t_s)
    for rpm, truth, confidence in zip(track["rpm"], run.track.rpm, track["confidence"], strict=True):
        assert (rpm is None) == bool(np.isnan(truth))
        assert rpm is not None or confidence == 0


def test_what_was_not_told_is_null_but_strokes_and_cylinders_are_said_to_be_assumed():
    told_nothing = tuple(["strokes", "cylinders", "firing_angles_deg", "rated_rpm", "machine", "alternator_poles"])
    run = replace(make_runs.healthy_generator(), engine=model.Engine(rated_rpm=3000.0, assumed=told_nothing))
    engine = report.record(run)["engine"]
    assert (engine["strokes"], engine["cylinders"]) == (4, 1)
    assert engine["firing_angles_deg"] is None and engine["rated_rpm"] is None
    assert engine["angles_used_deg"] == [0.0]
    assert engine["assumed"] == ["strokes", "cylinders", "firing_angles_deg", "rated_rpm"]


def test_infinities_and_numpy_numbers_do_not_leak():
    run = make_runs.healthy_generator()
    speed = Speed(np.float64(3000.04), -np.inf, np.inf, np.float32(np.nan), np.float64(0.5), np.inf)
    found = report.record(replace(run, measures=replace(run.measures, speed=speed)))["speed"]
    known = {name: value for name, value in found.items() if value is not None}
    assert known == {"rpm": 3000.0, "confidence": 0.5, "changed": False, "held": []}
    assert type(found["rpm"]) is float


def test_name_that_is_no_valid_unicode_survives():
    run = make_runs.healthy_generator()
    text = report.to_json(replace(run, clip=replace(run.clip, name="caf\udce9.m4a")))
    assert report.from_json(text)["clip"]["name"] == "caf\udce9.m4a"
    text.encode("ascii")


def put(document, path, value):
    *outer, last = path
    for name in outer:
        document = document[name]
    document[last] = value


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("speed", "rpm"), "3000", 'speed.rpm is "3000", expected a number of 0 or more or null'),
        (("track", "rpm", 12), "x", 'track.rpm[12] is "x", expected'),
        (("quality", "usable"), 1, "quality.usable is 1, expected true or false"),
        (("quality", "usable"), None, "quality.usable is null, expected true or false"),
        (("engine", "strokes"), 3, "engine.strokes is 3, expected 2 or 4"),
        (("engine", "cylinders"), True, "engine.cylinders is true, expected a whole number"),
        (("engine", "blade_length_mm"), 0, "engine.blade_length_mm is 0, expected a number of 1 or more or null"),
        (("engine", "blade_length_mm"), 5e-324, "engine.blade_length_mm is 5e-324, expected a number of 1 or more"),
        (
            ("engine", "alternator_poles"),
            0,
            "engine.alternator_poles is 0, expected a whole number of 1 or more or null",
        ),
        (("engine", "alternator_poles"), 2.5, "engine.alternator_poles is 2.5, expected a whole number of 1 or more"),
        (("engine", "cylinders"), 1.5, "engine.cylinders is 1.5, expected a whole number"),
        (("findings", 1, "verdict"), "bad", 'findings[1].verdict is "bad", expected one of ok, watch, fault, unknown'),
        (("timeline", 0, "kind"), "stop", 'timeline[0].kind is "stop", expected one of quiet, pull, run, rundown'),
        (("firing", "misfire_percent"), 101, "firing.misfire_percent is 101, expected a number from 0 to 100 or null"),
        (("firing", "pattern"), "odd", 'firing.pattern is "odd", expected one of none, random, burst, cylinder'),
        (("speed", "confidence"), 1.2, "speed.confidence is 1.2, expected a number from 0 to 1"),
        (("speed", "confidence"), None, "speed.confidence is null"),
        (("clip",), [], "clip is [], expected an object"),
        (("findings",), {}, "findings is {}, expected a list"),
        (("schema",), "enginelog/run/2", "schema is 'enginelog/run/2', this program reads 'enginelog/run/1'"),
        (("speed", "rpm_low"), 9999.0, "speed.rpm_low is 9999.0, above speed.rpm"),
        (("firing", "misfire_high"), 0.0, "firing.misfire_percent is"),
        (("track", "t_s", 3), 0.0, "track.t_s does not grow"),
        (("timeline", 0, "end_s"), 0.0, "timeline[0] ends at 0.0 s, before it starts"),
    ],
)
def test_wrong_value_is_named_with_its_place(document, path, value, message):
    put(document, path, value)
    with pytest.raises(report.RecordError) as failed:
        report.from_json(json.dumps(document))
    assert message in str(failed.value)
    assert "\n" not in str(failed.value)


def test_every_field_is_required(document):
    for name in TABLE:
        short = {key: value for key, value in document.items() if key != name}
        with pytest.raises(report.RecordError, match=f"^{name} is missing"):
            report.from_json(json.dumps(short))
    for outer, inner in (("clip", "sha256"), ("engine", "idle_rpm"), ("stop", "rundown_s"), ("track", "confidence")):
        short = document | {outer: {key: value for key, value in document[outer].items() if key != inner}}
        with pytest.raises(report.RecordError, match=rf"^{outer}\.{inner} is missing"):
            report.from_json(json.dumps(short))


def test_fields_of_later_versions_are_let_through(document):
    document["weather"] = "fair"
    document["clip"]["bits"] = 16
    assert report.from_json(json.dumps(document))["weather"] == "fair"


def test_lists_of_different_length(document):
    document["track"]["rpm"].pop()
    with pytest.raises(report.RecordError, match="track lists differ in length"):
        report.from_json(json.dumps(document))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no valid JSON at line 1"),
        ('{"schema": }', "no valid JSON at line 1, column 12"),
        ('{"value": NaN}', "NaN stands in the document"),
        ('{"value": -Infinity}', "-Infinity stands in the document"),
        ('{"a": 1, "a": 2}', "field 'a' stands twice"),
        ("[]", "the document is [], expected an object"),
        ("null", "the document is null, expected an object"),
        ("[" * 200_000, "nested too deep"),
    ],
)
def test_no_strict_json(text, message):
    with pytest.raises(report.RecordError) as failed:
        report.from_json(text)
    assert message in str(failed.value)
    assert isinstance(failed.value, model.EnginelogError)


def test_two_hours_stay_fast_to_read():
    text = report.to_json(make_runs.two_hours())
    assert len(text) < 4_000_000
    assert len(report.from_json(text)["track"]["t_s"]) == 144_000


def test_no_speed_is_written_or_drawn_where_no_engine_was_heard():
    """Between pulls of a starter, or in talk, something can beat: it must not stand as a speed beside 'did not run'."""
    run = make_runs.pulls_only()
    t_s = np.arange(0, run.clip.seconds, 0.05)
    beats = Track(t_s, np.full(len(t_s), 3600.0), np.full(len(t_s), 0.5), np.full(len(t_s), 20.0))
    run = replace(run, track=beats, firings=make_runs.healthy_generator().firings)
    assert not run.timeline.engine_heard and len(run.firings.t_s)
    assert "3600" not in report.speed_csv(run) and len(report.firing_csv(run).splitlines()) == 1
    written = json.loads(report.to_json(run))["track"]
    assert set(written["rpm"]) == {None} and set(written["confidence"]) == {0.0} and len(written["t_s"]) == len(t_s)
    assert plots.speed_over_time(run) is None and plots.not_drawn_below(run) is None
    page = report.to_html(run)
    assert "What was heard when" in page and "Speed over time" not in page
    assert page.count("no engine running by itself") <= 4, "one reason is one row, not one for each measure"


def test_of_a_heard_engine_a_speed_stands_only_where_it_turned_by_itself():
    """Worked out by hand: run from 2 to 8 s, run-down to 9 s; what beats in the quiet and in the pull is no speed."""
    run = make_runs.healthy_generator()
    edges = ((0, 1, "quiet"), (1, 2, "pull"), (2, 8, "run"), (8, 9, "rundown"), (9, 12, "quiet"))
    spans = tuple(Span(kind, start_s, end_s) for start_s, end_s, kind in edges)
    t_s = np.arange(0.5, 12.0)
    track = Track(t_s, 3000.0 + t_s, np.full(12, 0.9), np.full(12, 5.0))
    run = replace(run, track=track, timeline=Timeline(True, 0.99, spans, 1), clip=replace(run.clip, seconds=12.0))
    known = [None, None, 3002.5, 3003.5, 3004.5, 3005.5, 3006.5, 3007.5, 3008.5, None, None, None]
    written = json.loads(report.to_json(run))["track"]
    assert written["rpm"] == known and written["t_s"] == t_s.tolist()
    assert written["confidence"] == [0.0, 0.0, *[0.9] * 7, 0.0, 0.0, 0.0]
    rows = list(csv.DictReader(io.StringIO(report.speed_csv(run), newline="")))
    assert [row["rpm"] for row in rows] == ["" if rpm is None else str(rpm) for rpm in known]
    assert [row["rpm_std"] for row in rows] == ["" if rpm is None else "5.00" for rpm in known]
    assert answers.track(run)["rpm"] == known
    drawn = plots.speed_over_time(run).axes[1].lines[0].get_ydata()
    assert [None if np.isnan(rpm) else rpm for rpm in drawn] == known
    assert run.track.rpm is track.rpm, "what was read stays on record"
    silent = replace(run, timeline=replace(run.timeline, engine_heard=False))
    assert not silent.timeline.turning(t_s).any()
