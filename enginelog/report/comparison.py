"""A comparison for its reader: as text, and as one JSON document."""

from __future__ import annotations

import json
import textwrap
from typing import Any

from enginelog.compare.words import INTERVALS, NOT_SURE, both_known
from enginelog.model import Compared, Comparison, Difference
from enginelog.report.record import number
from enginelog.report.words import GAP, clean, title

COMPARISON_SCHEMA = "enginelog/comparison/1"
CHANGE_WORDS = {
    "better": "Better",
    "worse": "Worse",
    "same": "Same",
    "changed": "Changed",
    "cannot_tell": "Cannot tell",
    "mixed": "Some better, some worse",
}
CHANGE_MARKS = {"better": "[+]", "worse": "[X]", "same": "[=]", "changed": "[~]", "cannot_tell": "[?]", "mixed": "[!]"}
CHANGE_SIGNS = {"better": "\u2713", "worse": "\u2715", "same": "=", "changed": "~", "cannot_tell": "?", "mixed": "!"}
CHANGES_FIRST = ("worse", "better", "changed", "same", "cannot_tell")


def change_word(one: Difference) -> str:
    """The verdict on a measure in a word or two: "cannot tell" would deny figures that stand beside it."""
    return NOT_SURE if one.verdict == "cannot_tell" and both_known(one) else CHANGE_WORDS[one.verdict]


def told_first(comparison: Comparison) -> list[Difference]:
    """The measures in the order of reading: worse, better, changed, same, cannot tell; without one whose whole text the
    summary holds, as that of an engine that runs now and did not before."""
    rows = (one for one in comparison.measures if one.text not in comparison.summary)
    return sorted(rows, key=lambda one: CHANGES_FIRST.index(one.verdict))


def side_words(one: Compared) -> str:
    """What was heard in one of the two, and what of it is a fault or to be watched: better than before is not yet
    well."""
    amiss = (("fault", faults_of(one)), ("watch", watches_of(one)))
    return "; ".join([one.heard, *(f"{verdict}: {names}" for verdict, names in amiss if names)])


def faults_of(one: Compared) -> str:
    """The faults heard in one of the two, by the names the reports use; empty where none was."""
    return _named(one.faults)


def watches_of(one: Compared) -> str:
    """What was heard in one of the two that is to be watched and is no fault; empty where nothing was."""
    return _named(one.watches)


def _named(codes: tuple[str, ...]) -> str:
    return ", ".join(dict.fromkeys(title(code).lower() for code in codes))


def comparison_record(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain dicts and lists; unknown numbers None."""
    sides = {
        side: {
            "name": one.name,
            "sha256": one.sha256,
            "heard": one.heard.replace(GAP, " "),
            "faults": list(one.faults),
            "watches": list(one.watches),
        }
        for side, one in (("before", comparison.before), ("after", comparison.after))
    }
    return {
        "schema": COMPARISON_SCHEMA,
        "comparable": comparison.comparable,
        "verdict": comparison.verdict,
        "summary": comparison.summary.replace(GAP, " "),
        "reason": _plain(comparison.reason),
        "advice": _plain(comparison.advice),
        **sides,
        "measures": [_measure(one) for one in comparison.measures],
        "intervals": _plain(_intervals(comparison)),
        "notes": list(comparison.notes),
        "limits_used": {name: number(value, 9) for name, value in comparison.limits_used},
    }


def _measure(one: Difference) -> dict[str, Any]:
    names = ("before", "after", "difference", "low", "high", "least")
    numbers = {name: number(getattr(one, name), 4) for name in names}
    words = {"code": one.code, "label": one.label, "unit": one.unit, "verdict": one.verdict}
    return words | numbers | {"text": one.text.replace(GAP, " "), "source": one.source}


def _intervals(comparison: Comparison) -> str | None:
    """What the intervals mean; None where none is given."""
    return INTERVALS if any(one.low is not None for one in comparison.measures) else None


def _plain(text: str | None) -> str | None:
    return None if text is None else text.replace(GAP, " ")


def comparison_json(comparison: Comparison) -> str:
    """The comparison as one JSON document in plain ASCII, ending in a newline."""
    return json.dumps(comparison_record(comparison), allow_nan=False, separators=(",", ":")) + "\n"


def comparison_text(comparison: Comparison, width: int = 80) -> str:
    """The comparison as plain text, wrapped to `width` columns (at least 40), ending in a newline."""
    rows = [
        f"Before  {clean(comparison.before.name) or 'recording without a name'}: {side_words(comparison.before)}",
        f"After   {clean(comparison.after.name) or 'recording without a name'}: {side_words(comparison.after)}",
        "",
        f"{CHANGE_MARKS[comparison.verdict]} {clean(comparison.summary)}",
    ]
    if comparison.advice:
        rows.append(f"    {clean(comparison.advice)}")
    changes = told_first(comparison)
    rows += [""] if changes else []
    rows += [f"{CHANGE_MARKS[one.verdict]} {change_word(one)}: {one.label}. {clean(one.text)}" for one in changes]
    told = [_intervals(comparison), *comparison.notes]
    notes = [f"Note    {clean(note)}" for note in told if note]
    rows += ["", *notes] if notes else []
    return "\n".join(line for row in rows for line in _wrapped(row, max(width, 40))).replace(GAP, " ") + "\n"


def _wrapped(row: str, width: int) -> list[str]:
    """One row, its further lines under its text."""
    indent = " " * (8 if row[:8] in ("Before  ", "After   ", "Note    ") else 4)
    return textwrap.wrap(row, width, subsequent_indent=indent, break_on_hyphens=False) or [""]
