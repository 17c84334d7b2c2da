"""`enginelog check`: which recordings it reads, what it prints, where reports go, and its exit statuses.

The library behind it is a small fake here that answers by the file's content, so that each case is certain; the real
one is run in test_cli_real.py. The exit statuses 0, 2, 3 and 4 are the design's; 130 and 141 are 128 + the signal's
number, as POSIX shells report a command ended by SIGINT or SIGPIPE (POSIX.1-2017, XCU 2.8.2).
"""

import hashlib
import io
import json
import os
import sys
import types
from pathlib import Path

import numpy as np
import pytest

import enginelog
from enginelog import model
from enginelog.cli import clips, main
from enginelog.cli.formats import ENDINGS

NOTHING = np.zeros(0)


def made_run(name: str, data: bytes, engine: model.Engine) -> model.Run:
    """A run as the library would return it: `quiet` holds no engine, `poor` is unusable, all else ran."""
    quality = model.Quality(True, 20.0, 0.0, None)
    if data == b"poor":
        quality = model.Quality(False, 1.0, 40.0, None, (model.Problem("clipped", "too loud", "step back"),))
    heard = data not in (b"quiet", b"poor")
    return model.Run(
        program_version="0",
        analysed_at="2026-01-01T00:00:00Z",
        clip=model.ClipInfo(name, hashlib.sha256(data).hexdigest(), 1.0, 8000, 1, "pcm"),
        engine=engine,
        quality=quality,
        timeline=model.Timeline(heard, 1.0, (), reason=None if heard else "only rain was heard"),
        track=model.Track(NOTHING, NOTHING, NOTHING, NOTHING),
        firings=model.Firings(*[NOTHING] * 8),
        measures=model.Measures(
            model.Speed(None, None, None, None, 0.0),
            model.FiringSummary(0, None, None, None, None, None, None, None),
            model.Hunting(None),
            model.Settling(None),
            (),
            (),
        ),
    )


class FakeLibrary:
    """Stands in for `enginelog.analysis` and `enginelog.report`; keeps what it was given."""

    def __init__(self):
        self.engines: list[model.Engine] = []
        self.names: list[str | None] = []
        self.ran: list[bool] = []
        self.write_error: Exception | None = None

    def analyse(self, path_or_stream, engine, name=None, progress=None, ran=False):
        self.engines.append(engine)
        self.names.append(name)
        self.ran.append(ran)
        assert path_or_stream != "-", "the library takes this for standard input"
        shown = name or Path(path_or_stream).name
        data = path_or_stream.read() if name else self._content(Path(path_or_stream))
        for share in (0.0, 0.5, 1.0):
            progress(share)
        failures = {
            b"": model.UnreadableError("the file is empty; record again"),
            b"usage": model.UsageError("contradicting"),
            b"crash": ZeroDivisionError("division by zero"),
            b"stop": KeyboardInterrupt(),
            b"disk": OSError(5, "Input/output error"),
        }
        if data in failures:
            raise failures[data]
        return made_run(shown, data, engine)

    @staticmethod
    def _content(path: Path) -> bytes:
        if not path.exists():
            raise model.UnreadableError(f"{path}: no such file")
        return path.read_bytes()

    def to_json(self, run):
        return json.dumps({"name": run.clip.name, "heard": run.timeline.engine_heard}, ensure_ascii=False) + "\n"

    def summary_text(self, run, width):
        assert width == 80
        return f"summary of {run.clip.name}\n"

    def answer(self, run):
        return types.SimpleNamespace(label="[+]", text=f"answer of {run.clip.name}")

    def write_folder(self, run, folder):
        if self.write_error:
            raise self.write_error
        Path(folder).mkdir(parents=True, exist_ok=True)
        page = Path(folder) / "report.html"
        page.write_text(run.clip.name, encoding="utf-8", errors="replace")
        return types.SimpleNamespace(report_html=page)


@pytest.fixture
def library(monkeypatch):
    monkeypatch.delenv("ENGINELOG_DEBUG", raising=False)
    fake = FakeLibrary()
    of_report = ["to_json", "summary_text", "answer", "write_folder"]
    for name, functions in (("analysis", ["analyse"]), ("report", of_report)):
        module = types.ModuleType(f"enginelog.{name}")
        module.__dict__.update({function: getattr(fake, function) for function in functions})
        monkeypatch.setitem(sys.modules, module.__name__, module)
        monkeypatch.setattr(enginelog, name, module, raising=False)
    return fake


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty current directory."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def call(library, here, capfdbinary):
    """Run the command line; returns (exit status, standard output, standard error)."""

    def run(*arguments: str) -> tuple[int, str, str]:
        status = main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode("utf-8"), err.decode("utf-8")

    return run


def one_line(text: str) -> bool:
    return text.count("\n") == 1 and text.endswith("\n") and text.startswith("enginelog: ")


def made(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


# ---------------------------------------------------------------- one recording


def test_one_recording_is_summed_up_and_reported_in_a_folder_of_its_own(call, here):
    (here / "pump.m4a").write_bytes(b"engine")
    digest = hashlib.sha256(b"engine").hexdigest()[:8]
    status, out, err = call("check", "pump.m4a", "--firing-angles", "0", "--strokes", "4")
    folder = Path("enginelog-reports") / f"pump-{digest}"
    assert (status, err) == (0, "")
    assert out == f"summary of pump.m4a\nReport: {folder / 'report.html'}\n"
    assert made(here) == [f"enginelog-reports/pump-{digest}/report.html", "pump.m4a"]


def test_out_is_the_folder_itself_for_one_recording(call, here):
    (here / "pump.m4a").write_bytes(b"engine")
    status, out, _ = call("check", "pump.m4a", "--out", "job 7/pump")
    assert status == 0 and out.endswith(f"Report: {Path('job 7/pump/report.html')}\n")
    assert made(here) == ["job 7/pump/report.html", "pump.m4a"]


def test_json_is_one_document_and_writes_nothing(call, here):
    (here / "pump.m4a").write_bytes(b"engine")
    status, out, err = call("check", "pump.m4a", "--json")
    assert (status, err) == (0, "")
    assert json.loads(out) == {"name": "pump.m4a", "heard": True}
    assert made(here) == ["pump.m4a"]


def test_json_with_out_writes_the_report_too(call, here):
    (here / "pump.m4a").write_bytes(b"engine")
    status, out, err = call("check", "pump.m4a", "--json", "--out", "r")
    assert (status, err) == (0, "") and json.loads(out)["heard"]
    assert made(here) == ["pump.m4a", "r/report.html"]


def test_the_word_that_an_engine_ran_is_handed_on(library, call, here):
    Path("quiet.wav").write_bytes(b"quiet")
    status, _, err = call("check", "quiet.wav")
    assert status == 3 and err.rstrip().endswith("only rain was heard; if an engine did run, add --ran")
    assert "--ran" not in call("check", "quiet.wav", "--ran")[2]
    assert library.ran == [False, True]


@pytest.mark.parametrize(
    ("content", "reason"), [(b"quiet", f"only rain was heard; {clips.ADD_RAN}"), (b"poor", "too loud")]
)
def test_nothing_to_analyse_is_status_3_and_still_printed(call, here, content, reason):
    (here / "clip.wav").write_bytes(content)
    status, out, err = call("check", "clip.wav")
    assert status == 3 and "summary of clip.wav" in out and "Report: " in out
    assert err == f"enginelog: clip.wav: nothing to analyse: {reason}\n"
    status, out, err = call("check", "clip.wav", "--json")
    assert status == 3 and json.loads(out)["heard"] is False and one_line(err)


def test_the_engine_told_reaches_the_library(call, here, library):
    (here / "twin.wav").write_bytes(b"engine")
    layout = ["--strokes", "4", "--cylinders", "2", "--firing-angles", "0,270"]
    speeds = ["--rated-rpm", "3600", "--idle-rpm", "1750"]
    rest = ["--machine", "Mower-Twin", "--blade-length-mm", "530", "--poles", "2"]
    call("check", "twin.wav", *layout, *speeds, *rest)
    assert library.engines == [
        model.Engine(4, 2, (0.0, 270.0), 3600.0, 1750.0, "mower twin", 530.0, 2, assumed=()),
    ]


# ---------------------------------------------------------------- several


@pytest.fixture
def shed(here):
    """A folder with recordings, other things, hidden files and a sub-folder."""
    folder = here / "shed"
    (folder / "older").mkdir(parents=True)
    for name in ("b.WAV", "a.m4a", "notes.txt", ".hidden.wav", "._a.m4a", "older/c.wav"):
        (folder / name).write_bytes(b"engine")
    (folder / "d.wav").mkdir()
    return folder


def test_a_folder_means_the_recordings_directly_in_it_sorted(call, shed):
    status, out, _ = call("check", "shed", "--json")
    assert status == 0
    assert [document["name"] for document in json.loads(out)] == ["a.m4a", "b.WAV"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize("linked", [False, True])
def test_a_pipe_in_a_folder_is_named_and_not_waited_for(call, shed, linked):
    """Opening a named pipe to read waits for a writer (POSIX, open): for ever, where there is none."""
    os.mkfifo(shed / ("pipe" if linked else "c.wav"))
    if linked:
        (shed / "c.wav").symlink_to("pipe")
    status, out, err = call("check", str(shed))
    assert status == 4 and "c.wav: could not be read: it is no plain file" in err
    assert "[-] c.wav: Could not be read." in out and "summary of a.m4a" in out


def test_several_get_a_folder_each_inside_out(call, here, shed):
    (here / "x.flac").write_bytes(b"other")
    status, out, err = call("check", "x.flac", "shed", "--out", "r")
    assert (status, err) == (0, "")
    assert [line for line in out.splitlines() if line.startswith("summary")] == [
        "summary of x.flac",
        "summary of a.m4a",
        "summary of b.WAV",
    ]
    assert sorted(path.name[:-9] for path in (here / "r").iterdir()) == ["a", "b", "x"]


def test_a_folder_with_one_recording_is_still_an_array(call, here):
    (here / "shed").mkdir()
    (here / "shed" / "a.wav").write_bytes(b"engine")
    assert len(json.loads(call("check", "shed", "--json")[1])) == 1


@pytest.mark.parametrize(
    ("contents", "expected"),
    [
        ((b"engine", b"engine"), 0),
        ((b"engine", b"quiet"), 3),
        ((b"", b"engine"), 4),
        ((b"quiet", b"", b"engine"), 4),
        ((b"", b"quiet"), 4),
    ],
)
def test_of_several_the_highest_status_counts_and_all_readable_are_printed(call, here, contents, expected):
    names = [f"{index}.wav" for index in range(len(contents))]
    for name, content in zip(names, contents, strict=True):
        (here / name).write_bytes(content)
    status, out, err = call("check", *names, "--json")
    readable = [name for name, content in zip(names, contents, strict=True) if content]
    assert status == expected
    assert [document["name"] for document in json.loads(out)] == readable
    assert err.count("\n") == sum(content in (b"", b"quiet") for content in contents)


def test_none_of_several_readable_is_an_empty_array(call):
    status, out, err = call("check", "no.wav", "nor.wav", "--json")
    assert (status, json.loads(out), err.count("\n")) == (4, [], 2)


def test_a_folder_without_recordings_is_said(call, here):
    (here / "empty").mkdir()
    status, out, err = call("check", "empty")
    assert (status, out) == (4, "") and one_line(err) and "no recordings" in err


@pytest.mark.parametrize("ending", sorted(ENDINGS))
def test_every_ending_is_found_in_a_folder(here, ending):
    (here / f"clip{ending.upper()}").touch()
    assert [source.name for source in clips.sources(".")] == [f"clip{ending.upper()}"]


# ---------------------------------------------------------------- standard input


def test_standard_input(call, library, monkeypatch, here):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"engine")))
    status, out, _ = call("check", "-", "--json")
    assert status == 0 and json.loads(out) == {"name": "standard input", "heard": True}
    assert library.names == ["standard input"]


def test_standard_input_twice_is_refused(call):
    status, out, err = call("check", "-", "-")
    assert (status, out) == (2, "") and one_line(err) and "twice" in err


@pytest.mark.parametrize("stdin", [None, types.SimpleNamespace(isatty=lambda: True)])
def test_standard_input_at_a_terminal_is_refused(call, monkeypatch, stdin):
    monkeypatch.setattr(sys, "stdin", stdin)
    status, out, err = call("check", "-")
    assert (status, out) == (2, "") and one_line(err) and "piped" in err


# ---------------------------------------------------------------- what goes wrong


@pytest.mark.parametrize(
    ("content", "expected", "text"),
    [
        (b"", 4, "clip.wav: the file is empty"),
        (b"disk", 4, "clip.wav: cannot be read: Input/output error"),
        (b"usage", 2, "contradicting"),
        (b"crash", 1, "ZeroDivisionError: division by zero at test_cli.py:"),
        (b"stop", 130, "stopped"),
    ],
)
def test_failures_are_one_line_and_a_status(call, here, content, expected, text):
    (here / "clip.wav").write_bytes(content)
    for arguments in ([], ["--json"]):
        status, out, err = call("check", "clip.wav", *arguments)
        assert (status, out) == (expected, "") and one_line(err) and text in err
    assert made(here) == ["clip.wav"]


def test_no_such_file(call):
    status, out, err = call("check", "missing.wav")
    assert (status, out, err) == (4, "", "enginelog: missing.wav: no such file\n")


def test_the_trace_is_shown_only_when_asked_for(call, here, monkeypatch):
    (here / "clip.wav").write_bytes(b"crash")
    monkeypatch.setenv("ENGINELOG_DEBUG", "1")
    status, _, err = call("check", "clip.wav")
    assert status == 1 and "Traceback" in err and "please report" in err.lower()


def test_a_report_that_cannot_be_written_does_not_take_the_summary_away(call, here, library):
    (here / "clip.wav").write_bytes(b"engine")
    library.write_error = OSError(28, "No space left on device")
    status, out, err = call("check", "clip.wav", "--out", "r")
    assert status == 1 and out == "summary of clip.wav\n" and one_line(err) and "No space left" in err


def test_a_file_open_elsewhere_is_thought_of_where_writing_is_not_allowed(library, call):
    """Windows does not let a file be replaced while another program has it open: error 32 is a PermissionError."""
    library.write_error = PermissionError(13, "Permission denied")
    Path("clip.wav").write_bytes(b"engine")
    status, _, err = call("check", "clip.wav")
    assert status == 1 and one_line(err) and "open in another program" in err
    library.write_error = OSError(28, "No space left on device")
    assert "open in another program" not in call("check", "clip.wav")[2]


def test_out_that_is_a_file_is_refused_before_any_work(call, here, library):
    (here / "clip.wav").write_bytes(b"engine")
    status, out, err = call("check", "clip.wav", "--out", "clip.wav")
    assert (status, out) == (2, "") and one_line(err) and "--out" in err
    assert not library.engines


@pytest.mark.parametrize(
    "arguments",
    [
        ["check"],
        ["chekc", "clip.wav"],
        ["check", "clip.wav", "--strokes", "3"],
        ["check", "clip.wav", "--strokes"],
        ["check", "clip.wav", "--no-such"],
        ["check", "clip.wav", "--machine", "spaceship"],
    ],
)
def test_wrong_usage_is_one_line_and_status_2(call, arguments):
    status, out, err = call(*arguments)
    assert (status, out) == (2, "") and one_line(err) and "--help" in err


def test_called_with_nothing_it_shows_the_help(call):
    status, out, err = call()
    assert (status, out) == (2, "") and err.startswith("Usage: enginelog")


def test_version_and_help(call):
    assert call("--version") == (0, f"enginelog {enginelog.__version__}\n", "")
    status, out, _ = call("check", "--help")
    assert status == 0 and out.isascii() and "Exit status" in out


def test_the_help_names_each_command_once_with_its_whole_sentence(call):
    from enginelog.cli.main import commands
    from enginelog.cli.overview import GROUPS

    named = [name for _, names in GROUPS for name in names]
    assert sorted(named) == sorted(commands.commands), "each command belongs to one group"
    _, out, _ = call("--help")
    assert "..." not in out.split("ARGS]...")[1] and "Start with: enginelog check CLIP" in out and "Other" not in out
    assert out.index("take-in") < out.index("attach") < out.index("hand-back"), "a job in its order"
    assert max(map(len, out.splitlines())) <= 100


# ---------------------------------------------------------------- names


@pytest.mark.parametrize("name", ["-clip.wav", "--json", "-"])
def test_names_with_a_leading_dash(call, here, library, name):
    (here / name).write_bytes(b"engine")
    assert call("check", f"./{name}", "--json") == (0, json.dumps({"name": name, "heard": True}) + "\n", "")
    if name != "-":
        assert call("check", "--json", "--", name)[0] == 0


def test_a_leading_dash_taken_for_an_option_is_explained(call, here):
    (here / "-clip.wav").write_bytes(b"engine")
    status, _, err = call("check", "-clip.wav")
    assert status == 2 and one_line(err) and "./-clip.wav" in err


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows none of these characters in names")
@pytest.mark.parametrize(
    "name", ["a b.wav", 'it\'s "x".wav', "Fräse Москва 芝刈り機.wav", "x\x1b[31m\ny.wav", "ev\u202eil.wav"]
)
@pytest.mark.parametrize("content", [b"engine", b"quiet", b""])
def test_unusual_names(call, here, name, content):
    (here / name).write_bytes(content)
    status, out, err = call("check", name)
    assert status == {b"engine": 0, b"quiet": 3, b"": 4}[content]
    raw = set("\x1b\u202e")
    assert not raw & set(out + err)
    assert content == b"engine" or one_line(err)
    status, out, _ = call("check", name, "--json")
    assert not raw & set(out)
    assert not content or json.loads(out)["name"] == name


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps names that are no valid UTF-8")
def test_a_name_that_is_no_valid_utf8(call, here):
    name = b"caf\xe9.wav".decode("utf-8", "surrogateescape")
    (here / name).write_bytes(b"engine")
    assert "caf\\udce9.wav" in call("check", name)[1]
    assert json.loads(call("check", name, "--json")[1])["name"] == name


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("pump.m4a", "pump"),
        ("Fräse 芝刈り機.wav", "Fräse 芝刈り機"),
        ("two.parts.wav", "two.parts"),
        ("con.wav", "_con"),  # device names: Windows naming rules, "Naming Files, Paths, and Namespaces"
        ("LPT1.x.wav", "_LPT1.x"),
        ("..wav", "clip"),
        ("-x.wav", "x"),
        ('a<b>:"c|?*.wav', "a_b_c_"),
        ("a\x1b[31m\u202e.wav", "a_[31m_"),
        ("x" * 300 + ".wav", "x" * 40),
    ],
)
def test_folders_of_reports_have_names_every_system_takes(name, stem):
    clip = model.ClipInfo(name, "0123456789abcdef", 1.0, 8000, 1, "pcm")
    assert clips.report_folder(clip, None, False) == Path("enginelog-reports") / f"{stem}-01234567"


def test_a_report_folder_has_a_name_that_this_file_system_can_hold(monkeypatch):
    """Where names are plain ASCII a clip called otherwise was a fault of the program, and ended the whole call."""
    monkeypatch.setattr("os.fsencode", lambda name: name.encode("ascii", "surrogateescape"))
    clip = model.ClipInfo("M\u00e4her \ufffd1.wav", "0123456789", 1.0, 48000, 1, "pcm")
    assert clips.report_folder(clip, None, False) == Path("enginelog-reports") / "M_her _1-01234567"


@pytest.mark.parametrize("name", ["", "  ", "--json", "--out"])
@pytest.mark.parametrize("command", [("check", "clip.wav"), ("report", "1"), ("hand-back", "1"), ("listen",)])
def test_a_place_to_write_to_has_a_name_of_its_own(tmp_path, monkeypatch, capfd, command, name):
    """'' wrote into the current folder; a folder '--out' was made where the name had been forgotten."""
    monkeypatch.chdir(tmp_path)
    assert main([*command, "--out", name]) == 2
    out, err = capfd.readouterr()
    assert not out and len(err.splitlines()) == 1 and "'--out'" in err and "expected" in err
    assert not list(tmp_path.iterdir())
