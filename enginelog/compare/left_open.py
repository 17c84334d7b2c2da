"""What was amiss before and is neither heard after nor judged well there: nobody may take it for gone."""

from __future__ import annotations

from enginelog.compare.measures import RUNNING, SPEED, START
from enginelog.model import Compared, Difference, Run
from enginelog.model.wording import begun_small, joined

NOT_SHOWN_GONE = "Heard before, and not shown to be gone"
BY_LOAD = {one.code for one in (SPEED, *RUNNING) if one.by_load} | {"cylinder_balance"}
NAMES = {one.code: begun_small(one.label) for one in (*START, SPEED, *RUNNING)} | {
    "cylinder_balance": "cylinders",
    "blade_speed": "blade tip speed",
    "settling": "rough start",
    "stop": "stopping",
    "start": "starting",
    "load": "taking load",
}


def left_open(
    before: Compared, after: Compared, judged: Run, measures: tuple[Difference, ...], loads_unlike: bool = False
) -> tuple[str, ...]:
    """Codes of what was a fault or to be watched before, and is not said to be so after: not judged well there either,
    and no measure tells it. judged: the run after. loads_unlike: only one of the two ran under load, so that what a
    load alone changes and is well after was not shown to be put right."""
    well = {one.code for one in judged.measures.findings if one.verdict == "ok"}
    well -= BY_LOAD if loads_unlike else set()
    told = {one.code for one in measures if one.verdict != "cannot_tell"}
    heard = {*after.faults, *after.watches}
    return tuple(code for code in (*before.faults, *before.watches) if code not in well | told | heard)


def said_open(codes: tuple[str, ...]) -> str:
    """What is left open, as a sentence; empty where nothing is."""
    names = dict.fromkeys(NAMES.get(code, code.replace("_", " ")) for code in codes)
    return f"{NOT_SHOWN_GONE}: {joined(list(names))}." if names else ""
