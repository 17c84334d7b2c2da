"""Reading files of `[[entries]]`: each becomes a frozen dataclass, and every error names the file and the line.

A file of trade knowledge is TOML that holds nothing but lists of tables:

    [[rule]]
    name = "hunting"
    likely = ["fuel_held_up"]

`tables` finds the entries with their lines, `build` turns one into its dataclass: the dataclass's fields are the
fields of the entry, those without a default must be there.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, TypeVar

from enginelog.model import UsageError

Made = TypeVar("Made")

_HEAD = re.compile(r"\s*\[\[\s*([A-Za-z0-9_-]+)\s*\]\]\s*(#.*)?$")
_KEY = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_KINDS = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
}


class TradeFileError(UsageError):
    """A file of trade knowledge is wrong: file, line, what stands there, what was expected."""


@dataclass(frozen=True)
class Table:
    """One entry as it stands in its file: kind (`rule`), values by name, the lines of its head and of each value."""

    file: str
    kind: str
    line: int
    values: Mapping[str, Any]
    lines: Mapping[str, int] = field(default_factory=dict)

    def wrong(self, what: str, key: str | None = None) -> TradeFileError:
        """The error that says what is wrong with this entry, at the line of `key` where that is known."""
        line = self.lines.get(key or "", self.line)
        name = self.values.get("name")
        shown = f" '{name}'" if isinstance(name, str) else ""
        return TradeFileError(f"{self.file}, line {line}: [[{self.kind}]]{shown}: {what}")


def own_text(name: str) -> str:
    """The text of a data file beside this module."""
    return (files(__package__) / name).read_text(encoding="utf-8")


def tables(text: str, file: str, kinds: tuple[str, ...]) -> tuple[Table, ...]:
    """The entries of a file, in the file's order. TradeFileError where it is no TOML or holds anything else.

    kinds: the kinds of entries this file may hold.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        raise TradeFileError(f"{file}: no valid TOML: {wrong}") from None
    found = _found(text)
    for name, entries in document.items():
        _check_kind(name, entries, file, kinds, text)
    places = {kind: [place for place in found if place[0] == kind] for kind in document}
    made = []
    for kind, entries in document.items():
        known = places[kind] if len(places[kind]) == len(entries) else [(kind, 1, {})] * len(entries)
        made += [
            Table(file, kind, line, values, lines) for values, (_, line, lines) in zip(entries, known, strict=True)
        ]
    return tuple(sorted(made, key=lambda table: table.line))


def _check_kind(name: str, entries: Any, file: str, kinds: tuple[str, ...], text: str) -> None:
    expected = ", ".join(f"[[{kind}]]" for kind in kinds)
    is_list = isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries)
    if name in kinds and is_list:
        return
    line = next((n for n, row in enumerate(text.splitlines(), 1) if re.match(rf"\s*\[*\s*{re.escape(name)}\b", row)), 1)
    raise TradeFileError(f"{file}, line {line}: '{name}' given, entries of {expected} expected")


def _found(text: str) -> list[tuple[str, int, dict[str, int]]]:
    """Kind, line and lines of the values of each entry, by their heads; texts and lists over several lines skipped."""
    found: list[tuple[str, int, dict[str, int]]] = []
    quote, depth = "", 0
    for number, row in enumerate(text.splitlines(), 1):
        if quote:
            quote = "" if quote in row else quote
            continue
        head, key = _HEAD.match(row), _KEY.match(row)
        if depth == 0 and head:
            found.append((head[1], number, {}))
            continue
        if depth == 0 and key and found:
            found[-1][2].setdefault(key[1], number)
        quote = next((mark for mark in ('"""', "'''") if row.count(mark) % 2), "")
        bare = _STRING.sub("", row).split("#")[0]
        depth = max(depth + bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}"), 0)
    return found


def build(kind: type[Made], table: Table) -> Made:
    """The entry as its dataclass. TradeFileError for a field that is unknown, missing or of the wrong kind."""
    hints = typing.get_type_hints(kind)
    known = {each.name: each for each in dataclasses.fields(kind)}  # type: ignore[arg-type]
    for name in table.values:
        if name not in known:
            near = difflib.get_close_matches(name, known, 1)
            hint = f" (is '{near[0]}' meant?)" if near else ""
            raise table.wrong(f"field '{name}' is not known{hint}; known: {', '.join(known)}", name)
    missing = [name for name, each in known.items() if _required(each) and name not in table.values]
    if missing:
        raise table.wrong(f"field '{missing[0]}' is missing")
    return kind(**{name: _value(table, name, value, hints[name]) for name, value in table.values.items()})


def _required(each: dataclasses.Field[Any]) -> bool:
    return each.default is dataclasses.MISSING and each.default_factory is dataclasses.MISSING


def _value(table: Table, name: str, value: Any, hint: Any) -> Any:
    """The value as the dataclass takes it: lists as tuples, whole numbers as floats where those are asked for."""
    if isinstance(hint, types.UnionType):
        hint = next(part for part in typing.get_args(hint) if part is not type(None))
    if typing.get_origin(hint) is tuple:
        inner = typing.get_args(hint)[0]
        if not isinstance(value, list):
            raise table.wrong(f"'{name}' is {value!r}, a list expected", name)
        return tuple(_value(table, name, each, inner) for each in value)
    if dataclasses.is_dataclass(hint):
        if not isinstance(value, dict):
            raise table.wrong(f"'{name}' is {value!r}, a table expected", name)
        return build(typing.cast("type[Any]", hint), Table(table.file, name, table.lines.get(name, table.line), value))
    fits = isinstance(value, (int, float) if hint is float else hint)
    if not fits or (isinstance(value, bool) and hint is not bool):
        raise table.wrong(f"'{name}' is {value!r}, {_KINDS[hint]} expected", name)
    if hint is str and not value.strip():
        raise table.wrong(f"'{name}' is empty", name)
    return float(value) if hint is float else value


def by_name(kind: type[Made], found: tuple[Table, ...]) -> dict[str, Made]:
    """Entries by name, each name once. TradeFileError else."""
    made: dict[str, Made] = {}
    for table in found:
        entry = build(kind, table)
        name = str(table.values["name"])
        if name in made:
            raise table.wrong("this name is taken already; choose another", "name")
        made[name] = entry
    return made
