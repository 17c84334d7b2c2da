"""The hand-back as a PDF."""

from __future__ import annotations

from enginelog.compare.words import INTERVALS, matters
from enginelog.model import Difference
from enginelog.report import words
from enginelog.report.comparison import CHANGE_SIGNS, change_word
from enginelog.report.handback_page import CHANGE_TONES
from enginelog.report.handback_sheet import RESULTS, Sheet
from enginelog.report.pdf_paper import MUTED, TONES, Paper

RESULT_TONES = {"pass": "ok", "mended": "ok", "fail": "fault"}
RESULT_MARKS = {"pass": "\u2713", "mended": "\u2713", "fail": "\u2715"}
FOOT = (
    "How sure this is. Measured from sound recordings made with a phone. They show how the engine ran while it was "
    "recorded; they certify nothing."
)


def sheet_pdf(sheet: Sheet, made: str) -> bytes:
    """The PDF's bytes. made: the time it says it was made, ISO 8601; the same sheet and time give the same bytes."""
    paper = Paper(f"{sheet.over}, {sheet.title}", f"{sheet.over} · {sheet.title}", made)
    _head(paper, sheet)
    if sheet.audience == "owner":
        _pictures(paper, sheet)
    _wrong(paper, sheet)
    _found(paper, sheet)
    _done(paper, sheet)
    if sheet.audience == "bench":
        _pictures(paper, sheet)
    _measures(paper, sheet)
    _limits(paper, sheet)
    _told(paper, sheet)
    _care(paper, sheet)
    _facts(paper, sheet)
    return paper.bytes()


def _head(paper: Paper, sheet: Sheet) -> None:
    paper.text(sheet.over, 9, MUTED, bold=True)
    paper.text(sheet.title, 18, bold=True)
    paper.text(sheet.about, 9, MUTED)
    if sheet.draft:
        paper.text(sheet.draft, 9.5, bold=True)
    paper.gap(3)
    top = sheet.top
    paper.banner(top.tone, f"{top.mark} {top.sign}", top.answer, top.text)


def _wrong(paper: Paper, sheet: Sheet) -> None:
    paper.heading("What was wrong")
    if sheet.complaint.strip():
        paper.written(sheet.complaint)
    else:
        paper.text("No complaint was written down.", colour=MUTED)
    paper.gap(1)
    for name, text in sheet.seen:
        for number, line in enumerate(words.lines_of(text)):
            paper.item("" if number else name, line, mark_mm=22)


def _found(paper: Paper, sheet: Sheet) -> None:
    if not sheet.checks:
        return
    paper.heading("What the bench checks showed" if sheet.audience == "bench" else "What was found")
    for row in sheet.checks:
        ink = TONES[RESULT_TONES.get(row.result, "unknown")][0]
        mark = f"{RESULT_MARKS.get(row.result, '–')} {RESULTS.get(row.result, row.result)}"
        paper.item(mark, row.title + (f": {row.detail}" if row.detail else ""), colour=ink)
    if sheet.suggestion:
        paper.text(sheet.suggestion, 9, MUTED)


def _done(paper: Paper, sheet: Sheet) -> None:
    paper.heading("What was done", room_mm=min(22.0 + 5.5 * len(sheet.work), 80.0))
    if sheet.work:
        rows = [(row.named, row.minutes, row.cost) for row in sheet.work]
        paper.table(("", "Time", "Cost"), rows, (0.66, 0.17, 0.17), right=(1, 2))
    else:
        paper.text("No work was written down.", colour=MUTED)
    for name, text in sheet.totals:
        paper.item(name, text, mark_mm=22)


def _pictures(paper: Paper, sheet: Sheet) -> None:
    share = 1.0 if sheet.audience == "bench" else 0.95
    for number, one in enumerate(sheet.drawings()):
        changes = sheet.measures if number == 0 and sheet.audience == "owner" else ()
        below = 12.0 + 6.0 * len(changes)
        paper.heading(one.title, room_mm=paper.picture_height(one.wide, share) + below)
        _changes(paper, changes)
        paper.picture(one.wide, one.alt, share)
        paper.text(one.caption, 8, MUTED)


def _changes(paper: Paper, changes: tuple[Difference, ...]) -> None:
    for change in changes:
        ink = TONES[CHANGE_TONES[change.verdict]][0]
        mark = f"{CHANGE_SIGNS[change.verdict]} {change_word(change)}"
        paper.item(mark, f"{change.label}: {change.short}", colour=ink)
    if changes:
        paper.gap(1.5)


def _measures(paper: Paper, sheet: Sheet) -> None:
    if not sheet.measures or sheet.audience != "bench":
        return
    paper.heading("Before against after, measure by measure")
    rows = []
    for one in sheet.measures:
        basis = one.text
        if one.least is not None and one.source:
            basis += f" Matters from {matters(one.least, one.unit)} on: {one.source}."
        rows.append((one.label, f"{CHANGE_SIGNS[one.verdict]} {change_word(one)}", basis))
    paper.table(("Measure", "Verdict", "What it rests on"), rows, (0.22, 0.16, 0.62))
    paper.text(INTERVALS, 8, MUTED)


def _limits(paper: Paper, sheet: Sheet) -> None:
    if not sheet.limits:
        return
    paper.heading("After the work: measures and limits")
    rows = []
    for one in sheet.limits:
        value = f"{one.value}; {one.judged}" if one.judged else one.value
        verdict = f"{words.SIGNS[one.verdict]} {words.verdict_word(one.verdict, one.measured)}"
        rows.append((one.label, value, f"{one.limit}; {verdict}", one.source))
    paper.table(("Measure", "Value", "Limit", "Where the limit is from"), rows, (0.17, 0.24, 0.19, 0.4))


def _told(paper: Paper, sheet: Sheet) -> None:
    if sheet.notes:
        paper.heading("Keep in mind")
        paper.bullets(sheet.notes)
    if sheet.watch:
        paper.heading("What to watch")
        paper.bullets(sheet.watch)
    if sheet.told.strip():
        told = "What the owner is to be told" if sheet.draft else "What the owner was told"
        paper.heading("For you to know" if sheet.audience == "owner" else told)
        paper.written(sheet.told)
    if sheet.next_service.strip():
        paper.heading("Next service")
        paper.written(sheet.next_service)


def _care(paper: Paper, sheet: Sheet) -> None:
    paper.heading("Take care")
    full = sheet.audience == "bench"
    paper.bullets(
        [f"{one.title}. {one.text}" + (f" Source: {one.source}." if full else "") for one in sheet.cautions] + [FOOT],
        8.5,
    )


def _facts(paper: Paper, sheet: Sheet) -> None:
    if not sheet.facts:
        return
    paper.heading("The engine and the recordings")
    for name, text in sheet.facts:
        paper.item(name, text, 8.5, mark_mm=30)
