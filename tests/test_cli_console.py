"""What reaches the terminal: safe for any name, in any encoding, for readers that go away; and the progress bar."""

import io
import json
import os
import subprocess
import sys

import pytest

from enginelog.cli import console

CALL = "import sys; from enginelog.cli import main; sys.exit(main({!r}))"


class Terminal(io.StringIO):
    """Standard error that says it is a terminal."""

    def isatty(self):
        return True


def narrow(monkeypatch, name: str, encoding: str) -> io.BytesIO:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, name, io.TextIOWrapper(raw, encoding=encoding, newline="\n"))
    return raw


def test_safe_text_keeps_letters_of_all_scripts_and_shows_what_drives_terminals():
    text = "Fräse Москва 芝刈り機 ½ ±\tµ\n"
    assert console.safe_text(text) == text
    assert console.safe_text("a\x1b[2J\x9b\u202eb\r\x07") == "a\\x1b[2J\\x9b\\u202eb\\x0d\\x07"
    assert console.safe_line(" a\nb\tc ") == "a b c"
    assert console.safe_name("a\nb") == "a\\x0ab"


def test_safe_json_means_the_same():
    document = {"name": "a\x9b\u202e\u2028\x7f\udce9 é"}
    text = console.safe_json(json.dumps(document, ensure_ascii=False))
    assert not set("\x9b\u202e\u2028\x7f\udce9") & set(text)
    assert json.loads(text) == document


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii", "utf-8"])
def test_text_on_narrow_terminals(monkeypatch, encoding):
    out, err = narrow(monkeypatch, "stdout", encoding), narrow(monkeypatch, "stderr", encoding)
    console.show("3000 ± 5 rpm → 芝刈り機")
    console.error("芝刈り機.wav: no such file")
    assert out.getvalue().decode(encoding).startswith("3000 ") and out.getvalue().endswith(b"\n")
    assert err.getvalue().decode(encoding).endswith(": no such file\n")
    assert (b"?" in out.getvalue()) == (encoding != "utf-8")


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "cp850", "ascii"])
def test_a_difference_keeps_its_sign_where_the_code_page_has_no_minus(monkeypatch, encoding):
    """Python's own tables of these code pages: none of them has U+2212."""
    out = narrow(monkeypatch, "stdout", encoding)
    console.show("difference \u221213.7 to \u22126 points; 2 \u00d7 fuel; 21\u00a0s")
    assert out.getvalue().decode(encoding).replace("\u00d7", "x").replace("\u00a0", " ") == (
        "difference -13.7 to -6 points; 2 x fuel; 21 s\n"
    )


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "utf-16"])
def test_json_is_utf8_whatever_the_terminal(monkeypatch, encoding):
    # RFC 8259, section 8.1: JSON text exchanged between systems is UTF-8, without a byte order mark.
    out = narrow(monkeypatch, "stdout", encoding)
    console.show_json('{"name":"芝刈り機"}')
    assert out.getvalue() == '{"name":"芝刈り機"}\n'.encode()


def test_no_bar_where_standard_error_is_no_terminal(monkeypatch):
    errors = io.StringIO()
    monkeypatch.setattr(sys, "stderr", errors)
    with console.progress("clip.wav", after_s=0.0) as tell:
        tell(0.5)
    assert errors.getvalue() == ""


def test_no_bar_for_short_work(monkeypatch):
    errors = Terminal()
    monkeypatch.setattr(sys, "stderr", errors)
    with console.progress("clip.wav", after_s=60.0) as tell:
        tell(0.5)
    assert errors.getvalue() == ""


def test_a_bar_for_long_work_at_a_terminal(monkeypatch, capsys):
    errors = Terminal()
    monkeypatch.setattr(sys, "stderr", errors)
    monkeypatch.setenv("TERM", "xterm")
    with console.progress("clip [b]1[/b]\x1b[5m.wav", after_s=0.0) as tell:
        for share in (0.0, 0.5, 2.0):
            tell(share)
    assert "clip [b]1[/b]\\x1b[5m.wav" in errors.getvalue() and "100%" in errors.getvalue()
    assert capsys.readouterr().out == ""


def started(arguments: list[str], **options) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-c", CALL.format(arguments)], stderr=subprocess.PIPE, **options)


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX pipes")
@pytest.mark.parametrize("arguments", [["formats"], ["--help"], ["--version"], ["check", "--help"]])
def test_a_reader_that_goes_away_is_met_quietly(arguments):
    read, write = os.pipe()
    os.close(read)
    process = started(arguments, stdout=write)
    os.close(write)
    assert (process.communicate()[1], process.returncode) == (b"", 141)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize("arguments", [["formats"], ["--help"], ["--version"], ["check", "--help"]])
def test_a_full_disk_is_one_line(arguments):
    with open("/dev/full", "wb") as full:
        process = started(arguments, stdout=full)
        error = process.communicate()[1].decode()
    assert process.returncode == 1 and error.count("\n") == 1 and "cannot write to standard output" in error


def test_without_output_or_errors_nothing_is_written_and_all_else_goes_on(monkeypatch, capsys):
    """Closed by whoever called, or a program without a console: Python has None there, on which it failed."""
    monkeypatch.setattr(sys, "stderr", None)
    console.note("a")
    console.error("b", "c")
    with console.progress("clip.wav", after_s=0.0) as tell:
        tell(0.5)
    console.show("shown")
    assert capsys.readouterr().out == "shown\n"
    monkeypatch.setattr(sys, "stdout", None)
    console.show("d")
    console.show_json("{}")
    assert not console.at_terminal() and console.width() == 80


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")
@pytest.mark.parametrize(("closed", "given", "status"), [
    (">&-", "formats", 0), ("2>&-", "formats", 0), ("<&- >&- 2>&-", "formats", 0), (">&- 2>&-", "check no-such.wav", 4),
])  # fmt: skip
def test_the_status_is_the_same_with_output_or_errors_closed(tmp_path, closed, given, status):
    call = f'exec "$0" -m enginelog {given} {closed}'
    done = subprocess.run(["sh", "-c", call, sys.executable], capture_output=True, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (status, b"")
    assert (b"wav" in done.stdout) == (closed == "2>&-")


def test_output_in_a_code_page_of_windows():
    process = started(["formats"], stdout=subprocess.PIPE, env={**os.environ, "PYTHONIOENCODING": "cp437"})
    out, err = process.communicate()
    assert (process.returncode, err) == (0, b"") and b".m4a" in out
