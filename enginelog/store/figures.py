"""The main figures of an analysis, kept beside its record so that lists and trends need not read it."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields, replace
from typing import Any

from enginelog.model import Run, RunFigures
from enginelog.store.errors import StoreUnreadableError

ADVICE = "'enginelog verify' names it; fetch it from a backup"
_GRAVITY = ("ok", "unknown", "watch", "fault")
_CODES = ("amiss", "faults")
_LISTS = (*_CODES, "held_rpm")
_NAMES = frozenset(each.name for each in fields(RunFigures))


def figures_of(run: Run) -> RunFigures:
    """The figures of one run; what is not finite counts as not known."""
    measures, story = run.measures, run.timeline
    verdicts = [finding.verdict for finding in measures.findings if finding.verdict in _GRAVITY]
    return _finite(
        RunFigures(
            heard=bool(story.engine_heard),
            usable=bool(run.quality.usable),
            pulls=int(story.pulls),
            pulls_low=None if story.pulls_sure else int(story.pulls_least),
            pulls_high=None if story.pulls_sure else story.pulls_high,
            rpm=measures.speed.rpm,
            rpm_low=measures.speed.rpm_low,
            rpm_high=measures.speed.rpm_high,
            misfire_percent=measures.firing.misfire_percent,
            misfire_low=measures.firing.misfire_low,
            misfire_high=measures.firing.misfire_high,
            hunting_swing_percent=measures.hunting.swing_percent,
            seconds_to_run=story.seconds_to_run,
            rundown_s=story.rundown_s,
            worst=max(verdicts, key=_GRAVITY.index, default=None),
            amiss=tuple(each.code for each in measures.findings if each.verdict in ("watch", "fault")),
            faults=tuple(each.code for each in measures.findings if each.verdict == "fault"),
            or_rpm=measures.speed.or_rpm,
            speed_confidence=measures.speed.confidence,
            engine_chance=story.confidence,
            held_rpm=tuple(one.rpm for one in measures.speed.held),
        )
    )


def to_text(figures: RunFigures) -> str:
    """The figures as a line of JSON."""
    return json.dumps(asdict(figures), allow_nan=False)


def from_text(text: str) -> RunFigures:
    """The figures of a line of JSON; fields this version does not know are passed over.

    StoreUnreadableError where it does not hold figures, each of its kind.
    """
    try:
        read = {name: value for name, value in json.loads(text).items() if name in _NAMES}
        for name, value in read.items():
            if not _right_kind(name, value):
                raise ValueError(f"figure {name} is {repr(value)[:60]}")
        return RunFigures(**read | {name: tuple(read.get(name, ())) for name in _LISTS})
    except (ValueError, TypeError, AttributeError, RecursionError) as failed:
        raise StoreUnreadableError(f"the figures of an analysis are damaged ({failed}); {ADVICE}") from failed


def _right_kind(name: str, value: object) -> bool:
    if name in ("heard", "usable"):
        return isinstance(value, bool)
    if name in _CODES:
        return isinstance(value, list) and all(isinstance(code, str) for code in value)
    if name == "worst":
        return value is None or value in _GRAVITY
    if name == "held_rpm":
        return isinstance(value, list) and all(_is_number(rpm) for rpm in value)
    return value is None or _is_number(value)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _finite(figures: RunFigures) -> RunFigures:
    values = {each.name: getattr(figures, each.name) for each in fields(figures)}
    numbers = {name: value for name, value in values.items() if isinstance(value, float)}
    known: dict[str, Any] = {name: float(v) if math.isfinite(v) else None for name, v in numbers.items()}
    return replace(figures, **known)
