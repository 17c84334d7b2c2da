"""The README speaks of every command, option, exit status, machine and format, and of nothing that is not there."""

import re
from pathlib import Path

import click
import pytest

from enginelog.cli.formats import ENDINGS
from enginelog.cli.main import commands
from enginelog.model.telling import MACHINES

TOP = Path(__file__).resolve().parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
MEASURED = (TOP / "scripts" / "measured.md").read_text(encoding="utf-8")

OPTIONS = [
    (name, flag)
    for name, command in commands.commands.items()
    for option in command.params
    if isinstance(option, click.Option)
    for flag in option.opts
    if flag.startswith("--")
]


def test_there_is_something_to_document():
    assert ("check", "--firing-angles") in OPTIONS and ("check", "--json") in OPTIONS


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_is_in_the_readme(name):
    assert f"enginelog {name}" in README


@pytest.mark.parametrize(("command", "flag"), OPTIONS)
def test_every_option_is_in_the_readme(command, flag):
    assert re.search(rf"^\|\s*`{flag}[ `]", README, re.MULTILINE), f"{command} {flag}: no line in the options' table"


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_option_has_a_help_text(name):
    options = [option for option in commands.commands[name].params if isinstance(option, click.Option)]
    assert commands.commands[name].help
    assert not [option.opts for option in options if not option.help]


def test_the_readme_names_no_option_that_is_not_there():
    known = {flag for _, flag in OPTIONS} | {"--version", "--help"}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README)) <= known


@pytest.mark.parametrize("machine", MACHINES)
def test_every_machine_is_in_the_readme(machine):
    assert f"`{machine}`" in README


@pytest.mark.parametrize("ending", sorted(ENDINGS))
def test_every_ending_is_in_the_readme(ending):
    assert f"`{ending}`" in README


@pytest.mark.parametrize("status", ["0", "1", "2", "3", "4", "130", "141"])
def test_every_exit_status_is_in_the_readme(status):
    assert re.search(rf"^\| {status} +\|", README, re.MULTILINE)


@pytest.mark.parametrize("text", ["exhaust", "blade", "hot", "fuel", "hearing", "manual"])
def test_the_cautions_are_in_the_readme(text):
    cautions = README.split("## Cautions")[1].split("\n## ")[0]
    assert text in cautions.lower()


@pytest.mark.parametrize("script", sorted(path.name for path in (TOP / "scripts").glob("*.py")))
def test_every_script_is_in_the_developers_guide(script):
    assert f"scripts/{script}" in DEVELOPERS


def test_links_lead_somewhere():
    for page in ("README.md", "DEVELOPERS.md", "scripts/measured.md"):
        text = (TOP / page).read_text(encoding="utf-8")
        targets = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)
        assert not [target for target in targets if not (TOP / page).parent.joinpath(target).exists()], page


def test_tables_named_in_the_developers_guide_are_among_the_measured_ones():
    heads = re.findall(r"^## (.+)$", MEASURED, re.MULTILINE)
    named = re.findall(r'table "([^"]+)"', re.sub(r"\s+", " ", DEVELOPERS))
    assert named and not [name for name in named if not any(head.startswith(name) for head in heads)]


def test_every_file_named_in_the_developers_guide_is_there():
    parts = ("enginelog", "scripts", "tests", "recordings_demo")
    there = [path.as_posix() for part in parts for path in (TOP / part).rglob("*.*")]
    named = re.findall(r"`([\w/]+\.(?:py|toml|json|npz|js|css|md))`", DEVELOPERS)
    assert named and not [name for name in named if not any(path.endswith(f"/{name}") for path in there)]
