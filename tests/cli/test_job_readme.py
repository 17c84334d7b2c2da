"""The README's worked example of the job record, run from take-in to the end with nothing replaced.

Each command of the `console` blocks in the section "The job record" is run as it stands, in order, and must print what
the README shows; `scripts/readme_example.py --write` renews it.
"""

import importlib.util
import sys
from pathlib import Path

import pytest

from enginelog.cli import main

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def example():
    sys.path.insert(0, str(TOP / "scripts"))
    try:
        spec = importlib.util.spec_from_file_location("readme_example", TOP / "scripts" / "readme_example.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules[spec.name] = module
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(TOP / "scripts"))
    return module


def test_shown_and_printed_are_told_apart(example):
    assert example.fits("a\n...\nb\n", "a\nx\ny\nb\n") and example.fits("a\n", "a\n") and example.fits("...\n", "")
    assert not example.fits("a\n...\nb\n", "a\nx\n") and not example.fits("a\n", "a\nb\n")
    assert example.renewed("a\n...\nb\n", "c\nd\ne\nf\n") == "c\n...\nf\n" and example.renewed("a\n", "b\n") == "b\n"


def test_the_worked_example_does_what_the_readme_says(example, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    try:
        Path("recordings_demo").symlink_to(TOP / "recordings_demo")
    except OSError:
        pytest.skip("no symbolic links here")
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    calls = example.calls((TOP / "README.md").read_text("utf-8"))
    assert len(calls) > 10 and calls[0].words[:2] == ("enginelog", "take-in")
    for call in calls:
        assert call.words[0] == "enginelog"
        assert main(list(call.words[1:])) == 0, call.written
        assert example.fits(call.shown, capfd.readouterr().out), call.written
