"""Makes the project's own Python environment (.venv at the top of the checkout) and installs the project into it.

Standard library only, and readable by older Pythons, so that they too get a clear line instead of a syntax error.
The package is installed as a user would install it; a second call installs again only what has changed.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

LEAST_PYTHON = (3, 11)
VERSION = ".".join(str(part) for part in sys.version_info[:2])
TOP = Path(__file__).resolve().parent.parent
ENVIRONMENT = TOP / ".venv"
STAMP = ENVIRONMENT / "installed.json"
# What an installation is made from.
PACKAGE_FILES = ("pyproject.toml", "README.md", "LICENSE")
BUILDER = "setuptools>=70.1"  # from this version on it makes wheels by itself


def say(text):
    """Print one line at once; characters the terminal cannot show become '?'."""
    encoding = sys.stdout.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding), flush=True)


def prepare(extra=""):
    """Make the environment where it is missing, install the project with an extra, and return its Python's path.

    Ends the program with a clear line where that cannot be done.
    """
    _require_python()
    if not _works(ENVIRONMENT):
        _make_environment()
    needs, package = _fingerprints()
    stamp = _read_stamp()
    extras = set(stamp.get("extras", [])) | ({extra} if extra else set())
    if stamp.get("needs") != needs or extras != set(stamp.get("extras", [])):
        _install_all(sorted(extras))
    elif stamp.get("package") != package:
        _install_package()
    else:
        say("== environment ready: .venv")
        return python_of(ENVIRONMENT)
    STAMP.write_text(json.dumps({"needs": needs, "package": package, "extras": sorted(extras)}), encoding="utf-8")
    return python_of(ENVIRONMENT)


def python_of(environment):
    """Path of an environment's Python."""
    return environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def command_of(environment, name):
    """Path of a command that was installed into an environment."""
    return environment / ("Scripts/" + name + ".exe" if os.name == "nt" else "bin/" + name)


def clean_variables():
    """The variables of this process without those that would lead Python or pip out of the environment."""
    variables = {name: value for name, value in os.environ.items() if name not in ("PYTHONHOME", "PYTHONPATH")}
    variables.update(PIP_USER="0", PIP_DISABLE_PIP_VERSION_CHECK="1")
    return variables


def _require_python():
    if sys.version_info < LEAST_PYTHON:
        wanted = ".".join(str(part) for part in LEAST_PYTHON)
        found = ".".join(str(part) for part in sys.version_info[:3])
        sys.exit(f"Python {wanted} or newer is needed, this is {found}: run the script with a newer one")


def _works(environment):
    """True where the environment is there, of a version we accept, and has pip."""
    python = python_of(environment)
    if not (environment / "pyvenv.cfg").is_file() or not python.exists():
        return False
    test = f"import sys, pip; sys.exit(sys.version_info[:2] != {sys.version_info[:2]!r})"
    return subprocess.run([str(python), "-c", test], stderr=subprocess.DEVNULL, env=clean_variables()).returncode == 0


def _make_environment():
    if ENVIRONMENT.exists() and not (ENVIRONMENT / "pyvenv.cfg").is_file():
        sys.exit(f"{ENVIRONMENT} is there but is no Python environment: move it away and run this again")
    say(f"== making a Python environment in .venv (Python {VERSION})")
    made = subprocess.run([sys.executable, "-m", "venv", "--clear", str(ENVIRONMENT)], env=clean_variables())
    if made.returncode != 0:
        sys.exit(
            "the environment could not be made (see above). On Debian and Ubuntu the package python3-venv is needed; "
            "else a Python from python.org brings all that is wanted"
        )


def _install_all(extras):
    what = " with " + ", ".join(extras) if extras else ""
    say(f"== installing enginelog{what} and the packages it needs (only the first time; takes some minutes)")
    STAMP.unlink(missing_ok=True)
    _pip("install", "--quiet", BUILDER)
    _pip_project("[" + ",".join(extras) + "]" if extras else "")


def _install_package():
    say("== installing the changed enginelog")
    STAMP.unlink(missing_ok=True)
    _pip_project("", "--no-deps", "--force-reinstall", "--quiet")


def _pip_project(extra, *options):
    """Install from a copy, so that building leaves nothing behind in the checkout and nothing stale gets in."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "enginelog-source"
        copy.mkdir()
        for name in PACKAGE_FILES:
            shutil.copy2(str(TOP / name), str(copy / name))
        shutil.copytree(
            str(TOP / "enginelog"), str(copy / "enginelog"), ignore=shutil.ignore_patterns("__pycache__", "*.pyc")
        )
        _pip("install", "--no-build-isolation", *options, "." + extra, folder=copy)


def _pip(action, *arguments, folder=TOP):
    """Run pip in the environment; only ready-made packages are taken, so no compiler is ever needed."""
    command = [str(python_of(ENVIRONMENT)), "-m", "pip", action, "--only-binary", ":all:", *arguments]
    if subprocess.run(command, cwd=str(folder), env=clean_variables(), stdin=subprocess.DEVNULL).returncode != 0:
        sys.exit(
            "the packages could not be installed (see pip's lines above). Check the network connection and run this "
            f"again; if pip says 'No matching distribution', try another Python from 3.11 to 3.13 (this is {VERSION})"
        )


def _fingerprints():
    """(of what the project needs, of the package's own files): hashes that tell what has changed since last time."""
    needs = _hash([TOP / "pyproject.toml"])
    sources = [path for path in (TOP / "enginelog").rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    return needs, _hash(sorted(sources))


def _hash(paths):
    digest = hashlib.sha256()
    for path in paths:
        digest.update(path.relative_to(TOP).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _read_stamp():
    try:
        return json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
