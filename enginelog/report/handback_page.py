"""The hand-back as one self-contained HTML page."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from enginelog import plots
from enginelog.compare.words import apart
from enginelog.report import words
from enginelog.report.comparison import CHANGE_SIGNS, CHANGE_WORDS
from enginelog.report.handback_sheet import RESULTS, Sheet
from enginelog.report.pictures import Picture

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

CHANGE_TONES = {"better": "ok", "worse": "fault", "mixed": "watch"} | dict.fromkeys(
    ("same", "changed", "cannot_tell"), "unknown"
)


def sheet_html(sheet: Sheet) -> str:
    """The page. It fetches nothing, runs nothing, and every text of the user is escaped."""
    return _template().render(
        sheet=sheet,
        css=_text("page.css") + _text("handback.css"),
        pictures=[_picture(one, sheet.audience) for one in sheet.drawings],
        words=words,
        results=RESULTS,
        marks=CHANGE_SIGNS,
        tones=CHANGE_TONES,
        changes=CHANGE_WORDS,
        apart=lambda value, unit: apart(value, unit, signed=False),
    )


def _picture(one: Any, audience: str) -> Picture:
    name = f"{one.name}-{audience}"
    wide, narrow = plots.to_svg(one.wide, f"{name}-w", one.alt), plots.to_svg(one.narrow, f"{name}-n", one.alt)
    return Picture(one.name, one.title, one.caption, wide, narrow)


@cache
def _template() -> Template:
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, finalize=_printable)
    return environment.from_string((files(__package__) / "handback.html").read_text(encoding="utf-8"))


def _printable(value: Any) -> Any:
    """Texts without control and direction characters; what is markup already stays as it is."""
    return words.clean(value) if type(value) is str and any(not c.isprintable() for c in value) else value


@cache
def _text(name: str) -> Markup:
    from markupsafe import Markup

    return Markup((files(__package__) / name).read_text(encoding="utf-8"))
