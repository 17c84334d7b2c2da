"""The shape of the code: imports go downhill only, heavy packages load late, pieces stay small, doors are documented.

What is held here is the design's own table of rooms and its habits; there is no outside source.
"""

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
PACKAGE = TOP / "enginelog"

# The table of rooms, from the top down: a room imports only from rooms before it.
ROOMS = (
    *("model", "limits"),
    *("dsp", "synthesis"),
    *("media", "live"),
    *("quality", "timeline", "speed", "firing", "findings"),
    *("analysis", "compare"),
    "advice",
    *("plots", "report", "store"),
    *("cli", "bench"),
)
STAGES = {"quality", "timeline", "speed", "firing", "findings"}
DOORS = {"cli", "bench"}
OPENS = {"enginelog/cli/bench.py": {"enginelog.bench"}}  # the command that opens the other door, by its front alone
DATA_ALONE = {"advice": {"model", "limits"}}  # rooms that work on records and data files, and import no stage
HEAVY = ("scipy.signal", "scipy.stats", "av", "matplotlib", "jinja2", "rich", "soxr", "soundfile", "sounddevice")

MOST_FUNCTION_LINES = 60
MOST_FILE_LINES = 400
SMALL_METHOD_LINES = 3

SOURCES = sorted(path for path in PACKAGE.rglob("*.py"))
SCRIPTS = sorted((TOP / "scripts").glob("*.py"))


def shown(path: Path) -> str:
    return path.relative_to(TOP).as_posix()


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imported(tree: ast.AST, package: str) -> Iterator[str]:
    """Full names of everything a module imports, wherever in it; `package` is the one it belongs to."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package.rsplit(".", node.level - 1)[0] + "." if node.level else ""
            module = (base + (node.module or "")).rstrip(".")
            yield from (f"{module}.{alias.name}" for alias in node.names)


def package_of(path: Path) -> str:
    return ".".join(path.relative_to(TOP).parent.parts)


def uphill(room: str, other: str) -> str | None:
    """Why this import is against the table, or None."""
    if other not in ROOMS:
        return "no room of the design"
    if other == room or room in DOORS:
        return None
    if room in DATA_ALONE and other not in DATA_ALONE[room]:
        return "it works on records and data files alone"
    if room in STAGES and other in STAGES:
        return "stages never import one another"
    return "a room below" if ROOMS.index(other) > ROOMS.index(room) else None


def rooms_imported(tree: ast.AST, package: str) -> set[str]:
    names = {name for name in imported(tree, package) if name.startswith("enginelog.")}
    return {name.split(".")[1] for name in names} - {"__version__"}


@pytest.mark.parametrize("path", SOURCES, ids=shown)
def test_imports_go_downhill(path):
    room = room_of(path)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    others = rooms_imported(tree, package_of(path))
    if room == "__init__":
        assert not others, "the package itself stays empty, so that importing one room loads no other"
        return
    if room == "__main__":
        assert others == {"cli"}, "what is run opens the command line and knows nothing else"
        return
    assert room in ROOMS, f"{shown(path)}: '{room}' is no room of the design"
    wrong = {other: uphill(room, other) for other in others if uphill(room, other)}
    assert not wrong, f"{shown(path)} imports {wrong}"


@pytest.mark.parametrize(
    ("room", "source", "expected"),
    [
        ("speed", "from enginelog.firing import marks", {"firing": "stages never import one another"}),
        ("dsp", "def f():\n    from enginelog import media", {"media": "a room below"}),
        ("media", "from ..analysis import analyse", {"analysis": "a room below"}),
        ("report", "import enginelog.cli.main", {"cli": "a room below"}),
        ("media", "from enginelog.helpers import x", {"helpers": "no room of the design"}),
        ("speed", "from enginelog import __version__, dsp, model", {}),
        ("advice", "from enginelog import findings", {"findings": "it works on records and data files alone"}),
        ("advice", "from enginelog.limits.trade import rules", {}),
        ("report", "from enginelog.plots import track", {}),
        ("cli", "from enginelog import bench", {}),
    ],
)
def test_the_import_test_sees_wrong_imports(room, source, expected):
    others = rooms_imported(ast.parse(source), f"enginelog.{room}")
    assert {other: uphill(room, other) for other in others if uphill(room, other)} == expected


def other_doors(tree: ast.AST, package: str, opens: set[str]) -> set[str]:
    """What a door's module imports of another door, but for what it opens."""
    own = package.split(".")[1]
    names = {name for name in imported(tree, package) if name.split(".")[0] == "enginelog" and name.count(".")}
    return {name for name in names if name.split(".")[1] in DOORS - {own}} - opens


@pytest.mark.parametrize("path", [path for path in SOURCES if room_of(path) in DOORS], ids=shown)
def test_no_door_imports_another(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not other_doors(tree, package_of(path), OPENS.get(shown(path), set())), (
        "what both doors need belongs into a room that both may import"
    )


@pytest.mark.parametrize(
    ("door", "source", "expected"),
    [
        ("bench", "from enginelog.cli import job_text", {"enginelog.cli.job_text"}),
        ("bench", "def f():\n    from ..cli.take_in import fields", {"enginelog.cli.take_in.fields"}),
        ("bench", "from enginelog import cli, store", {"enginelog.cli"}),
        ("cli", "import enginelog.bench.desk", {"enginelog.bench.desk"}),
        ("cli", "from enginelog.bench import Settings", {"enginelog.bench.Settings"}),
        ("cli", "from enginelog import bench", set()),
        ("cli", "from enginelog.cli import console\nfrom enginelog.limits import bench", set()),
    ],
)
def test_the_test_of_the_doors_sees_their_imports(door, source, expected):
    assert other_doors(ast.parse(source), f"enginelog.{door}", {"enginelog.bench"}) == expected


def heavy_at_load(tree: ast.Module) -> list[str]:
    """Heavy packages imported when the module is loaded: outside functions, and not for type checkers alone."""
    found = []
    waiting: list[ast.AST] = list(tree.body)
    while waiting:
        node = waiting.pop()
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            continue
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            found += [name for name in imported(node, "enginelog") if is_heavy(name)]
        waiting += ast.iter_child_nodes(node)
    return found


def is_heavy(name: str) -> bool:
    return any(name == heavy or name.startswith(heavy + ".") for heavy in HEAVY)


@pytest.mark.parametrize("path", SOURCES, ids=shown)
def test_heavy_packages_are_imported_late(path):
    assert not heavy_at_load(ast.parse(path.read_text(encoding="utf-8")))


def test_the_late_import_test_sees_early_imports():
    source = (
        "from scipy import signal\nclass A:\n    import av.audio\ntry:\n    import rich\nexcept ImportError:\n    pass"
    )
    assert sorted(heavy_at_load(ast.parse(source))) == ["av.audio", "rich", "scipy.signal"]
    late = "def f():\n    import soxr\nif TYPE_CHECKING:\n    import av\nimport scipy.fft\nimport available"
    assert not heavy_at_load(ast.parse(late))


def test_the_command_line_starts_without_heavy_packages():
    code = f"import sys, enginelog.cli; print([name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)))


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of the body without its docstring (which is the specification and may be long)."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0


@pytest.mark.parametrize("path", [*SOURCES, *SCRIPTS], ids=shown)
def test_functions_and_files_stay_small(path):
    text = path.read_text(encoding="utf-8")
    sizes = {function.name: body_lines(function) for function in functions(ast.parse(text))}
    long = {name: size for name, size in sizes.items() if size > MOST_FUNCTION_LINES}
    assert not long, f"{shown(path)}: bodies of more than {MOST_FUNCTION_LINES} lines: {long}"
    assert text.count("\n") <= MOST_FILE_LINES, f"{shown(path)}: past {MOST_FILE_LINES} lines a room becomes a folder"


def without_docstring(tree: ast.Module) -> Iterator[str]:
    """Public functions, public methods of more than a few lines, and the module itself, without a docstring."""
    if tree.body and ast.get_docstring(tree) is None:
        yield "the module"
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not ast.get_docstring(node):
            yield node.name
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            methods = [part for part in node.body if isinstance(part, ast.FunctionDef)]
            yield from (
                f"{node.name}.{method.name}"
                for method in methods
                if not method.name.startswith("_")
                and body_lines(method) > SMALL_METHOD_LINES
                and not ast.get_docstring(method)
            )


@pytest.mark.parametrize("path", [*SOURCES, *SCRIPTS], ids=shown)
def test_what_is_public_is_documented(path):
    missing = list(without_docstring(ast.parse(path.read_text(encoding="utf-8"))))
    assert not missing, f"{shown(path)}: no docstring: {missing}"


# Written in pieces, so that this file does not find itself.
MACHINE_PATH = re.compile(
    "|".join(["/" + "work/", "/" + "tmp/", "/" + "root/", "/" + r"home/\w", r"[A-Z]:\\\\?" + "Users"])
)
TEXT_ENDINGS = {".py", ".md", ".toml", ".json", ".html", ".css", ".csv", ".txt", ".yml", ".yaml", ".cfg"}


def text_files() -> list[Path]:
    roots = [PACKAGE, TOP / "tests", TOP / "scripts", TOP / "recordings_demo", TOP / ".ci"]
    inside = [path for root in roots if root.is_dir() for path in root.rglob("*")]
    found = [*inside, *TOP.iterdir()]
    return sorted(
        path
        for path in found
        if path.is_file()
        and (path.suffix in TEXT_ENDINGS or path.parent.name == ".ci")
        and "__pycache__" not in path.parts
    )


def test_no_path_of_one_machine():
    places = {shown(path): MACHINE_PATH.findall(path.read_text(encoding="utf-8")) for path in text_files()}
    assert not {name: found for name, found in places.items() if found}
    assert MACHINE_PATH.search("see " + "/tmp" + "/x") and MACHINE_PATH.search("C:" + r"\Users\x")


def test_data_files_are_packaged():
    """Every file of the package that is no Python file matches a pattern of pyproject.toml and lies in a package."""
    import tomllib

    settings = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = settings["tool"]["setuptools"]["package-data"]["*"]
    data = [path for path in PACKAGE.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")]
    assert not [shown(path) for path in data if not any(path.match(pattern) for pattern in patterns)]
    assert not [shown(path) for path in data if not (path.parent / "__init__.py").is_file()]


def test_every_folder_of_the_package_is_importable():
    folders = {path.parent for path in SOURCES}
    assert not [shown(folder) for folder in folders if not (folder / "__init__.py").is_file()]
