"""The hand-back as a few lines to paste into a message."""

from __future__ import annotations

from enginelog.model.wording import begun_small
from enginelog.report.handback_sheet import NOTES, RESULTS, CheckRow, Sheet
from enginelog.report.words import GAP, clean, lines_of, sentence

LONGEST = 320  # characters of the complaint, of what was found and done; a message is no report
CUT = " ... (more on the page)"


def sheet_text(sheet: Sheet) -> str:
    """Plain text, one matter a line, no line breaks inside, ending in a newline.

    What to watch, notes for the owner, what he is told and the next service stand there whole: safety may hang on them.
    """
    lines = [sheet.draft] if sheet.draft else []
    lines += [f"{clean(sheet.title)}: {begun_small(sheet.top.answer)}."]
    told = [one for one in sheet.measures if one.verdict in ("better", "worse") or one.code == "stops"]
    lines += [f"- {one.label}: {one.short}" for one in told]
    lines += [f"- {each}" for each in (*sheet.mended, sheet.left_open) if each]
    if sheet.complaint.strip():
        lines.append(f"Came in with: {_short(_in_a_row(sheet.complaint))}")
    failed = [row.title.lower() + _in_brackets(row) for row in sheet.checks if row.result in ("fail", "mended")]
    lines += _list("Found at fault", failed) + _list("Done", [row.named for row in sheet.work])
    cost = ", ".join(text for name, text in sheet.totals if name in ("Cost", "Time"))
    if cost:
        lines.append(f"Cost and time: {cost}")
    lines += [f"{name}: {_in_a_row(text)}" for name, text in sheet.seen if name in NOTES]
    lines += [f"Please watch: {_in_a_row(each)}" for each in _watched([sentence(each) for each in sheet.watch])]
    if sheet.told.strip():
        lines.append(_in_a_row(sheet.told))
    if sheet.next_service.strip():
        lines.append(f"Next service: {_in_a_row(sheet.next_service)}")
    lines.append("Run it outdoors only, keep hands off until all stands still, and follow the manual.")
    lines.append(f"Take care: {sheet.own_care}.")
    return "\n".join(clean(line) for line in lines).replace(GAP, " ") + "\n"


def _in_brackets(row: CheckRow) -> str:
    """What was read and noted of a check that failed, and whether that is put right."""
    said = f"{RESULTS[row.result]}: {row.detail}" if row.result == "mended" else row.detail
    return f" ({said})" if said else ""


def _list(name: str, entries: list[str]) -> list[str]:
    """A line with each entry once; nothing where there is none."""
    return [f"{name}: {_short('; '.join(dict.fromkeys(entries)))}"] if entries else []


def _watched(said: list[str]) -> list[str]:
    """What to watch in a row, where that is short enough; else one by one."""
    row = " ".join(said)
    return [row] if row and len(row) <= LONGEST else said


def _in_a_row(text: str) -> str:
    """What was written in several lines as sentences one after the other; a single line as it is, spaces made one."""
    lines = lines_of(text)
    return " ".join(clean(" ".join(map(sentence, lines)) if len(lines) > 1 else text).split())


def _short(text: str) -> str:
    """A text on one line, cut at a word where it is long, which is said."""
    plain = " ".join(clean(text).split())
    return plain if len(plain) <= LONGEST else plain[:LONGEST].rsplit(" ", 1)[0] + CUT
