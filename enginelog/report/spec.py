"""The run record, version 1, written down as data, and a reader that holds a document to it.

Each field is one entry of `RECORD`: a `Leaf` (what may stand there), a dict (an object with these fields) or a list of
one entry (a list of such things). Fields the specification does not know are allowed, as later versions of the program
may add some; none may be missing. Every error names the place, what was found there and what was expected.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from enginelog.model import SCHEMA, EnginelogError


class RecordError(EnginelogError):
    """A document is no valid run record: one line naming the place and what was expected there."""


@dataclass(frozen=True)
class Leaf:
    """One value: `expected` in words for the error, `accepts` the test, `nullable` where None stands for unknown."""

    expected: str
    accepts: Callable[[Any], bool]
    nullable: bool = False


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < float("inf")


def _within(low: float, high: float) -> Callable[[Any], bool]:
    return lambda value: _is_number(value) and low <= value <= high


def _one_of(*names: str) -> Leaf:
    return Leaf("one of " + ", ".join(names), lambda value: isinstance(value, str) and value in names)


def _or_null(leaf: Leaf) -> Leaf:
    return Leaf(leaf.expected + " or null", leaf.accepts, nullable=True)


TEXT = Leaf("a text", lambda value: isinstance(value, str))
FLAG = Leaf("true or false", lambda value: isinstance(value, bool))
NUMBER = Leaf("a number", _is_number)
POSITIVE = Leaf("a number of 0 or more", _within(0, 1e300))
COUNT = Leaf("a whole number of 0 or more", lambda value: _is_number(value) and isinstance(value, int) and value >= 0)
PERCENT = Leaf("a number from 0 to 100", _within(0, 100))
SHARE = Leaf("a number from 0 to 1", _within(0, 1))
LENGTH = Leaf("a number of 1 or more", _within(1, 1e300))  # mm; what is divided by is never 0
POLES = Leaf("a whole number of 1 or more", lambda value: COUNT.accepts(value) and value >= 1)
STROKES = Leaf("2 or 4", lambda value: _is_number(value) and value in (2, 4))

MAYBE_TEXT, MAYBE_FLAG, MAYBE_NUMBER = _or_null(TEXT), _or_null(FLAG), _or_null(NUMBER)
MAYBE_POSITIVE, MAYBE_COUNT, MAYBE_PERCENT = _or_null(POSITIVE), _or_null(COUNT), _or_null(PERCENT)
MAYBE_LENGTH, MAYBE_POLES = _or_null(LENGTH), _or_null(POLES)

RECORD: dict[str, Any] = {
    "schema": _one_of(SCHEMA),
    "program_version": TEXT,
    "analysed_at": TEXT,
    "clip": {
        "name": TEXT,
        "sha256": TEXT,
        "seconds": POSITIVE,
        "sample_rate_hz": COUNT,
        "channels": COUNT,
        "codec": TEXT,
        "recorded_at": MAYBE_TEXT,
    },
    "engine": {
        "strokes": STROKES,
        "cylinders": COUNT,
        "firing_angles_deg": (None, [NUMBER]),
        "rated_rpm": MAYBE_POSITIVE,
        "idle_rpm": MAYBE_POSITIVE,
        "machine": MAYBE_TEXT,
        "blade_length_mm": MAYBE_LENGTH,
        "alternator_poles": MAYBE_POLES,
        "assumed": [TEXT],
        "angles_used_deg": [NUMBER],
    },
    "quality": {
        "usable": FLAG,
        "snr_db": MAYBE_NUMBER,
        "clipped_percent": PERCENT,
        "low_cut_hz": MAYBE_POSITIVE,
        "trust": SHARE,
        "problems": [{"code": TEXT, "text": TEXT, "advice": TEXT}],
    },
    "engine_heard": FLAG,
    "engine_reason": MAYBE_TEXT,
    "timeline": [
        {
            "kind": _one_of("quiet", "pull", "run", "rundown"),
            "start_s": POSITIVE,
            "end_s": POSITIVE,
            "rpm": MAYBE_POSITIVE,
        }
    ],
    "start": {"pulls": MAYBE_COUNT, "seconds_to_run": MAYBE_POSITIVE},
    "stop": {"rundown_s": MAYBE_POSITIVE},
    "pops": [{"at_s": POSITIVE, "level_db": MAYBE_NUMBER, "where": _one_of("running", "slowing", "after_cut")}],
    "speed": {
        "rpm": MAYBE_POSITIVE,
        "rpm_low": MAYBE_POSITIVE,
        "rpm_high": MAYBE_POSITIVE,
        "band_percent": MAYBE_POSITIVE,
        "confidence": SHARE,
    },
    "track": {"t_s": [POSITIVE], "rpm": [MAYBE_POSITIVE], "confidence": [SHARE]},
    "firing": {
        "events": COUNT,
        "misfires": MAYBE_COUNT,
        "misfire_percent": MAYBE_PERCENT,
        "misfire_low": MAYBE_PERCENT,
        "misfire_high": MAYBE_PERCENT,
        "pattern": _or_null(_one_of("none", "random", "burst", "cylinder", "every_second")),
        "timing_spread_percent": MAYBE_POSITIVE,
        "strength_spread_percent": MAYBE_POSITIVE,
        "cylinders": [{"index": COUNT, "misfire_percent": MAYBE_PERCENT, "relative_strength": MAYBE_POSITIVE}],
    },
    "hunting": {
        "found": MAYBE_FLAG,
        "rate_hz": MAYBE_POSITIVE,
        "swing_rpm": MAYBE_POSITIVE,
        "swing_percent": MAYBE_POSITIVE,
    },
    "settling": {
        "found": MAYBE_FLAG,
        "settle_s": MAYBE_POSITIVE,
        "rough_misfire_percent": MAYBE_PERCENT,
        "rough_swing_rpm": MAYBE_POSITIVE,
    },
    "loads": [
        {
            "at_s": POSITIVE,
            "dip_percent": MAYBE_NUMBER,
            "droop_percent": MAYBE_NUMBER,
            "recovery_s": MAYBE_POSITIVE,
        }
    ],
    "findings": [
        {
            "code": TEXT,
            "verdict": _one_of("ok", "watch", "fault", "unknown"),
            "text": TEXT,
            "value": MAYBE_NUMBER,
            "unit": MAYBE_TEXT,
            "limit": MAYBE_NUMBER,
            "source": MAYBE_TEXT,
            "start_s": MAYBE_POSITIVE,
            "end_s": MAYBE_POSITIVE,
            "next": [TEXT],
        }
    ],
}


def from_json(text: str) -> dict:
    """Read one run record; RecordError where it is no strict JSON or differs from the specification."""
    try:
        document = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_twice)
    except json.JSONDecodeError as error:
        raise RecordError(f"no valid JSON at line {error.lineno}, column {error.colno}: {error.msg}") from None
    except RecursionError:
        raise RecordError("the document is nested too deep, expected a run record") from None
    check(document)
    return document


def check(document: Any) -> None:
    """Hold a document to the specification; RecordError at the first place that differs."""
    if isinstance(document, dict) and isinstance(document.get("schema"), str) and document["schema"] != SCHEMA:
        raise RecordError(f"schema is {document['schema']!r}, this program reads {SCHEMA!r}: use the matching version")
    _check(document, RECORD, "")
    _check_together(document)


def _check(value: Any, expected: Any, place: str) -> None:
    if isinstance(expected, tuple):  # (None, shape): null or that shape
        if value is not None:
            _check(value, expected[1], place)
    elif isinstance(expected, Leaf):
        if not (expected.nullable and value is None) and not expected.accepts(value):
            raise _wrong(place, value, expected.expected)
    elif isinstance(expected, list):
        _check_list(value, expected[0], place)
    else:
        _check_object(value, expected, place)


def _check_list(value: Any, item: Any, place: str) -> None:
    if not isinstance(value, list):
        raise _wrong(place, value, "a list")
    for index, entry in enumerate(value):
        _check(entry, item, f"{place}[{index}]")


def _check_object(value: Any, fields: dict[str, Any], place: str) -> None:
    if not isinstance(value, dict):
        raise _wrong(place, value, "an object")
    for name, expected in fields.items():
        inner = f"{place}.{name}" if place else name
        if name not in value:
            raise RecordError(f"{inner} is missing: a run record of {SCHEMA} must have it (null where unknown)")
        _check(value[name], expected, inner)


def _check_together(document: dict) -> None:
    """What single fields cannot show: equal lengths, ordered times and intervals, no value without its confidence."""
    track = document["track"]
    lengths = {name: len(track[name]) for name in ("t_s", "rpm", "confidence")}
    if len(set(lengths.values())) != 1:
        raise RecordError(f"track lists differ in length: {lengths}; expected equal lengths")
    if any(later <= earlier for earlier, later in zip(track["t_s"], track["t_s"][1:], strict=False)):
        raise RecordError("track.t_s does not grow: expected times in ascending order")
    for place, part, names in (
        ("speed", document["speed"], ("rpm_low", "rpm", "rpm_high")),
        ("firing", document["firing"], ("misfire_low", "misfire_percent", "misfire_high")),
    ):
        known = [(name, part[name]) for name in names if part[name] is not None]
        for (low_name, low), (high_name, high) in zip(known, known[1:], strict=False):
            if low > high:
                raise RecordError(f"{place}.{low_name} is {low}, above {place}.{high_name} {high}: expected ascending")
    for index, span in enumerate(document["timeline"]):
        if span["end_s"] < span["start_s"]:
            raise RecordError(f"timeline[{index}] ends at {span['end_s']} s, before it starts at {span['start_s']} s")


def _wrong(place: str, value: Any, expected: str) -> RecordError:
    found = json.dumps(value, default=repr)
    short = found if len(found) <= 60 else found[:57] + "..."
    return RecordError(f"{place or 'the document'} is {short}, expected {expected}")


def _no_constant(name: str) -> float:
    raise RecordError(f"{name} stands in the document: strict JSON has no such number, expected null")


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        names = [name for name, _ in pairs]
        raise RecordError(f"field {next(n for n in names if names.count(n) > 1)!r} stands twice in one object")
    return fields
