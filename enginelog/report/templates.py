"""The files of this room that make up its pages: templates, all with the same rules of escaping, and style sheets."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from enginelog.report import words

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup


@cache
def template(name: str) -> Template:
    """A template of this room; every text put into it is escaped and shown without control characters."""
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, finalize=_printable)
    return environment.from_string((files(__package__) / name).read_text(encoding="utf-8"))


@cache
def asset(name: str) -> Markup:
    """The text of a file of this room, such as a style sheet, as it stands."""
    from markupsafe import Markup

    return Markup((files(__package__) / name).read_text(encoding="utf-8"))


def _printable(value: Any) -> Any:
    """Texts without control and direction characters; what is markup already stays as it is."""
    return words.clean(value) if type(value) is str and any(not c.isprintable() for c in value) else value
