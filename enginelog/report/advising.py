"""Advice as plain text and as JSON: what was found, what comes first as it can hurt, likely causes and why, the next
checks, questions, cautions."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from enginelog.advice import MOST_STEPS, Advice, Likely, NextCheck, ValueLine
from enginelog.limits.trade import cautions
from enginelog.limits.trade.knowledge import Cause
from enginelog.report.layout import listed, page, rows

SCHEMA = "enginelog/advice/1"
MOST_CAUSES = 5
MOST_QUESTIONS = 4
BY_ELIMINATION = "By elimination, without a look at it"
SUGGESTION = "A suggestion from rules, never a verdict; the machine's manual comes first."
GOES_ON = "nothing was heard; it goes on from what was told"
RANK_WORDS = {
    "pointed_to": "what was checked points to it",
    "likely": "likely",
    "possible": "possible",
    "seldom": "seldom",
}
POSITIONS = {"inside": "inside", "above": "above", "below": "below", "not measured": "not measured",
             "not sure": "not sure", "near": "inside or not, by ear that cannot be told"}  # fmt: skip

WHERE_TOLD = "told with these options to 'check' or, of a machine on record, to 'machine' (then 'reanalyse' the run)"


def advice_text(advice: Advice, width: int = 80) -> str:
    """All of it as plain text, wrapped to `width` columns (at least 40), ending in a newline."""
    width = max(width, 40)
    return page(
        listed("Found", advice.signs or (GOES_ON if advice.causes else "nothing that rules go on from",), width),
        [line for value in advice.values for line in _value(value, width)],
        listed("Ask first", (*advice.ask_first, WHERE_TOLD) if advice.ask_first else (), width),
        rows("Balance", advice.balance, width),
        listed("First", advice.first, width),
        _found(advice, width),
        _causes(advice, width),
        _checks(advice, width),
        _questions(advice, width),
        listed("Ruled out", (f"{each.cause.title}, as {each.because}" for each in advice.ruled_out), width),
        listed("Cannot tell", advice.cannot, width),
        listed("Take care", (f"{caution.title}: {caution.text}" for caution in advice.cautions), width),
    )


def value_words(line: ValueLine) -> str:
    """A measured value against its limit, with where it lies and where the limit is from."""
    basis = "told" if line.basis == "told" else "usual, no verdict"
    where = f"{basis}: {line.limit}"
    if line.position != line.value:  # "not measured" stands there already
        where += f": {POSITIONS[line.position]}"
    text = f"{line.title}: {line.value}; {where} ({line.cited})."
    return f"{text} {line.to_do}".rstrip()


def check_results(each: NextCheck) -> tuple[str, str]:
    """What a pass and a fail of a check say, in words."""
    out = "; ".join(dict.fromkeys(cause.place for cause in each.pass_rules_out))
    to = "; ".join(cause.title for cause in each.fail_points_to)
    passed = each.check.if_pass + (f" Rules out: {out}." if out else "")
    return passed, each.check.if_fail + (f" Points to: {to}." if to else "")


def check_cautions(each: NextCheck) -> str:
    """The cautions of a check in short, on one line."""
    return cautions.in_short(each.cautions) + "."


def _value(line: ValueLine, width: int) -> list[str]:
    return rows("Value", value_words(line), width)


def _found(advice: Advice, width: int) -> list[str]:
    if not advice.found:
        return []
    stays = "" if advice.ended else " If the fault stays:"
    asked = f"{advice.ended or 'Put right by the manual, then record again.'}{stays}"
    shown = f"{titles_of(advice.shown)}." if advice.shown else ""
    left = f"{BY_ELIMINATION}: {titles_of(advice.by_elimination)}." if advice.by_elimination else ""
    return rows("Shown" if shown else "Left", f"{shown} {left} {asked}".strip(), width)


def titles_of(causes: Iterable[Cause]) -> str:
    """Causes on one line."""
    return "; ".join(cause.title for cause in causes)


def _causes(advice: Advice, width: int) -> list[str]:
    if not advice.causes:
        return rows("Causes", "none of the rules speaks; with a fault you notice, record it when it shows.", width)
    lines = rows("Causes", SUGGESTION, width)
    for number, likely in enumerate(advice.causes[:MOST_CAUSES], 1):
        lines += rows(f"  {number}.", f"{likely.cause.title} ({likely_words(likely)})", width, 5)
        lines += rows("     How", likely.cause.why, width, 14)
        lines += rows("     Because", "; ".join(dict.fromkeys(likely.because)) + ".", width, 14)
        lines += rows("     Source", likely.cause.source, width, 14)
    more = len(advice.causes) - MOST_CAUSES
    titles = "; ".join(dict.fromkeys(likely.cause.place for likely in advice.causes[MOST_CAUSES:]))
    return lines + (rows("  Also", titles + ".", width, 8) if more > 0 else [])


def likely_words(likely: Likely) -> str:
    """How likely, and whether it is the engine at all."""
    return RANK_WORDS[likely.rank] + ("; no fault of the engine" if likely.cause.mimic else "")


def _checks(advice: Advice, width: int) -> list[str]:
    lines = rows("Check next", "the one that tells most for the least work first", width) if advice.checks else []
    for number, each in enumerate(advice.checks[:MOST_STEPS], 1):
        passed, failed = check_results(each)
        lines += rows(f"  {number}.", f"{each.check.title}, about {each.check.minutes} min", width, 5)
        for label, text in (("How", each.check.how), ("Pass", passed), ("Fail", failed)):
            lines += rows(f"     {label}", text, width, 14)
        lines += rows("     Take care", check_cautions(each), width, 16)
        lines += rows("     Source", each.check.source, width, 14)
        lines += rows("     Then", f"--check {each.check.name.replace('_', '-')}=pass, or =fail", width, 14)
    return lines


def _questions(advice: Advice, width: int) -> list[str]:
    return listed(
        "Questions",
        (
            f"{question.text} --answer {question.name.replace('_', '-')}={'|'.join(question.answers)} ({question.why})"
            for question in advice.questions[:MOST_QUESTIONS]
        ),
        width,
    )


def advice_record(advice: Advice) -> dict[str, Any]:
    """Advice as plain data for JSON."""
    return {
        "schema": SCHEMA,
        "signs": list(advice.signs),
        "rules": [
            {"name": m.rule.name, "title": m.rule.title, "because": list(m.because), "means": m.rule.means,
             "source": m.rule.source}
            for m in advice.matched
        ],
        "balance": advice.balance,
        "first": list(advice.first),
        "found": [cause.name for cause in advice.found],
        "by_elimination": [cause.name for cause in advice.by_elimination],
        "causes": [
            {"name": c.cause.name, "title": c.cause.title, "rank": c.rank, "mimic": c.cause.mimic, "why": c.cause.why,
             "because": list(c.because), "checks": list(c.checks), "source": c.cause.source}
            for c in advice.causes
        ],
        "ruled_out": [{"name": c.cause.name, "because": c.because} for c in advice.ruled_out],
        "checks": [_check_record(each) for each in advice.checks],
        "questions": [
            {"name": q.name, "text": q.text, "answers": list(q.answers), "why": q.why} for q in advice.questions
        ],
        "ask_first": list(advice.ask_first),
        "values": [vars(line) for line in advice.values],
        "cannot": list(advice.cannot),
        "cautions": [{"name": c.name, "text": c.text, "source": c.source} for c in advice.cautions],
    }  # fmt: skip


def _check_record(each: NextCheck) -> dict[str, Any]:
    check = each.check
    return {
        "name": check.name,
        "title": check.title,
        "how": check.how,
        "minutes": check.minutes,
        "if_pass": check.if_pass,
        "pass_rules_out": [cause.name for cause in each.pass_rules_out],
        "if_fail": check.if_fail,
        "fail_points_to": [cause.name for cause in each.fail_points_to],
        "cautions": list(check.cautions),
        "source": check.source,
    }


def advice_json(advice: Advice) -> str:
    """Advice as one JSON document in plain ASCII, ending in a newline."""
    return json.dumps(advice_record(advice), allow_nan=False, indent=1) + "\n"
