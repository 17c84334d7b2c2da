"""What was held against a limit, and the limit, in words: a value must never stand beside a limit it was not held
against."""

from __future__ import annotations

import re
from collections.abc import Sequence

from enginelog.model import IDLE, LOSSES, Finding, Run, held_against
from enginelog.report import words
from enginelog.report.facts import Fact, limit_of

# What the value of a finding is, where the measure that carries it shows another one first.
OF = {
    "hunting": "of the speed from top to bottom",
    "load": "until steady again",
    "cylinder_balance": "strong, the weakest of them",
}
OF_LOAD = {"dip": "deep, the dip", "droop": "lower under load", "recovery": "until steady again", "surges": "after it"}
OF_LOSSES = "of the firings of one cylinder lost"
# What the figure of a finding is of, where it stands in a table without its sentence.
OF_THEIR_OWN = {
    "throttle": "Pause as the throttle opens",
    "timing": "Timing of the firings",
    "blade_speed": "Highest speed held, for the tip of the blade",
}
COUNTED = ("start", "pops")  # their measures say the same number in other words


def judged(run: Run, fact: Fact, finding: Finding) -> str:
    """What was held against the finding's limit, where that is not the value which the measure shows; empty where it
    is: 'judged: 3055 rpm, the highest held for a second'."""
    if not finding.value or finding.code in COUNTED or _says(_shown(fact, finding), finding.value, finding.unit or ""):
        return ""
    return f"judged: {words.measured(finding)}{_of(run, finding)}"


def _shown(fact: Fact, finding: Finding) -> str:
    """Where a row may show the value of a finding: first of all, or, where nothing of its unit stands there, behind it
    (an interval is no value). Of two values of one unit a reader could not know which was held against the limit."""
    if re.search(rf"\d\s{re.escape(finding.unit or '')}(?!\w)", fact.value):
        return fact.value
    return re.sub(r"\(.*?\)|95\s% interval [^;]*", "", fact.behind)


def _says(text: str, value: float, unit: str) -> bool:
    """Whether a text says the value, to the digits to which it says it."""
    numbers = re.findall(rf"(?<![\d.])(\d+(?:\.(\d+))?)\s{re.escape(unit)}(?!\w)", text)
    return any(abs(value - float(number)) <= 0.5001 * 10 ** -len(decimals) for number, decimals in numbers)


def _of(run: Run, finding: Finding) -> str:
    if finding.code == "cylinder_balance" and held_against(run, finding) == LOSSES:
        return f" {OF_LOSSES}"
    if finding.code == "load" and finding.of:
        return f" {OF_LOAD[finding.of]}"
    if finding.code != "speed":
        return f" {OF[finding.code]}" if finding.code in OF else ""
    return ", as it idled" if held_against(run, finding) == IDLE else ", the highest held for a second"


def beside(run: Run, found: Sequence[Fact]) -> list[Finding]:
    """The findings with a limit of their own that no measure in a table of `found` carries."""
    carried = {id(limit_of(run, fact)) for fact in found}
    return [each for each in run.measures.findings if each.limit is not None and id(each) not in carried]


def row_name(finding: Finding) -> str:
    """What the figure of such a finding is of."""
    return OF_THEIR_OWN.get(finding.code, words.title(finding.code))


def limit_words(run: Run, finding: Finding) -> str:
    """The limit with its unit; of an idle speed, which may lie on either side, the one told and how far it may be off.

    Empty where there is none.
    """
    shown = words.amount(finding.limit, finding.unit)
    off = run.limits_used.get("findings.idle_watch_percent")
    if finding.code != "speed" or held_against(run, finding) != IDLE or off is None:
        return shown
    return f"{shown} told, {words.percent(off)} either way"
