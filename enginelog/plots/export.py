"""A figure as an inline SVG for the page, or as PNG bytes."""

from __future__ import annotations

import io
import re
from html import escape
from threading import Lock
from typing import TYPE_CHECKING

from enginelog.plots.style import COLOURS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ONE_AT_A_TIME = Lock()  # the drawing library's settings are shared by all threads


def to_svg(figure: Figure, name: str, alt: str) -> str:
    """One `<svg>` element to stand inside a page: text as text, colours as CSS variables, ids begin with `name`.

    name: letters, digits and hyphens, different for each picture of a page. alt: what the picture shows, for those who
    cannot see it. Nothing in it is fetched from elsewhere.
    """
    import matplotlib

    buffer = io.StringIO()
    with _ONE_AT_A_TIME, matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return _inline(buffer.getvalue(), name, alt)


def to_png(figure: Figure, dpi: int = 150) -> bytes:
    """The figure as PNG bytes on a white ground."""
    from matplotlib.patheffects import withStroke
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_path_effects([withStroke(linewidth=2.2, foreground="white")])  # the page does this by its style sheet
    buffer = io.BytesIO()
    with _ONE_AT_A_TIME:
        figure.savefig(buffer, format="png", dpi=dpi, facecolor="white", metadata={"Software": None})
    return buffer.getvalue()


def _inline(text: str, name: str, alt: str) -> str:
    body = text[text.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.S)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.S)
    inside = body[body.index(">") + 1 : body.rindex("</svg>")]
    inside = _own_ids(inside.replace("xlink:href", "href"), name)
    inside = _themed(_without_fonts(inside))
    inside = re.sub(r"(-?\d+\.\d\d)\d+", r"\1", inside)
    inside = re.sub(r"\s*\n\s*", "\n", inside)
    label = escape(alt, quote=True)
    return f'<svg class="plot" viewBox="{_view(body)}" role="img" aria-label="{label}">{inside}</svg>'


def _view(body: str) -> str:
    found = re.search(r'viewBox="([^"]+)"', body)
    if found is None:
        raise ValueError("picture without a viewBox")
    return found.group(1)


def _own_ids(body: str, name: str) -> str:
    """Keep only ids that something refers to, and begin each with `name`, so that pictures of one page never clash."""
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', body))
    body = re.sub(r' id="([^"]+)"', lambda m: f' id="{name}-{m.group(1)}"' if m.group(1) in used else "", body)
    return re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", body)


def _themed(body: str) -> str:
    for key, value in COLOURS.items():
        body = body.replace(value, f"var(--plot-{key},{value})")
    return body


def _without_fonts(body: str) -> str:
    """Drop the family of each text (the page sets it), keep its size."""
    body = re.sub(r"font: (?:\w+ )*?([\d.]+)px [^;\"]+", r"font-size: \1px", body)
    return re.sub(r"font-family: [^;\"]+;? ?", "", body)
