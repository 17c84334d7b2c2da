"""The scripts that set up, demonstrate and test: their own small decisions. That they work, running them shows."""

import ast
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
SCRIPTS = TOP / "scripts"
STANDARD_ONLY = ("demo.py", "environment.py", "test.py")


@pytest.fixture
def script(monkeypatch):
    """Load a script as a module under another name (`test` is a package of Python's own)."""
    monkeypatch.syspath_prepend(str(SCRIPTS))

    def load(name: str):
        spec = importlib.util.spec_from_file_location(f"script_{name}", SCRIPTS / f"{name}.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    return load


@pytest.mark.parametrize("name", STANDARD_ONLY)
def test_they_need_nothing_installed(name):
    tree = ast.parse((SCRIPTS / name).read_text(encoding="utf-8"))
    imports = [node for node in ast.walk(tree) if isinstance(node, (ast.Import, ast.ImportFrom))]
    names = {alias.name for node in imports if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in imports if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names | {"environment"}


@pytest.mark.parametrize("name", STANDARD_ONLY)
def test_an_older_python_can_read_them(name):
    """So that it gets as far as the line which says that a newer one is needed."""
    ast.parse((SCRIPTS / name).read_text(encoding="utf-8"), feature_version=(3, 7))


def test_an_older_python_is_told_so(script, monkeypatch):
    environment = script("environment")
    monkeypatch.setattr(environment.sys, "version_info", (3, 10, 9))
    with pytest.raises(SystemExit, match=r"Python 3\.11 or newer is needed, this is 3\.10\.9"):
        environment.prepare()


def test_options_of_the_demo_become_arguments(script):
    options = {"strokes": 4, "rated_rpm": 3000, "firing_angles": [0, 270], "machine": "mower twin"}
    expected = ["--strokes", "4", "--rated-rpm", "3000", "--firing-angles", "0,270", "--machine", "mower twin"]
    assert script("demo").arguments(options) == expected


@pytest.fixture
def installing(script, monkeypatch, tmp_path):
    """`environment` on an invented checkout; pip's calls are written down instead of made."""
    environment = script("environment")
    (tmp_path / "enginelog").mkdir()
    (tmp_path / ".venv").mkdir()
    for name in (*environment.PACKAGE_FILES, "enginelog/a.py"):
        (tmp_path / name).write_text(name, encoding="utf-8")
    calls: list[tuple[str, ...]] = []
    for name, value in {"TOP": tmp_path, "ENVIRONMENT": tmp_path / ".venv", "STAMP": tmp_path / ".venv/stamp"}.items():
        monkeypatch.setattr(environment, name, value)
    monkeypatch.setattr(environment, "_works", lambda _: True)
    monkeypatch.setattr(environment, "_pip", lambda *arguments, folder=None: calls.append(arguments))
    return environment, calls, tmp_path


def test_a_second_call_installs_nothing(installing):
    environment, calls, _ = installing
    environment.prepare("test")
    assert calls[-1][-1] == ".[test]"
    calls.clear()
    environment.prepare("test")
    environment.prepare()
    assert calls == []


def test_only_what_has_changed_is_installed_again(installing):
    environment, calls, top = installing
    environment.prepare()
    calls.clear()
    (top / "enginelog" / "a.py").write_text("changed", encoding="utf-8")
    environment.prepare()
    assert [call for call in calls if "--no-deps" not in call] == [] and len(calls) == 1
    calls.clear()
    (top / "pyproject.toml").write_text("changed", encoding="utf-8")
    environment.prepare()
    assert [call for call in calls if "--no-deps" not in call] == calls != []


def test_an_extra_stays_installed(installing):
    environment, calls, _ = installing
    environment.prepare("dev")
    environment.prepare("test")
    assert calls[-1][-1] == ".[dev,test]"


def test_an_installation_that_failed_is_tried_again(installing, monkeypatch):
    environment, calls, top = installing
    environment.prepare()

    def fail(*arguments, folder=None):
        raise SystemExit("no network")

    pip = environment._pip
    monkeypatch.setattr(environment, "_pip", fail)
    (top / "enginelog" / "a.py").write_text("changed", encoding="utf-8")
    with pytest.raises(SystemExit):
        environment.prepare()
    monkeypatch.setattr(environment, "_pip", pip)
    calls.clear()
    environment.prepare()
    assert calls


def test_a_folder_that_is_no_environment_is_left_alone(installing, monkeypatch):
    environment, _, top = installing
    monkeypatch.setattr(environment, "_works", lambda _: False)
    with pytest.raises(SystemExit, match="no Python environment"):
        environment.prepare()
    assert (top / ".venv").is_dir()


def test_a_failing_pip_is_one_clear_line(script, monkeypatch, capfd):
    environment = script("environment")
    monkeypatch.setattr(environment, "python_of", lambda _: sys.executable)
    with pytest.raises(SystemExit, match="Check the network connection"):
        environment._pip("no-such-command")
    assert "no-such-command" in "".join(capfd.readouterr())


@pytest.mark.skipif(os.name == "nt", reason="the gate runs in bash")
def test_the_gate_is_sound_bash():
    for name in ("run", "install_packages"):
        assert subprocess.run(["bash", "-n", str(TOP / ".ci" / name)]).returncode == 0


def packages(tmp_path: Path, installed: str, user: int, apt_status: int) -> tuple[str, list[str]]:
    """What .ci/install_packages says, and the calls of a made-up apt-get; it must end well whatever happens."""
    fakes = {
        "dpkg-query": f"case ' {installed} ' in *\" $4 \"*) printf installed;; *) exit 1;; esac",
        "id": f"echo {user}",
        "apt-get": f'echo "$@" >> {tmp_path}/calls; exit {apt_status}',
    }
    for name, body in fakes.items():
        (tmp_path / name).write_text(f"#!/bin/sh\n{body}\n")
        (tmp_path / name).chmod(0o755)
    script = str(TOP / ".ci" / "install_packages")
    path = f"{tmp_path}:{os.environ['PATH']}"
    done = subprocess.run(["bash", script], capture_output=True, text=True, env=os.environ | {"PATH": path}, timeout=60)
    assert done.returncode == 0, done.stderr
    calls = tmp_path / "calls"
    return done.stdout, calls.read_text().splitlines() if calls.exists() else []


ALL_PACKAGES = "chromium chromium-driver libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins poppler-utils"


@pytest.mark.skipif(os.name == "nt", reason="the gate runs in bash")
def test_the_gate_installs_what_its_tests_need_and_never_fails_for_it(tmp_path):
    places = [tmp_path / name for name in ("there", "user", "broken")]
    for place in places:
        place.mkdir()
    assert packages(places[0], ALL_PACKAGES, 0, 0) == ("", [])
    said, calls = packages(places[1], ALL_PACKAGES.replace("libportaudio2 ", ""), 1000, 0)
    assert "apt-get install libportaudio2" in said and not calls
    said, calls = packages(places[2], "pulseaudio", 0, 100)
    asked = [call.split(" install -y --no-install-recommends ")[-1] for call in calls if " install " in call]
    assert asked[0] == ALL_PACKAGES.replace(" pulseaudio ", " ") and asked[1:] == asked[0].split()
    assert "could not be installed" in said and "poppler-utils" in said.splitlines()[-1]
