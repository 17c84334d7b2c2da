"""Plain text in columns: a label at the left, its text wrapped beside it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from enginelog.report.words import GAP, clean


def rows(label: str, text: str, width: int, indent: int = 12) -> list[str]:
    """One labelled text as rows of at most `width` columns; nothing where the text is empty."""
    plain = clean(text).replace(GAP, " ").strip()
    if not plain:
        return []
    head = f"{label} " if label and len(label) >= indent else label.ljust(indent)
    return textwrap.wrap(plain, width, initial_indent=head, subsequent_indent=" " * indent, break_on_hyphens=False)


def listed(label: str, texts: Iterable[str], width: int, indent: int = 12) -> list[str]:
    """Several texts under one label, each on rows of its own."""
    lines: list[str] = []
    for text in texts:
        lines += rows("" if lines else label, text, width, indent)
    return lines


def page(*parts: list[str]) -> str:
    """Parts with a blank line between them, empty ones left out; ends in a newline."""
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"
