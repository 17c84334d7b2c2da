"""The one-screen summary: lines with a kind each, and the same as plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from enginelog.model import Finding, Run
from enginelog.model.wording import begun_small
from enginelog.report.cautions import take_care
from enginelog.report.facts import Fact, facts, is_measured, reason_alone, says_why, speaks_of, why_unknown
from enginelog.report.headline import headline
from enginelog.report.hurting import said_first
from enginelog.report.next_steps import check_line, next_steps
from enginelog.report.words import (
    GAP,
    RECORD_AGAIN,
    VERDICTS,
    assumed_words,
    clean,
    engine_words,
    glued,
    listed,
    moment,
    problem_words,
    ranked,
    recorded,
    said_above,
    seconds,
    sentence,
    title,
    verdict_word,
)

MARKS = {"fault": "[X]", "watch": "[!]", "unknown": "[?]", "ok": "[+]"}


@dataclass(frozen=True)
class Line:
    """One line of the summary before wrapping.

    kind: title, fault, watch, unknown, ok (a verdict of that name), first (what can hurt), fact, problem, next, note,
    caution or blank.
    label: what stands at the left, empty where the text goes on by itself.
    """

    kind: str
    text: str
    label: str = ""


def summary_lines(run: Run) -> list[Line]:
    """What a mechanic wants to know first, in the order of reading."""
    top = headline(run)
    lines = [
        Line("title", _about(run)),
        Line(top.verdict, f"{top.title}. {top.text}", MARKS[top.verdict]),
        *(Line("first", text, "" if index else "First") for index, text in enumerate(said_first(run))),
        Line("blank", ""),
    ]
    lines += _fact_lines(run) if run.quality.usable else []
    lines += _finding_lines(run)
    lines += _recording_lines(run)
    lines += _next_lines(run)
    lines += [Line("blank", "")] if lines[-1].kind != "blank" else []
    lines += [Line("caution", take_care(run.engine.machine), "Take care")]
    return lines


def answer(run: Run) -> Line:
    """The answer alone, as it stands first in the summary, without how to record again."""
    top = headline(run)
    said = f"{top.title}. {top.text}".replace(RECORD_AGAIN, "").replace(GAP, " ").strip()
    return Line(top.verdict, clean(said), MARKS[top.verdict])


def summary_text(run: Run, width: int = 80, steps: bool = True) -> str:
    """The summary as plain text, wrapped to `width` columns (at least 40), ending in a newline; no colours needed.

    steps: False leaves out what to check next, where a job's own suggestion says it.
    """
    lines = [line for line in summary_lines(run) if steps or line.kind != "next"]
    labels = max(len(line.label) for line in lines) + 2
    lines = [
        line for line, before in zip(lines, [None, *lines], strict=False) if line != before or line.kind != "blank"
    ]
    out = [row for line in lines for row in _wrapped(line, max(width, 40), labels)]
    return "\n".join(row.replace(GAP, " ").rstrip() for row in out) + "\n"


def _wrapped(line: Line, width: int, labels: int) -> list[str]:
    """One line as rows: its label at the left (a mark needs less room), its text hanging beside it."""
    indent = len(line.label) + 1 if line.label in MARKS.values() else labels
    indent = 0 if line.kind in ("title", "blank") else indent
    rows = textwrap.wrap(glued(clean(line.text)), width - indent, break_on_hyphens=False) or [""]
    return [line.label.ljust(indent) + rows[0]] + [" " * indent + row for row in rows[1:]]


def _about(run: Run) -> str:
    name = clean(run.clip.name) or "recording without a name"
    when = recorded(run)
    return f"{name} ({seconds(run.clip.seconds)}{f', recorded {when}' if when else ''})"


def _fact_lines(run: Run) -> list[Line]:
    lines = []
    for fact in facts(run):
        if fact.known:
            lines.append(Line("fact", fact.value + (f"; {fact.behind}" if fact.behind else ""), fact.label))
        else:
            lines.append(Line("unknown", f"cannot tell: {begun_small(why_unknown(run, fact))}", fact.label))
    return [*lines, Line("blank", "")] if lines else []


def _finding_lines(run: Run) -> list[Line]:
    """Findings to act on, and what could not be told where no fact above says so already."""
    found = facts(run) if run.quality.usable else []
    lines: list[Line] = []
    unknown: dict[tuple[str, str], list[str]] = {}
    for finding in ranked(run.measures.findings):
        if finding.verdict in ("fault", "watch"):
            said_so = f"{VERDICTS[finding.verdict]}: {title(finding.code, finding.of)}. {sentence(finding.text)}"
            when = _when(run, finding.start_s, finding.end_s)
            lines.append(Line(finding.verdict, said_so + when, MARKS[finding.verdict]))
        elif finding.verdict == "unknown" and not _said_with_facts(finding, found):
            word = verdict_word("unknown", is_measured(found, finding))
            unknown.setdefault((word, reason_alone(finding.text)), []).append(title(finding.code))
    why = said_above(run)
    for (word, reason), titles in unknown.items():
        text = f"{word}: {listed(titles)}. {'' if why and why in reason else sentence(reason)}".rstrip()
        lines.append(Line("unknown", text, MARKS["unknown"]))
    return [*lines, Line("blank", "")] if lines else []


def _said_with_facts(finding: Finding, found: Sequence[Fact]) -> bool:
    """Whether one of the facts says already why this could not be told."""
    return any(says_why(finding, fact) or (not fact.known and speaks_of(finding, fact)) for fact in found)


def _when(run: Run, start_s: float | None, end_s: float | None) -> str:
    if start_s is None:
        return ""
    begin = moment(start_s, run.clip.seconds)
    if end_s is None or end_s - start_s < 0.1:
        return f" At {begin}."
    return f" From {begin} to {moment(end_s, run.clip.seconds)}."


def _recording_lines(run: Run) -> list[Line]:
    lines = []
    for index, problem in enumerate(run.quality.problems):
        text = " ".join(part for part in problem_words(run, problem) if part)
        lines.append(Line("problem", text, "Recording" if index == 0 else ""))
    if run.timeline.engine_heard:
        taken = assumed_words(run.engine)
        note = f" (assumed, as nobody said otherwise: {taken})" if taken else ""
        lines.append(Line("note", engine_words(run.engine) + note, "Engine"))
    return lines


def _next_lines(run: Run) -> list[Line]:
    """The rules' checks in their order, then what else to tell or to record, and where it is said how."""
    steps = next_steps(run)
    texts = [f"{number}. {step}" for number, step in enumerate([*map(check_line, steps.checks), *steps.others], 1)]
    if steps.checks:
        texts.append(f"How and with what care: enginelog explain '{steps.checks[0].check.title}', or the report")
    return [Line("next", text, "" if index else "Check next") for index, text in enumerate(texts)]
