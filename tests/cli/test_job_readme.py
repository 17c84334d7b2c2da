"""The README's worked example of the job record, run from take-in to the end with nothing replaced.

Each command of the `console` blocks in the section "The job record" is run as it stands, in order, and must print what
the README shows. Measured figures may move a little when the measuring changes, without the README being wrong;
`scripts/readme_example.py` compares exactly, and with `--write` renews them.
"""

import importlib.util
import re
import sys
from pathlib import Path

import pytest

from enginelog.cli import main

TOP = Path(__file__).resolve().parents[2]
FIGURES_WITHIN = 0.15


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
    fits = example.fits
    assert fits("a\n...\nb\n", "a\nx\ny\nb\n") and fits("a b\n", "a\nb\n") and fits("...\n", "") and fits("", "")
    assert not fits("a\n...\nb\n", "a\nx\n") and not fits("a\n", "a\nb\n") and not fits("a\n...\na\n", "a\n")
    assert fits("3362 rpm (7.3 to 13)", "3355 rpm (7.9 to 13)", 0.15) and not fits("3362 rpm", "3355 rpm")
    assert not fits("Job 1:", "Job 2:", 0.15) and not fits("3362 rpm", "1681 rpm", 0.15) and not fits("5", "x", 0.15)
    assert example.renewed("a\n...\nb\n", "c\nd\ne\nf\n") == "c\n...\nf\n" and example.renewed("a\n", "b\n") == "b\n"


@pytest.fixture
def here(tmp_path, monkeypatch):
    """A folder of its own with the demo recordings in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    try:
        Path("recordings_demo").symlink_to(TOP / "recordings_demo")
    except OSError:
        pytest.skip("no symbolic links here")


def test_the_python_example_runs(here, capfd):
    (code,) = re.findall(r"```python\n(.*?)```", (TOP / "README.md").read_text("utf-8"), re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    assert "Suggestion only" in capfd.readouterr().out and Path("shed.enginelog").is_file()


def test_the_worked_example_does_what_the_readme_says(example, here, capfd):
    calls = example.calls((TOP / "README.md").read_text("utf-8"))
    assert len(calls) > 10 and calls[0].words[:2] == ("enginelog", "take-in")
    for call in calls:
        assert call.words[0] == "enginelog"
        assert main(list(call.words[1:])) == 0, call.written
        assert example.fits(call.shown, capfd.readouterr().out, FIGURES_WITHIN), call.written
