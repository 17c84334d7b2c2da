"""Rows in columns under a head: as wide as they are, or folded to the terminal they are read on."""

from __future__ import annotations

from typing import Any

from enginelog.cli import console

_GAP = "  "
_NARROWEST = 10  # places; what is no wider, such as a date or an amount, is not folded


def show_table(head: tuple[str, ...], rows: list[tuple[Any, ...]], empty: str) -> None:
    """Print rows in columns under a head; numbers to the right. `empty` is said where there are none.

    On a terminal that is too narrow the widest columns are folded between words, and where that does not do, each row
    stands as lines below one another, a cell each. What is read by another program or kept in a file is never folded.
    """
    if not rows:
        console.show(empty)
        return
    cells = [[console.safe_name(" ".join(str(cell).split())) for cell in row] for row in rows]
    numeric = [all(isinstance(row[at], (int, float)) for row in rows) for at in range(len(head))]
    most = console.width() if console.at_terminal() else None
    console.show("\n".join(table_lines(head, cells, numeric, most)))


def table_lines(head: tuple[str, ...], cells: list[list[str]], numeric: list[bool], most: int | None) -> list[str]:
    """The lines of a table. cells: at least one row, each with a cell for each of `head`; numeric: the columns that
    stand to the right. most: columns of the terminal; None folds nothing.

    Columns are as wide as a terminal shows them: many letters, such as those of Chinese and Japanese, take two places.
    """
    table = [list(head), *cells]
    widths = _widths(table, most)
    if widths is None:
        return _listed(head, cells, most or 0)
    return [line for row in table for line in _row_lines(row, widths, numeric)]


def _widths(table: list[list[str]], most: int | None) -> list[int] | None:
    """The width of each column, the widest made narrower until all fit; None where single words leave no room."""
    from rich.cells import cell_len

    columns = list(zip(*table, strict=True))
    widths = [max(map(cell_len, column)) for column in columns]
    words = [max(cell_len(word) for cell in column for word in (cell.split() or [""])) for column in columns]
    least = [max(word, min(size, _NARROWEST)) for word, size in zip(words, widths, strict=True)]
    room = None if most is None else most - len(_GAP) * (len(widths) - 1)
    if room is not None and sum(least) > room:
        return None
    while room is not None and sum(widths) > room:
        widest = max((size, at) for at, size in enumerate(widths) if size > least[at])[1]
        widths[widest] -= 1
    return widths


def _row_lines(row: list[str], widths: list[int], numeric: list[bool]) -> list[str]:
    """One row, as many lines as its longest cell folds into."""
    folded = [_folded(cell, size) for cell, size in zip(row, widths, strict=True)]
    lines = []
    for number in range(max(map(len, folded))):
        parts = [cell[number] if number < len(cell) else "" for cell in folded]
        padded = [_padded(*each) for each in zip(parts, widths, numeric, strict=True)]
        lines.append(_GAP.join(padded).rstrip())
    return lines


def _listed(head: tuple[str, ...], cells: list[list[str]], most: int) -> list[str]:
    """Each row as lines below one another, a cell each beside its name; empty ones left out, a blank line between."""
    from rich.cells import cell_len

    names = max(map(cell_len, head))
    lines: list[str] = []
    for row in cells:
        lines += [""] if lines else []
        for name, cell in zip(head, row, strict=True):
            rows = _folded(cell, most - names - len(_GAP)) if cell else []
            lines += [_padded(name if not at else "", names) + _GAP + text for at, text in enumerate(rows)]
    return lines


def _folded(text: str, size: int) -> list[str]:
    """`text` in lines of at most `size` places, broken between words; a longer word stays whole, to be copied."""
    from rich.cells import cell_len

    if cell_len(text) <= size:
        return [text]
    lines = [""]
    for word in text.split():
        joined = f"{lines[-1]} {word}".lstrip()
        if lines[-1] and cell_len(joined) > size:
            lines.append(word)
        else:
            lines[-1] = joined
    return lines


def _padded(text: str, size: int, right: bool = False) -> str:
    from rich.cells import cell_len

    space = " " * (size - cell_len(text))
    return space + text if right else text + space
