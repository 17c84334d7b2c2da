"""The hand-back as one self-contained HTML page."""

from __future__ import annotations

from typing import Any

from enginelog import plots
from enginelog.compare.words import INTERVALS, matters
from enginelog.report import words
from enginelog.report.comparison import CHANGE_SIGNS, change_word
from enginelog.report.handback_sheet import RESULTS, Sheet
from enginelog.report.pictures import Picture
from enginelog.report.templates import asset, template

CHANGE_TONES = {"better": "ok", "worse": "fault", "mixed": "watch"} | dict.fromkeys(
    ("same", "changed", "cannot_tell"), "unknown"
)


def sheet_html(sheet: Sheet) -> str:
    """The page. It fetches nothing, runs nothing, and every text of the user is escaped."""
    return template("handback.html").render(
        sheet=sheet,
        css=asset("page.css") + asset("handback.css"),
        pictures=[_picture(one, sheet.audience) for one in sheet.drawings()],
        words=words,
        results=RESULTS,
        marks=CHANGE_SIGNS,
        tones=CHANGE_TONES,
        change_word=change_word,
        intervals=INTERVALS,
        matters=matters,
    )


def _picture(one: Any, audience: str) -> Picture:
    name = f"{one.name}-{audience}"
    wide, narrow = plots.to_svg(one.wide, f"{name}-w", one.alt), plots.to_svg(one.narrow, f"{name}-n", one.alt)
    return Picture(one.name, one.title, one.caption, wide, narrow)
