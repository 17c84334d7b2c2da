"""Tables of the terminal: folded where it is narrow, left as they are where another program reads them.

No outside source: the words must all be there, and no line longer than the terminal.
"""

import io
import os
import sys

import pytest

from enginelog.cli import main, tables

HEAD = ("job", "machine", "complaint", "cost")
ROWS = [["1", "tiller Marigold", "stutters, worse under load", "7.20 EUR"], ["12", "pump Heron", "", "0.00 EUR"]]
NUMERIC = [True, False, False, False]


class Terminal(io.StringIO):
    """Standard output that says it is a terminal."""

    def isatty(self):
        return True


@pytest.mark.parametrize("most", [58, 57, 50, 44, 40, 32])
def test_folded_between_words_and_no_line_longer_than_the_terminal(most):
    lines = tables.table_lines(HEAD, ROWS, NUMERIC, most)
    assert max(map(len, lines)) <= most
    said = " ".join(lines).split()
    for word in " ".join([*HEAD, *(cell for row in ROWS for cell in row)]).split():
        assert word in said, "no word is broken or left out"


def test_a_folded_cell_goes_on_under_its_column():
    head, first, *more = tables.table_lines(HEAD, ROWS, NUMERIC, 50)
    assert head.index("complaint") == first.index("stutters") and first.startswith("  1  tiller")
    assert more[0].index("under load") == head.index("complaint")
    assert more[-1].startswith(" 12  pump"), "numbers to the right"


def test_where_no_columns_fit_each_row_stands_below_the_other():
    assert tables.table_lines(HEAD, ROWS, NUMERIC, 30) == [
        "job        1",
        "machine    tiller Marigold",
        "complaint  stutters, worse",
        "           under load",
        "cost       7.20 EUR",
        "",
        "job        12",
        "machine    pump Heron",
        "cost       0.00 EUR",
    ]


def test_what_no_terminal_reads_is_one_line_a_row():
    assert len(tables.table_lines(HEAD, ROWS * 50, NUMERIC, None)) == 101
    path = "/" + "a" * 200
    assert path in " ".join(tables.table_lines(("of", "path"), [["run 1", path]], [False, False], 40)), "to be copied"


@pytest.mark.parametrize("columns", [40, 80])
def test_jobs_on_a_terminal(tmp_path, monkeypatch, capsys, columns):
    monkeypatch.setenv("ENGINELOG_STORE", str(tmp_path / "shed.enginelog"))
    for label in ("tiller Marigold", "草刈り機 ひまわり"):
        assert main(["take-in", label, "--complaint", "stutters, worse under load"]) == 0
    capsys.readouterr()
    shown = Terminal()
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((columns, 24)))
    monkeypatch.setattr(sys, "stdout", shown)
    assert main(["jobs"]) == 0
    said = shown.getvalue()
    assert max(map(len, said.splitlines())) <= columns
    assert all(word in said for word in ("tiller", "Marigold", "ひまわり", "stutters,", "load", "0.00 EUR"))
    assert said.startswith("job  machine") == (columns == 80)
