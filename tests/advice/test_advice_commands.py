"""`enginelog advise`, `explain` and `guide`, from the command line.

The exit statuses are those of the other commands: 0 done, 2 wrong usage, 4 cannot be read.
"""

import dataclasses
import io
import json
import os
import re
import sys
from pathlib import Path

import make_runs
import pytest
from made_signs import heard_with, plain

from enginelog import report
from enginelog.cli import main, records
from enginelog.findings import CODES
from enginelog.limits.trade import cases, cautions, machines, pages
from enginelog.report import layout, words

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture
def pump(tmp_path):
    path = tmp_path / "pump.json"
    path.write_text(report.to_json(make_runs.hunting_pump()), encoding="utf-8")
    return str(path)


def called(capfd, *words):
    status = main(list(words))
    out, err = capfd.readouterr()
    return status, out, err


def test_advise_from_a_record(capfd, pump):
    status, out, err = called(capfd, "advise", pump)
    assert status == 0 and not err
    for part in ("swings up and down", "Because", "Pass", "Fail", "Take care", "Source", "Questions", "manual comes"):
        assert part in out
    assert "Choke test" in out and max(map(len, out.splitlines())) <= 80


def test_advise_on_a_record_without_an_engine_has_the_status_of_check(capfd, pump, tmp_path):
    talk = tmp_path / "talk.json"
    talk.write_text(report.to_json(make_runs.talk_only()), encoding="utf-8")
    for given in ([str(talk)], [pump, str(talk)], [str(talk), "--json"]):
        status, out, _ = called(capfd, "advise", *given)
        assert status == 3 and out
    assert called(capfd, "advise", "--answer", "choke-helps=yes")[0] == 0


def test_advise_takes_checks_and_answers(capfd, pump):
    status, out, _ = called(capfd, "advise", pump, "--answer", "choke-helps=yes", "--check", "intake=pass")
    assert status == 0 and "Ruled out" in out and "air leak" in out and "what was checked points to it" in out


def test_advise_as_json(capfd, pump):
    status, out, _ = called(capfd, "advise", pump, "--json")
    found = json.loads(out)
    assert status == 0 and found["schema"] == "enginelog/advice/1"
    assert found["causes"][0]["because"] and found["checks"][0]["source"] and found["cautions"][0]["text"]


def test_several_records_of_one_machine(capfd, tmp_path):
    both = heard_with(["hunting_at_idle", "calm_at_speed"])
    path = tmp_path / "both.json"
    path.write_text(json.dumps([one.record for one in both]), encoding="utf-8")
    status, out, _ = called(capfd, "advise", str(path), "--json")
    assert status == 0 and "hunting_idle_only" in [rule["name"] for rule in json.loads(out)["rules"]]


def test_records_of_two_machines_are_noted(capfd, tmp_path):
    both = heard_with(["clean"], machine="mower") + heard_with(["clean"], machine="saw", strokes=2)
    paths = [tmp_path / "a.json", tmp_path / "b.json"]
    for path, one in zip(paths, both, strict=True):
        path.write_text(json.dumps(one.record), encoding="utf-8")
    status, _, err = called(capfd, "advise", *map(str, paths))
    assert status == 0 and err.startswith("note: ") and "mower and saw" in err
    assert not called(capfd, "advise", str(paths[0]))[2]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_a_record_saved_by_a_windows_shell_or_editor_is_read(capfd, pump, tmp_path, monkeypatch, encoding):
    """`>` of its older shell writes UTF-16 with a byte order mark and CR LF, its editor UTF-8 with such a mark."""
    saved = tmp_path / "saved.json"
    saved.write_bytes(Path(pump).read_text(encoding="utf-8").replace("\n", "\r\n").encode(encoding))
    assert main(["advise", str(pump)]) == 0
    expected = capfd.readouterr().out
    assert main(["advise", str(saved)]) == 0 and capfd.readouterr().out == expected
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(saved.read_bytes()), encoding="cp1252"))
    assert main(["advise", "-"]) == 0 and capfd.readouterr().out == expected


def test_a_file_of_ones_own(capfd, pump, tmp_path):
    own = tmp_path / "shed.toml"
    own.write_text(
        '[[rule]]\nname = "mine"\ntitle = "Mine"\nall = ["hunting"]\nlikely = ["coil"]\nmeans = "m"\n'
        'source = "common practice, no source"\n',
        encoding="utf-8",
    )
    status, out, _ = called(capfd, "advise", pump, "--rules", str(own), "--json")
    assert status == 0 and "mine" in [rule["name"] for rule in json.loads(out)["rules"]]
    own.write_text(own.read_text("utf-8").replace('"coil"', '"coyl"'), encoding="utf-8")
    status, _, err = called(capfd, "advise", pump, "--rules", str(own))
    assert status == 2 and "shed.toml, line 5" in err and "is 'coil' meant" in err


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["advise"], 2, "nothing given"),
        (["advise", "gone.json"], 4, "cannot be read"),
        (["advise", "--check", "spark"], 2, "such as spark=pass"),
        (["advise", "--check", "sparc=pass"], 2, "not known"),
        (["advise", "--answer", "choke-helps=perhaps"], 2, "yes, no expected"),
        (["advise", "--answer", "choke-helps=yes", "--rules", "gone.toml"], 4, "cannot be read"),
        (["advise", "--balance", "3400,3300"], 2, "such as 3400,3300,3100"),
        (["advise", "--balance", "3400,x"], 2, "a number from 100"),
        (["explain", "huntin"], 2, "hunting"),
        (["guide"], 2, "--machine mower"),
        (["guide", "--machine", "mower", *(["x.wav"] * 6)], 2, "more recordings given"),
    ],
)
def test_wrong_calls_end_in_one_line(capfd, tmp_path, monkeypatch, words, status, said):
    monkeypatch.chdir(tmp_path)
    got, _, err = called(capfd, *words)
    assert got == status and said in err and len([row for row in err.splitlines() if row.startswith("enginelog:")]) == 1


@pytest.mark.parametrize("text", ["", "{", "[1]", "{}", '{"schema": "other"}', "\x00\x01", "[" * 5000])
def test_what_is_no_record_is_refused(capfd, tmp_path, text):
    path = tmp_path / "x.json"
    path.write_text(text, encoding="utf-8")
    status, _, err = called(capfd, "advise", str(path))
    assert status == 4 and "x.json" in err and "Traceback" not in err


def test_a_hostile_record_drives_no_terminal(capfd, tmp_path):
    path = tmp_path / "h.json"
    path.write_text(report.to_json(make_runs.hostile()), encoding="utf-8")
    status, out, _ = called(capfd, "advise", str(path))
    assert status == 0 and "\x1b" not in out and "\u202e" not in out


def test_advise_from_a_job(capfd, tmp_path, monkeypatch):
    """The job's recordings and its bench checks count, with how it ran as told; talk after the work shows nothing."""
    from enginelog import store

    place = tmp_path / "shed.enginelog"
    with store.open_store(place) as kept:
        machine = kept.remember("pump Heron", kind="pump", rated_rpm=3200.0)
        job = kept.take_in(machine, complaint="hunts")
        kept.attach(job.id, make_runs.hunting_pump(), "before")
        talk = make_runs.talk_only()
        kept.attach(job.id, dataclasses.replace(talk, clip=dataclasses.replace(talk.clip, sha256="a" * 64)), "after")
        kept.tick(job.id, "governor", "pass")
    status, out, _ = called(capfd, "advise", "--job", str(job.id), "--store", str(place), "--json")
    found = json.loads(out)
    assert status == 0 and [rule["name"] for rule in found["rules"]] == ["hunting"]
    assert "linkage" in [each["name"] for each in found["ruled_out"]]


def test_advise_from_a_job_without_a_recording_knows_its_machine_and_asks_as_the_job_does(capfd, tmp_path):
    from enginelog import store

    place = tmp_path / "shed.enginelog"
    with store.open_store(place) as kept:
        job = kept.take_in(kept.remember("mower Daisy", kind="mower", strokes=4))
        kept.tick(job.id, "fuel-tank", "fail")
        first = report.suggestion(kept.record(job.id)).next
    status, out, _ = called(capfd, "advise", "--job", str(job.id), "--store", str(place), "--json")
    found = json.loads(out)
    assert status == 0 and found["found"] == ["old_fuel"] and "the engine is a four-stroke" in found["signs"]
    assert first is not None and found["checks"][0]["name"] == first.name


# ---------------------------------------------------------------- explain


TOPICS = [name for names in report.explaining.topics().values() for name in names]


@pytest.mark.parametrize("topic", TOPICS)
def test_every_topic_has_a_page(topic):
    text = report.explain(topic)
    assert len(text) > 40 and max(map(len, text.splitlines())) <= 80
    assert report.explain(topic.upper().replace("_", "-")) == text
    assert not cautions.contradictions(" ".join(text.split()))


@pytest.mark.parametrize("code", CODES)
def test_a_finding_is_explained_by_the_title_a_report_gives_it(code):
    text = report.explain(words.title(code))
    assert text.splitlines()[0] == pages.pages()[code].title
    for said in re.findall(r"Look at: ([^.]*)\.", " ".join(text.split())):
        places = said.split("; ")
        assert len(places) == len(set(places)), "a place named twice"


def test_explain_lists_its_topics(capfd):
    status, out, _ = called(capfd, "explain")
    assert status == 0
    assert all(name.replace("_", "-") in " ".join(out.split()) for name in TOPICS if " " not in name)


def test_explain_cases_prints_all_of_them(capfd):
    status, out, _ = called(capfd, "explain", "cases")
    assert status == 0 and all(case.title in " ".join(out.split()) for case in cases.cases().values())


def test_a_page_says_what_sound_cannot_tell(capfd):
    status, out, _ = called(capfd, "explain", "misfire")
    assert status == 0 and "Sound cannot tell" in out and "13 CCR 1968.2" in out and "1.19 %" in out


def test_a_machine_page_has_exposure_times(capfd):
    """NIOSH and OSHA at ASHA's 91 dBA: 120 min, 6 h 58 min."""
    status, out, _ = called(capfd, "explain", "mower")
    assert status == 0 and "at most 120 min" in out and "at most 418 min" in " ".join(out.split())
    assert "19000 ft/min" in out and "Never a verdict" in out


# ---------------------------------------------------------------- guide


@pytest.mark.parametrize("machine", machines.KINDS)
def test_the_guide_of_every_machine(capfd, machine):
    status, out, _ = called(capfd, "guide", "--machine", machine, "--strokes", "4")
    assert status == 0 and "6 m (20 ft)" in " ".join(out.split()) and "Phone" in out and "{seconds}" not in out
    assert out.count("    How ") >= 4 and max(map(len, out.splitlines())) <= 80


def test_a_thousand_revolutions(capfd):
    """60 s * 1000 / rpm: 36 s at the 1700 rpm told, 20 s at 3000 (13 CCR 1968.2 counts in such windows)."""
    _, out, _ = called(capfd, "guide", "--machine", "mower", "--idle-rpm", "1700", "--rated-rpm", "3000")
    out = " ".join(out.split())
    assert "500 firings: none lost in them still leaves up to 0.6 %" in out  # 1 - 0.05^(1/500) = 0.597 %
    assert "Idle (idle), 36 s of running: 1000 revolutions at 1700 rpm" in out
    assert "(full-speed), 20 s of running: 1000 revolutions at 3000 rpm" in out


def good(name) -> dict:
    """A record that will do for a test of an ordinary machine."""
    record = plain(rated_rpm=3000.0, idle_rpm=1700.0)
    record["timeline"] = [{"kind": "run", "start_s": 2.0, "end_s": 45.0, "rpm": 3000.0}]
    if name == "cold-start":
        record["start"] = {"pulls": 1, "seconds_to_run": 1.2}
    if name == "idle":
        record["speed"] |= {"rpm": 1700.0, "rpm_low": 1695.0, "rpm_high": 1705.0}
    if name == "load-step":
        record["loads"] = [{"at_s": 10.0, "dip_percent": 8.0, "droop_percent": 4.0, "recovery_s": 1.0}]
    if name == "shut-down":
        record["stop"] = {"rundown_s": 2.0}
    return record


PROBLEM = {"code": "clipped", "text": "Overloaded.", "advice": "Back."}
SEQUENCE = ("cold-start", "idle", "full-speed", "load-step", "shut-down")
TOLD = ("--machine", "other", "--rated-rpm", "3000", "--idle-rpm", "1700")


@pytest.fixture
def clips(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in SEQUENCE:
        Path(f"{name}.json").write_text(json.dumps(good(name)), encoding="utf-8")
    return tmp_path


def test_the_sequence_from_first_to_last(capfd, clips):
    for number, name in enumerate(SEQUENCE):
        given = [f"{each}.json" for each in SEQUENCE[:number]]
        status, out, _ = called(capfd, "guide", *TOLD, *given)
        assert status == 0 and out.count("[+]") == number
        if number:
            assert f"{number + 1}.  " in out.split("Next")[1] and f"({name})" in out
    _, out, _ = called(capfd, "guide", *TOLD, *(f"{name}.json" for name in SEQUENCE))
    assert "all recordings are made" in out


def test_a_recording_named_for_its_test(capfd, clips):
    _, out, _ = called(capfd, "guide", *TOLD, "load-step=load-step.json")
    assert "[+] Load step" in out and "4 to go" in out and "(cold-start)" in out


@pytest.mark.parametrize(
    ("name", "spoil", "said"),
    [
        ("idle", lambda r: r["speed"].update(rpm=2900.0, rpm_low=2890.0, rpm_high=2910.0), "not at idle"),
        ("full-speed", lambda r: r["speed"].update(rpm=1800.0, rpm_low=1790.0, rpm_high=1810.0), "not at full speed"),
        ("full-speed", lambda r: r["timeline"][0].update(end_s=12.0), "10 s; 20 s (1000 revolutions)"),
        ("load-step", lambda r: r.update(loads=[]), "No load step"),
        ("shut-down", lambda r: r["stop"].update(rundown_s=None), "coming to rest"),
        ("cold-start", lambda r: r.update(start={"pulls": 0, "seconds_to_run": None}), "No pull"),
        ("idle", lambda r: r.update(engine_heard=False, timeline=[]), "No running engine"),
        (
            "idle",
            lambda r: r["quality"].update(usable=False, problems=[PROBLEM]),
            "Overloaded. Back.",
        ),
    ],
)
def test_a_recording_that_will_not_do_is_asked_for_again(capfd, clips, name, spoil, said):
    record = good(name)
    spoil(record)
    Path("bad.json").write_text(json.dumps(record), encoding="utf-8")
    status, out, _ = called(capfd, "guide", *TOLD, f"{name}=bad.json")
    nothing = not record["engine_heard"] or not record["quality"]["usable"]
    assert status == (3 if nothing else 0), "as of `check`"
    assert "[!]" in out and said in " ".join(out.split()) and "5 to go" in out


@pytest.mark.parametrize(
    ("told", "rpm", "said"),
    [
        # Usual values in machines.toml: four-strokes idle at 1250 to 2000 rpm, hand-held engines at 2500 to 3200; the
        # lowest top speed is a mower's, 2800.
        (("mower", "--strokes", "4"), 2999.0, "not at idle"),
        (("mower", "--strokes", "4"), 1850.0, "[+]"),
        (("pump", "--strokes", "4"), 2999.0, "not at idle"),
        (("saw", "--strokes", "2"), 2700.0, "[+]"),
        (("other", "--strokes", "4"), 2999.0, "not at idle"),
        (("other", "--strokes", "4"), 1500.0, "[+]"),
        (("other", "--strokes", "4"), 2400.0, "whether at idle cannot be told: tell its idle speed (--idle-rpm)"),
        (("other", "--strokes", "4", "--idle-rpm", "2400"), 2400.0, "[+]"),
    ],
)
def test_idle_is_told_by_the_machine_the_guide_was_told(capfd, clips, told, rpm, said):
    """A record that was made without telling anything of the machine: what is told to `guide` decides."""
    record = good("idle")
    record["engine"] |= {"machine": None, "rated_rpm": None, "idle_rpm": None, "assumed": [], "strokes": int(told[2])}
    record["speed"] |= {"rpm": rpm, "rpm_low": rpm - 3, "rpm_high": rpm + 3}
    Path("untold.json").write_text(json.dumps(record), encoding="utf-8")
    status, out, _ = called(capfd, "guide", "--machine", *told, "idle=untold.json")
    text = " ".join(out.split())
    assert status == 0 and said in text
    assert ("cannot be told" in text) == ("cannot be told" in said) and ("not at idle" in text) == ("not at" in said)


def test_a_speed_that_is_not_sure_is_not_taken_for_idle_in_silence(capfd, clips):
    record = good("idle")
    record["speed"] |= {"rpm": 2999.0, "rpm_low": 2990.0, "rpm_high": 3010.0, "confidence": 0.4}
    Path("unsure.json").write_text(json.dumps(record), encoding="utf-8")
    _, out, _ = called(capfd, "guide", *TOLD, "idle=unsure.json")
    assert "whether at idle cannot be told: its speed is not sure" in " ".join(out.split())


def test_a_start_that_failed_is_a_valid_cold_start(capfd, clips):
    Path("no.json").write_text(json.dumps(heard_with(["no_start"])[0].record), encoding="utf-8")
    status, out, _ = called(capfd, "guide", *TOLD, "no.json")
    assert status == 3 and "[+] Cold start" in out and "did not start" in out


def test_of_an_engine_that_does_not_start_no_run_is_asked_for(capfd, clips, monkeypatch):
    """ "Next: Idle. Warm, choke open, throttle let go" was asked of one that had only been pulled."""
    Path("no.json").write_text(json.dumps(heard_with(["no_start"])[0].record), encoding="utf-8")
    _, out, _ = called(capfd, "guide", *TOLD, "no.json")
    after = " ".join(out.split("Next")[1].split())
    assert "'enginelog advise' goes on" in after and "4 other recordings once it runs" in after and "Warm" not in after
    _, out, _ = called(capfd, "guide", *TOLD, "no.json", "full-speed=full-speed.json")
    assert "Idle (idle)" in out.split("Next")[1], "one that ran another time is asked for the rest"
    answers = iter(["no.json", "idle.json"])
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(answers))
    _, out, _ = called(capfd, "guide", *TOLD, "--ask")
    assert "[+] Idle" not in out and "once it runs" in out


def test_where_what_can_hurt_was_heard_no_other_recording_is_asked_for(capfd, clips, monkeypatch):
    """A saw at the speed at which its clutch takes up (3600 rpm by service data): 'record it longer'."""
    record = good("idle")
    record["engine"] |= {"machine": "saw", "strokes": 2, "rated_rpm": None, "idle_rpm": None}
    record["speed"] |= {"rpm": 3894.0, "rpm_low": 3890.0, "rpm_high": 3898.0}
    record["timeline"][0]["end_s"] = 12.0
    Path("creeps.json").write_text(json.dumps(record), encoding="utf-8")
    saw = ("--machine", "saw", "--strokes", "2")
    status, out, _ = called(capfd, "guide", *saw, "idle=creeps.json")
    judged, first = " ".join(out.split()).split("First ")
    assert status == 0 and judged.startswith("[!] Idle") and "record it longer" not in judged
    assert first.startswith("Chain or head may begin to move at idle. It must stand still: do not use it")
    assert "no other recording before that" in first and "to go" not in first and "Warm" not in first
    answers = iter(["stop"])
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(answers))
    _, out, _ = called(capfd, "guide", *saw, "--ask", "idle=creeps.json")
    assert next(answers) == "stop", "nothing was asked for"


def test_the_worst_recording_decides_the_status(capfd, clips):
    Path("no.json").write_text(json.dumps(heard_with(["no_start"])[0].record), encoding="utf-8")
    assert called(capfd, "guide", *TOLD, "no.json", "gone.wav", "full-speed=full-speed.json")[0] == 4
    assert called(capfd, "guide", *TOLD, "idle=gone.wav")[0] == 4
    assert called(capfd, "guide", *TOLD, "full-speed=full-speed.json", "idle=idle.json")[0] == 0


def test_a_run_at_no_one_speed_is_told_as_one_and_will_not_do(capfd, clips):
    """The speeds are sure: 'its speed is not sure, record it longer' sent whoever moved the throttle the wrong way."""
    record = good("idle")
    held = [{"rpm": rpm, "start_s": at_s, "end_s": at_s + 14.0, "confidence": 0.95}
            for rpm, at_s in ((1940.0, 2.0), (2890.0, 17.0), (1940.0, 32.0))]  # fmt: skip
    record["speed"] |= {"rpm": 1949.0, "rpm_low": 1940.0, "rpm_high": 1960.0, "changed": True, "held": held}
    record["speed"] |= {"range_low_rpm": 1900.0, "range_high_rpm": 2900.0}
    Path("moved.json").write_text(json.dumps(record), encoding="utf-8")
    _, out, err = called(capfd, "guide", *TOLD, "idle=moved.json")
    assert not err
    text = " ".join(out.split())
    assert "its speed changed: held about 1940, then 2890, then 1940 rpm" in text and "not sure" not in text
    assert "[!] Idle" in text and "It was not at idle throughout: leave throttle and load alone" in text
    assert "longer" not in text and "1949" not in text
    _, out, _ = called(capfd, "guide", *TOLD, "shut-down=moved.json")
    assert "throughout" not in out, "only where one speed is asked for"


def test_the_guide_asks_for_each_recording(capfd, clips, monkeypatch):
    answers = iter(["cold-start.json", "", "gone.json", "stop"])
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(answers))
    status, out, err = called(capfd, "guide", *TOLD, "--ask")
    assert status == 4 and "[+] Cold start" in out and "gone.json" in err and "4 to go" in out


def test_a_real_recording_is_analysed(capfd):
    """The demo's tiller, made up, 16 s at full speed: too short for 1000 revolutions at 3360 rpm and 20 s."""
    clip = str(TOP / "recordings_demo" / "tiller_marigold_after.m4a")
    told = ("--machine", "tiller", "--strokes", "4", "--cylinders", "1", "--rated-rpm", "3350")
    status, out, _ = called(capfd, "guide", *told, f"full-speed={clip}")
    assert (
        status == 0
        and "[!] Full speed without load" in out
        and "20 s (1000 revolutions) are needed" in " ".join(out.split())
    )


def test_labelled_rows():
    assert layout.rows("A", "", 40) == [] and layout.rows("", "text", 40, 0) == ["text"]
    assert layout.rows("Label", "x", 40) == ["Label       x"] and layout.page(["a"], [], ["b"]) == "a\n\nb\n"


def test_what_is_asked_first_says_where_it_is_told(capfd, tmp_path, monkeypatch):
    """`advise` itself has no --strokes: who is asked for the strokes is told which command takes them."""
    monkeypatch.chdir(tmp_path)
    Path("run.json").write_text(report.to_json(make_runs.hunting_pump()), encoding="utf-8")
    _, out, _ = called(capfd, "advise", "run.json")
    asked = " ".join(out.split("Ask first")[1].split("Causes")[0].split())
    assert "(--" in asked and "told with these options to 'check' or, of a machine on record, to 'machine'" in asked


@pytest.mark.skipif(not os.path.exists("/dev/zero"), reason="needs a file without end")
@pytest.mark.parametrize("name", ["/dev/zero", "-"])
def test_a_record_without_end_is_refused(monkeypatch, capfd, name):
    """It was read until the memory was full: such a file says that it is of no size."""
    monkeypatch.setattr(records, "MOST_BYTES", 100_000)
    with open("/dev/zero") as endless:
        monkeypatch.setattr(sys, "stdin", endless)
        assert main(["advise", name]) == 4
    assert "no run record" in capfd.readouterr().err
