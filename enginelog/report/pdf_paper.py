"""Paper for a PDF: pages of A4 with a font for most scripts, and the few blocks a report is made of.

The font is DejaVu Sans, which comes with matplotlib and may be embedded. A character it lacks is shown as a box, and a
line at the end says so. Texts written from right to left are put in reading order; their letters are not joined.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any

from enginelog import plots
from enginelog.report.words import clean

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARGIN_MM = 16.0
WIDTH_MM = 210.0 - 2 * MARGIN_MM
NUMBER_MM = 30.0  # room for the number of the page at its foot
LINE = 1.42  # of the font's size
PT_MM = 25.4 / 72
INK, MUTED, RULE = (34, 48, 58), (86, 96, 105), (217, 216, 210)
TONES = {
    "ok": ((28, 99, 64), (229, 241, 234)),
    "watch": ((125, 79, 0), (251, 240, 217)),
    "fault": ((163, 33, 26), (251, 231, 228)),
    "unknown": ((70, 84, 96), (233, 237, 240)),
}
FAMILY = "paper"
BOX = "\u25a1"
SPARE = "Characters this font does not have are shown as boxes; the HTML page shows them all."


@cache
def _faces() -> dict[str, str]:
    """Files of the font's upright and bold faces."""
    from pathlib import Path

    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return {"": str(folder / "DejaVuSans.ttf"), "B": str(folder / "DejaVuSans-Bold.ttf")}


class Paper:
    """A PDF being written from top to bottom."""

    def __init__(self, title: str, footer: str, made: str) -> None:
        self.pdf = _pages()
        for style, file in _faces().items():
            self.pdf.add_font(FAMILY, style, file)
        self._letters = frozenset(self.pdf.fonts[FAMILY].cmap)
        self._lacking = False
        self.pdf.footer_text = self.fit(footer)
        self.pdf.set_margins(MARGIN_MM, 14, MARGIN_MM)
        self.pdf.c_margin = 0.0
        self.pdf.set_auto_page_break(True, 18)
        self.pdf.set_title(clean(title))
        self.pdf.set_lang("en")
        self.pdf.set_creation_date(datetime.fromisoformat(made.replace("Z", "+00:00")))
        self.pdf.add_page()

    def fit(self, text: str) -> str:
        """The text as this paper can show it: control characters gone, missing letters as boxes, order of reading."""
        plain = clean(text)
        shown = "".join(c if ord(c) in self._letters or c == " " else BOX for c in plain)
        self._lacking |= shown != plain
        if any(unicodedata.bidirectional(c) in ("R", "AL") for c in shown):
            from fpdf.bidi import BidiParagraph

            return BidiParagraph(shown).get_reordered_string()
        return shown

    def bytes(self) -> bytes:
        """The finished file."""
        if self._lacking:
            self.gap(3)
            self.text(SPARE, 8, MUTED)
        return bytes(self.pdf.output())

    # ------------------------------------------------------------ blocks

    def gap(self, millimetres: float) -> None:
        """Empty space."""
        self.pdf.ln(millimetres)

    def text(self, text: str, size: float = 9.5, colour: tuple = INK, bold: bool = False, width: float = 0) -> None:
        """A paragraph, wrapped."""
        self._font(size, colour, bold)
        self.pdf.multi_cell(width or 0, size * PT_MM * LINE, self.fit(text), align="L", new_x="LMARGIN", new_y="NEXT")

    def written(self, text: str) -> None:
        """What a user wrote: a paragraph for each of its lines."""
        for line in text.strip().splitlines():
            if line.strip():
                self.text(line)

    def heading(self, text: str, room_mm: float = 22.0) -> None:
        """A heading that stays with at least `room_mm` of what follows."""
        if self.pdf.will_page_break(room_mm + 8):
            self.pdf.add_page()
        else:
            self.gap(4.5)
        self.text(text, 12, INK, bold=True)
        self.gap(1)

    def banner(self, tone: str, sign: str, title: str, text: str) -> None:
        """The answer on a tinted ground with a bar at its left."""
        ink, ground = TONES[tone]
        parts = [(sign, 9.0, ink, True), (title, 14.0, INK, True)] + ([(text, 9.5, INK, False)] if text else [])
        inner, x, y = WIDTH_MM - 10, MARGIN_MM + 6, self.pdf.get_y()
        height = 6 + sum(self._height(part[0], part[1], part[3], inner) for part in parts) + 1.2 * (len(parts) - 1)
        self.pdf.set_fill_color(*ground)
        self.pdf.rect(MARGIN_MM, y, WIDTH_MM, height, "F")
        self.pdf.set_fill_color(*ink)
        self.pdf.rect(MARGIN_MM, y, 2.2, height, "F")
        at = y + 3
        for words, size, colour, bold in parts:
            self._font(size, colour, bold)
            self.pdf.set_xy(x, at)
            self.pdf.multi_cell(inner, size * PT_MM * LINE, self.fit(words), align="L", new_x="LMARGIN", new_y="NEXT")
            at = self.pdf.get_y() + 1.2
        self.pdf.set_y(y + height + 1)

    def bullets(self, texts: Sequence[str], size: float = 9.5) -> None:
        """A list with a dot before each entry."""
        for text in texts:
            self.item("\u2022", text, size, mark_mm=4)

    def item(self, mark: str, text: str, size: float = 9.5, colour: tuple = INK, mark_mm: float = 30) -> None:
        """A mark or a few words at the left, the text hanging beside it; kept on one page."""
        inner = WIDTH_MM - mark_mm
        height = max(self._height(text, size, False, inner), size * PT_MM * LINE)
        if self.pdf.will_page_break(min(height, 60)):
            self.pdf.add_page()
        y, page = self.pdf.get_y(), self.pdf.page
        self._font(size, colour, mark != "\u2022")
        self.pdf.multi_cell(
            mark_mm - 1.5, size * PT_MM * LINE, self.fit(mark), align="L", new_x="LMARGIN", new_y="NEXT"
        )
        below = self.pdf.get_y()
        self.pdf.set_xy(MARGIN_MM + mark_mm, y)
        with self._indented(mark_mm):
            self.text(text, size)
        if self.pdf.page == page:
            self.pdf.set_y(max(self.pdf.get_y(), below))
        self.gap(0.6)

    def table(
        self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], right: Sequence[int] = ()
    ) -> None:
        """Rows under a head that is repeated on each page. widths: shares of the whole; right: columns flush right."""
        from fpdf.fonts import FontFace

        self._font(8.5, INK, False)
        self.pdf.set_draw_color(*RULE)
        self.pdf.set_fill_color(255, 255, 255)
        align = tuple("RIGHT" if at in right else "LEFT" for at in range(len(widths)))
        with self.pdf.table(
            col_widths=tuple(widths), text_align=align, borders_layout="HORIZONTAL_LINES", v_align="TOP",
            line_height=8.5 * PT_MM * LINE, padding=(1.1, 1.2, 1.1, 0), first_row_as_headings=bool(head),
            headings_style=FontFace(emphasis="BOLD", color=MUTED, size_pt=8.5), width=WIDTH_MM, align="LEFT",
        ) as table:  # fmt: skip
            for cells in ([head] if head else []) + list(rows):
                row = table.row()
                for cell in cells:
                    row.cell(self.fit(cell))
        self.gap(1)

    def picture(self, figure: Figure, alt: str, share: float = 1.0) -> None:
        """A picture over `share` of the width."""
        import io

        self.pdf.image(io.BytesIO(plots.to_png(figure, 200)), w=WIDTH_MM * share, alt_text=clean(alt))

    @staticmethod
    def picture_height(figure: Figure, share: float = 1.0) -> float:
        """How high that picture is, millimetres."""
        width, height = figure.get_size_inches()
        return WIDTH_MM * share * float(height / width)

    # ------------------------------------------------------------ inside

    def _font(self, size: float, colour: tuple, bold: bool) -> None:
        self.pdf.set_font(FAMILY, "B" if bold else "", size)
        self.pdf.set_text_color(*colour)

    def _height(self, text: str, size: float, bold: bool, width: float) -> float:
        self._font(size, INK, bold)
        return float(
            self.pdf.multi_cell(width, size * PT_MM * LINE, self.fit(text), align="L", dry_run=True, output="HEIGHT")
        )

    @contextmanager
    def _indented(self, by_mm: float) -> Iterator[None]:
        """A left margin farther in, and back."""
        self.pdf.set_left_margin(MARGIN_MM + by_mm)
        try:
            yield
        finally:
            self.pdf.set_left_margin(MARGIN_MM)
            self.pdf.set_x(MARGIN_MM)


def _pages() -> Any:
    """An empty document whose pages bear a footer with their number."""
    from fpdf import FPDF

    class Pages(FPDF):
        footer_text = ""

        def footer(self) -> None:
            """The line at the foot of each page."""
            self.set_y(-13)
            self.set_font(FAMILY, "", 7.5)
            self.set_text_color(*MUTED)
            self.cell(WIDTH_MM - NUMBER_MM, 5, self._short(), align="L")
            self.cell(NUMBER_MM, 5, f"page {self.page_no()} of {{nb}}", align="R")

        def _short(self) -> str:
            """What stands at the foot, cut where it would run into the number: after a word, if it has several."""
            text = self.footer_text
            if self.get_string_width(text) <= WIDTH_MM - NUMBER_MM:
                return text
            while text and self.get_string_width(f"{text} ...") > WIDTH_MM - NUMBER_MM:
                text = text[:-1]
            whole = text.rpartition(" ")[0]
            return f"{whole if 2 * len(whole) > len(text) else text} ..."

    pages = Pages(format="A4")
    pages.alias_nb_pages()
    return pages
