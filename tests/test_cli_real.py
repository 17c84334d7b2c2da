"""`enginelog check` on real files: real decoding and real reports, and the whole program in a process of its own.

In the first part only the measuring between decoding and report is replaced, by a run made by hand, so that each case
is certain; in the second nothing is.
"""

import dataclasses
import importlib.metadata
import json
import os
import re
import signal
import subprocess
import sys
import time
import types
import wave
from pathlib import Path

import make_runs
import numpy as np
import pytest

import enginelog
from enginelog import media, model, report, synthesis
from enginelog.cli import console, main

DEMO = Path(__file__).resolve().parents[1] / "recordings_demo"


def read_only(path_or_stream, engine, name=None, progress=None, ran=False):
    """Read the recording to its end, then answer with the hand-made run of a healthy engine."""
    with media.open_recording(path_or_stream, name=name) as recording:
        for _ in recording.blocks():
            progress(0.5)
        return dataclasses.replace(make_runs.healthy_generator(), clip=recording.info, engine=engine)


@pytest.fixture
def call(monkeypatch, tmp_path, capfdbinary):
    """Run the command line in an empty folder; returns (exit status, standard output, standard error)."""
    module = types.ModuleType("enginelog.analysis")
    module.analyse = read_only
    monkeypatch.setitem(sys.modules, "enginelog.analysis", module)
    monkeypatch.setattr(enginelog, "analysis", module, raising=False)
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> tuple[int, str, str]:
        status = main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode("utf-8"), err.decode("utf-8")

    return run


def write_tone(path: str | Path, seconds: float = 1.0) -> None:
    moments = np.arange(int(8000 * seconds)) / 8000
    media.write(path, model.Clip(np.sin(2 * np.pi * 200 * moments).astype(np.float32) * 0.3, 8000))


def files() -> list[str]:
    return sorted(path.as_posix() for path in Path().rglob("*") if path.is_file())


# ---------------------------------------------------------------- real files, a run made by hand


def test_a_recording_gets_its_summary_and_its_report(call):
    write_tone("pump 1.wav")
    status, out, err = call("check", "pump 1.wav", "--strokes", "4", "--cylinders", "1", "--out", "r")
    assert (status, err) == (0, "")
    assert "pump 1.wav" in out and out.rstrip().endswith(f"Report: {Path('r/report.html')}")
    assert max(map(len, out.splitlines())) <= 80
    assert files() == [
        "pump 1.wav",
        *(f"r/{n}" for n in ["firing.csv", "report.html", "run.json", "speed.csv", "speed.png"]),
    ]


def test_json_is_the_run_record_of_the_specification(call):
    write_tone("clip.m4a")
    status, out, err = call("check", "clip.m4a", "--json", "--rated-rpm", "3600")
    assert (status, err) == (0, "")
    document = report.from_json(out)
    report.check(document)
    assert document["schema"] == "enginelog/run/1" and document["clip"]["codec"] == "aac"
    assert document["engine"]["rated_rpm"] == 3600 and document["engine"]["idle_rpm"] is None
    assert files() == ["clip.m4a"]


def test_a_second_report_replaces_the_first(call):
    write_tone("clip.wav")
    for _ in range(2):
        assert call("check", "clip.wav", "--json", "--out", "r/a")[0] == 0
    assert len(files()) == 6


BAD = {
    "empty.wav": b"",
    "notes.m4a": "Öl gewechselt\n".encode() * 30,
    "picture.mp4": b"\xff\xd8\xff\xe0" + bytes(100),
    "noise.mp3": bytes(range(256)) * 8,
    "head.wav": b"RIFF\x24\x00\x00\x00WAVEfmt ",
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_recording_is_one_line_and_status_4(call, name):
    Path(name).write_bytes(BAD[name])
    for arguments in ([], ["--json"], ["--out", "r"]):
        status, out, err = call("check", name, *arguments)
        assert (status, out) == (4, "")
        assert err.count("\n") == 1 and err.startswith(f"enginelog: {name}: ")
    assert files() == [name], "nothing is left half written"


def test_names_that_cannot_be_opened(call):
    Path("folder").mkdir()
    for name in ("missing.wav", "folder", "x" * 300 + ".wav", "folder/missing.wav", ""):
        status, out, err = call("check", name)
        assert (status, out, err.count("\n")) == (4, "", 1), name


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows none of these characters in names")
@pytest.mark.parametrize("name", ["-", "-x.wav", 'it\'s "x".wav', "芝刈り機.wav", "a\x1b[31m\nb.wav", "%s{0}.wav"])
def test_unusual_names(call, name):
    write_tone("plain.wav", 0.2)
    os.rename("plain.wav", name)
    status, out, _ = call("check", f"./{name}", "--json")
    shown = report.from_json(out)["clip"]["name"]
    assert status == 0 and shown.isprintable()
    assert shown == name or not name.isprintable()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows none of these characters in names")
def test_a_name_that_would_drive_the_terminal_is_made_harmless(call):
    write_tone("plain.wav", 0.2)
    os.rename("plain.wav", "a\x1b[31m\nb.wav")
    status, out, err = call("check", "a\x1b[31m\nb.wav")
    assert status == 0 and "\x1b" not in out + err
    assert any(path.endswith("/report.html") and "\x1b" not in path for path in files())


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows none of these characters in names")
@pytest.mark.parametrize("name", ["a\x1b[31m\nb.wav", "a\u200bb.wav", "a\u202eb.wav"])
def test_a_name_that_cannot_be_shown_has_one_spelling_and_stands_once(call, name):
    """It stood twice in a line, as the command and as the library spelt it."""
    write_tone("plain.wav", 0.2)
    shown = "".join(each if each.isprintable() else "\ufffd" for each in name)
    for content in (Path("plain.wav").read_bytes(), b"a text\n", b""):
        Path(name).write_bytes(content)
        _, out, err = call("check", name, "plain.wav")
        for line in (*out.splitlines(), *err.splitlines()):
            assert line.count("b.wav") <= 1 and ("b.wav" not in line or shown in line), line
        assert f"{shown} (" in out or f"enginelog: {shown}: " in err
        assert f" {shown}: " in out.split("All 2, in short:")[1]
    Path(name).unlink()
    assert call("check", name)[2].startswith(f"enginelog: {shown}: no such file")


def test_an_out_folder_that_cannot_be_made(call):
    write_tone("clip.wav", 0.2)
    Path("taken").write_text("a file")
    status, out, err = call("check", "clip.wav", "--out", "taken/r")
    assert status == 1 and "clip.wav" in out and err.count("\n") == 1 and "cannot be written" in err
    assert files() == ["clip.wav", "taken"]


# ---------------------------------------------------------------- the whole program

PROGRAM = [sys.executable, "-c", "import sys; from enginelog.cli import main; sys.exit(main())", "check"]


@pytest.fixture(scope="module")
def pump(tmp_path_factory) -> Path:
    """A made-up pump at an ordinary quality, eight seconds of it, as M4A."""
    path = tmp_path_factory.mktemp("clips") / "pump.m4a"
    clip, _ = synthesis.make(synthesis.random_scenario(11, kind="pump"))
    media.write(path, clip)
    return path


def program(*arguments, **options) -> subprocess.CompletedProcess:
    return subprocess.run([*PROGRAM, *map(str, arguments)], capture_output=True, **options)


def test_from_a_file_and_from_standard_input_the_same_is_heard(pump):
    named = program(pump, "--json", "--strokes", "4")
    piped = program("-", "--json", "--strokes", "4", input=pump.read_bytes())
    assert (named.returncode, named.stderr, piped.returncode, piped.stderr) == (0, b"", 0, b"")
    first, second = json.loads(named.stdout), json.loads(piped.stdout)
    report.check(first)
    assert first["clip"].pop("name") == "pump.m4a" and second["clip"].pop("name") == "standard input"
    first.pop("analysed_at"), second.pop("analysed_at")
    assert first == second and first["engine_heard"]


def test_sound_without_an_engine_is_status_3_with_its_record(tmp_path):
    clip = synthesis.make_other(5, "rain", 5.0)
    media.write(tmp_path / "rain.wav", clip)
    media.write(tmp_path / "nothing.wav", model.Clip(np.zeros(40_000, np.float32), 8000))
    media.write(tmp_path / "short.wav", model.Clip(clip.samples[: int(0.2 * clip.rate_hz)], clip.rate_hz))
    run = program(tmp_path, "--json")
    documents = json.loads(run.stdout)
    assert run.returncode == 3 and run.stderr.count(b"\n") == 3
    assert [document["engine_heard"] for document in documents] == [False] * 3


def _ctrl_c_heard():
    """A test run started in the background by a shell has Ctrl-C ignored, and would hand that down."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent otherwise there")
def test_ctrl_c_is_one_line_and_leaves_nothing(tmp_path):
    write_tone(tmp_path / "long.wav", 1200)
    process = subprocess.Popen(
        [*PROGRAM, "long.wav"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=_ctrl_c_heard,
    )
    time.sleep(6)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=90)
    assert (process.returncode, out, err.count(b"\n")) == (130, b"", 1), err
    assert err == b"enginelog: stopped; what was finished is kept, and nothing is half written\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["long.wav"]


# Ctrl-C at the moment a module is looked for, in a process that runs what the installed command or `-m` runs.
STOPPED_WHILE_LOADING = """
import os, runpy, sys
class Pressing:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), 2)  # SIGINT, without the module, which is one of those to come
sys.meta_path.insert(0, Pressing())
sys.argv = ["enginelog", "formats"]
{run}
"""
WAYS = {
    "command": "from enginelog.__main__ import main; sys.exit(main())",
    "module": "runpy.run_module('enginelog', run_name='__main__', alter_sys=True)",
}


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent otherwise there")
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("module", ["signal", "enginelog.cli", "numpy", "enginelog.model.job", "enginelog.cli.listen"])
def test_ctrl_c_while_it_loads_is_the_same_line(module, way):
    code = STOPPED_WHILE_LOADING.format(module=module, run=WAYS[way])
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60, preexec_fn=_ctrl_c_heard)
    assert (done.returncode, done.stdout) == (130, b"")
    assert done.stderr.decode() == f"enginelog: stopped; {console.STOPPED}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent otherwise there")
def test_ctrl_c_that_is_to_be_ignored_is_ignored_while_it_loads():
    """As of a command that a shell runs in the background (POSIX.1-2017, XCU 2.11)."""
    code = STOPPED_WHILE_LOADING.format(module="numpy", run=WAYS["command"])
    ignored = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60,
                             preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_IGN))  # fmt: skip
    assert (ignored.returncode, ignored.stderr) == (0, b"") and b"wav" in ignored.stdout


def test_the_installed_command_is_the_one_that_hears_ctrl_c():
    (entry,) = importlib.metadata.entry_points(group="console_scripts", name="enginelog")
    assert entry.value == "enginelog.__main__:main"


def test_of_several_the_answers_stand_once_more_in_short(tmp_path, monkeypatch, capfd):
    """Thirty clips of a folder scroll by; the end says which of them want attention. Real analysis and texts."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(5)
    for name in ("a.wav", "b.wav"):
        with wave.open(name, "wb") as file:
            file.setparams((1, 2, 16000, 0, "NONE", ""))
            file.writeframes((1000 * rng.standard_normal(8 * 16000)).astype("<i2").tobytes())
    Path("c.wav").write_bytes(b"milk, plugs, oil")
    assert main(["check", "."]) == 4
    end = capfd.readouterr().out.split("All 3, in short:\n")[1]
    marks = re.findall(r"^(\[.\]) (\w)\.wav: ", end, re.MULTILINE)
    assert [name for _, name in marks] == ["a", "b", "c"] and marks[2][0] == "[-]" and "Could not be read" in end
    assert "Please record again" not in end and max(map(len, end.splitlines())) <= 80
    assert main(["check", "a.wav"]) == 3 and "in short" not in capfd.readouterr().out


def test_a_constant_level_is_called_silence_and_no_hum(tmp_path, monkeypatch, capfd):
    """Its beat is perfect at any speed, and its one line stands at 0 Hz."""
    monkeypatch.chdir(tmp_path)
    with wave.open("input.wav", "wb") as file:
        file.setparams((1, 2, 16000, 0, "NONE", ""))
        file.writeframes(np.full(8 * 16000, 9830, "<i2").tobytes())
    assert main(["check", "input.wav", "--out", "report"]) == 3
    out, err = capfd.readouterr()
    assert "silent: a constant level" in " ".join(out.split()) and "silent: a constant level" in err
    assert "hum" not in out and "Tones" not in out and "beat" not in out


def test_a_recording_of_pulls_alone_is_not_called_nothing(tmp_path, monkeypatch, capfd):
    """It is a finding, and a valid 'before': status 3 as there is no running engine, but not 'nothing to analyse'."""
    monkeypatch.chdir(tmp_path)
    assert main(["check", str(DEMO / "mower_clover_only_pulled.m4a"), "--strokes", "4", "--cylinders", "1"]) == 3
    out, err = capfd.readouterr()
    assert "The starter was pulled" in out
    assert "no engine to measure: 4 pulls" in err and "nothing to analyse" not in err
