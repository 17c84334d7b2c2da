"""The guided sequence of recordings as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from enginelog.advice.guide import Judged, Plan, Step
from enginelog.limits.trade import formulas, protocols
from enginelog.limits.trade.cautions import in_short
from enginelog.model.wording import as_told, counted
from enginelog.report.layout import listed, page, rows


def plan_text(plan: Plan, width: int = 80) -> str:
    """The whole sequence: cautions and data plate first, then the phone, then each recording."""
    width = max(width, 40)
    return page(
        [f"Recordings to make: {plan.machine}"],
        listed("Take care", (f"{each.title}: {each.text}" for each in plan.cautions), width),
        _noise(plan, width),
        listed("Read first", plan.ask_first, width),
        listed("Phone", (hint.text for hint in protocols.hints()), width),
        *(step_lines(number, step, width) for number, step in enumerate(plan.steps, 1)),
    )


def _noise(plan: Plan, width: int) -> list[str]:
    return listed(
        "Noise",
        (
            f"near the typical {as_told(each.level_dba)} dBA of a {each.machine}, unprotected at most"
            f" {_minutes(each.minutes)} a day by the {each.rule} ({each.source})"
            for each in plan.exposures
        ),
        width,
    )


def _minutes(minutes: float) -> str:
    if minutes < 2:
        return f"{60 * minutes:z.0f} s"
    return f"{minutes:z.0f} min" if minutes < 120 else f"{minutes / 60:z.1f} h"


def step_lines(number: int, step: Step, width: int) -> list[str]:
    """One recording to make: what, for how long, how, why, with its cautions."""
    turns = ""
    if step.test.revolutions and step.assumed_rpm:
        turns = f": {step.test.revolutions:z.0f} revolutions at {step.assumed_rpm:z.0f} rpm, and not under"
        turns += f" {step.test.least_seconds:z.0f} s"
    lines = rows(
        f"{number}.", f"{step.test.title} ({step.test.name}), {step.seconds:z.0f} s of running{turns}", width, 4
    )
    if step.firings:
        bound = formulas.unheard_percent(step.firings)
        text = f"{step.firings} firings: none lost in them still leaves up to {bound:z.1f} % possible (1 - 0.05^(1/n))"
        lines += rows("    Enough for", text, width, 15)
    lines += rows("    How", step.how, width, 15) + rows("    Why", step.test.why, width, 15)
    lines += rows("    Take care", in_short(step.cautions) + ".", width, 15)
    return lines + rows("    Source", step.test.source, width, 15)


def judged_lines(name: str, judged: Judged, width: int, hurts: bool = False) -> list[str]:
    """What a recording was, and what to do where it will not do; nothing of that where what can hurt was heard."""
    mark = "[+]" if judged.will_do and not hurts else "[!]"
    verdict = "What can hurt was heard." if hurts else "Will do." if judged.will_do else " ".join(judged.again)
    return rows(mark, f"{judged.test.title}: {name}: {judged.heard}. {verdict}", max(width, 40), 4)


def next_text(plan: Plan, done: Sequence[str], width: int = 80, starts: bool = True, first: Sequence[str] = ()) -> str:
    """What to record next, with all that belongs to it; or that all is done. starts: whether the engine does. first:
    what can hurt and was heard, before which no other recording is asked for."""
    if first:
        text = "no other recording before that: 'enginelog advise' goes on from its record ('check --json')."
        return page(listed("First", first, max(width, 40)), rows("Next", text, max(width, 40)))
    waiting = [(number, step) for number, step in enumerate(plan.steps, 1) if step.test.name not in done]
    if not waiting:
        return page(rows("Next", "all recordings are made. 'enginelog advise' goes on from their records.", width))
    if not starts:
        others = counted(len(waiting), "other recording")
        text = f"it does not start: 'enginelog advise' goes on from its record ('check --json'); {others} once it runs."
        return page(rows("Next", text, width))
    number, step = waiting[0]
    return page([f"Next, {len(waiting)} to go:"], step_lines(number, step, max(width, 40)))
