"""Each measured value against what was told of the machine, else against what is usual for its kind. No verdicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from enginelog import limits
from enginelog.advice.signs import finding, over_rated, regime, sure_rpm, top_rpm
from enginelog.advice.words import Record, ValueLine
from enginelog.limits.trade import formulas, machines
from enginelog.limits.trade.machines import Usual
from enginelog.model import CLUTCH_KINDS, has_blade
from enginelog.model.wording import as_told

TOLD_STATUS = "told"
TOLD_SOURCE = "data plate or manual, as told"
NOT_SURE = "not sure"  # where a value lies whose own finding is no verdict


def usual_values(record: Record) -> tuple[ValueLine, ...]:
    """Speed, clutch, blade, frequency, droop, blade stop, as far as known. Told values go before usual ones."""
    makers = (_unsure, _speed, _clutch, _blade, _frequency, _droop, _blade_stop)
    return tuple(line for maker in makers for line in maker(record))


def ask_first(record: Record, fields: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """What to read off the data plate or in the manual first, as it was not told; and the usual value till then.

    Behind each stands what tells it: the option of the command line; where `fields` are given, the page's field, or
    nothing where the page has none for it. fields: names of fields by name of option, written with underscores.
    """
    engine, kind = record["engine"], record["engine"]["machine"]
    asks: list[tuple[str, str, str]] = []  # what, its option, and what counts till then
    if kind is None:
        asks.append(("kind of machine", "machine", ""))
    for name in ("strokes", "cylinders"):
        if name in engine["assumed"]:
            asks.append((name, name, f"{engine[name]} assumed"))
    for value in machines.for_kind(kind) if kind in machines.KINDS else ():
        if value.told_by and engine[value.told_by.replace("-", "_")] is None:
            asks.append((value.title.lower(), value.told_by, f"usual: {value.window}, {value.status}"))
    if kind == "mower" and engine["blade_length_mm"] is None:
        asks.append(("blade length from tip to tip, plug lead off", "blade-length-mm", ""))
    if kind == "generator" and engine["alternator_poles"] is None:
        asks.append(("poles of the alternator", "poles", "two at 3000 or 3600 rpm"))
    named = (f"--{option}" if fields is None else _field(fields, option) for _, option, _ in asks)
    return tuple(_asked(what, by, till) for (what, _, till), by in zip(asks, named, strict=True))


def _field(fields: Mapping[str, str], option: str) -> str:
    name = fields.get(option.replace("-", "_"), "")
    return f"field '{name}'" if name else ""


def _asked(what: str, *behind: str) -> str:
    told = "; ".join(text for text in behind if text)
    return f"{what} ({told})" if told else what


def _position(value: float, low: float | None, high: float | None) -> str:
    if low is not None and value < low:
        return "below"
    return "above" if high is not None and value > high else "inside"


def _line(usual: Usual, value: float, shown: str, title: str | None = None, limit: str | None = None) -> ValueLine:
    position = _position(value, usual.low, usual.high)
    return ValueLine(
        title or usual.title, shown, limit or usual.window, "usual", position, usual.status, usual.source, usual.outside
    )


def _unsure(record: Record) -> list[ValueLine]:
    """Says so where the speed is too unsure to be held against anything."""
    rpm, least = record["speed"]["rpm"], machines.usual(None, "sure_speed")
    if rpm is None or sure_rpm(record) is not None or record["speed"].get("changed"):
        return []
    if least is None or least.low is None:
        return []
    shown, limit = f"{record['speed']['confidence']:z.2f} for {rpm:z.0f} rpm", f"more than {as_told(least.low)}"
    return [ValueLine(least.title, shown, limit, "usual", "below", least.status, least.source, least.outside)]


def _speed(record: Record) -> list[ValueLine]:
    """The one speed of the run; of an engine found to be faster than rated the speed that was judged."""
    rpm, engine, which = sure_rpm(record), record["engine"], regime(record)
    if over_rated(record):
        usual, fast = machines.usual(engine["machine"], "top"), finding(record, "speed") or {}
        outside = usual.outside if usual else "Look it up in the manual."
        value, limit = (
            f"{fast['value']:z.0f} rpm",
            f"at most {fast['limit']:z.0f} rpm ({engine['rated_rpm']:z.0f} rated)",
        )
        return [ValueLine("Highest speed held", value, limit, "told", "above", TOLD_STATUS, TOLD_SOURCE, outside)]
    if rpm is None or which is None:
        return []
    usual = machines.usual(engine["machine"], which)
    told = engine["idle_rpm" if which == "idle" else "rated_rpm"]
    title = machines.QUANTITIES[which]
    if told is not None:
        outside = usual.outside if usual else "Look it up in the manual."
        limit, position = (_idle_told if which == "idle" else _rated_told)(record, rpm, told)
        title = title if which == "idle" else "Speed"  # whether it was loaded, nobody said
        return [ValueLine(title, f"{rpm:z.0f} rpm", limit, "told", position, TOLD_STATUS, TOLD_SOURCE, outside)]
    return [_line(usual, rpm, f"{rpm:z.0f} rpm")] if usual else []


def _idle_told(record: Record, rpm: float, told: float) -> tuple[str, str]:
    """How far from the idle speed told it may be, as its finding has it, and where it lies."""
    share = limits.load("findings").value("idle_watch_percent")
    position = _position(rpm, told * (1 - share / 100), told * (1 + share / 100))
    return f"{told:z.0f} rpm, {as_told(share)} % either way", _unless_unsure(record, position)


def _rated_told(record: Record, rpm: float, told: float) -> tuple[str, str]:
    """Between which speeds the rated one told is met: below them it is a slow top, above them the finding on speed
    calls it too fast, and what lies there and is not called so (`over_rated`) may be."""
    slow, found = machines.usual(None, "slow_top"), finding(record, "speed") or {}
    assert slow is not None and slow.low is not None
    fast = told * (1 + limits.load("findings").value("overspeed_watch_percent") / 100)
    low, high = told * (1 - slow.low / 100), max(found.get("limit") or fast, told)
    position = _position(rpm, low, high)
    position = NOT_SURE if found and position == "above" else position
    return f"{low:z.0f} to {high:z.0f} rpm ({told:z.0f} rated)", _unless_unsure(record, position)


def _unless_unsure(record: Record, position: str) -> str:
    """Where a speed lies, unless its own finding cannot tell."""
    return NOT_SURE if (finding(record, "speed") or {}).get("verdict") == "unknown" else position


def _clutch(record: Record) -> list[ValueLine]:
    """A saw's or trimmer's idle against its clutch: the highest idle is the take-up speed less a margin."""
    kind, rpm = record["engine"]["machine"], sure_rpm(record)
    if kind not in CLUTCH_KINDS or rpm is None or regime(record) != "idle":
        return []
    take_up, margin = machines.usual(kind, "clutch"), machines.usual(kind, "clutch_margin")
    assert take_up and take_up.low is not None and margin and margin.low is not None
    highest = take_up.low - margin.low
    limit = f"below {highest:z.0f} rpm (takes up at {take_up.low:z.0f}, {margin.low:z.0f} rpm margin)"
    source = f"{take_up.source}; margin: {margin.source}"
    position = _position(rpm, None, highest)
    return [
        ValueLine(
            "Idle against the clutch",
            f"{rpm:z.0f} rpm",
            limit,
            "usual",
            position,
            take_up.status,
            source,
            take_up.outside,
        )
    ]


def _blade(record: Record) -> list[ValueLine]:
    """The highest speed held and its tip speed, both against the highest safe speed: the tip's limit less 200 rpm.

    It is that of the finding on the blade, and so is where it lies: what that calls too fast is not inside here.
    """
    length, found = record["engine"]["blade_length_mm"], finding(record, "blade_speed") or {}
    tip, margin = machines.usual("mower", "tip_speed"), machines.usual("mower", "tip_margin")
    if length is None:
        return []
    assert tip and tip.high is not None and margin and margin.low is not None
    rpm, most = found.get("value"), formulas.blade_limit_rpm(length, tip.high)
    safe = most - margin.low
    held = "not measured" if rpm is None else NOT_SURE if found["verdict"] == "unknown" else _position(rpm, None, safe)
    source = f"{tip.source}; margin: {margin.source}"
    title = f"Highest safe speed of a {length:z.0f} mm blade"
    shown = "not measured" if rpm is None else f"{rpm:z.0f} rpm, the highest held"
    limit = f"{safe:z.0f} rpm ({most:z.0f}, less {margin.low:z.0f} margin), if it turns at engine speed"
    lines = [ValueLine(title, shown, limit, "told", held, margin.status, source, margin.outside)]
    if rpm is not None:
        said, bound = (_tip_words(formulas.tip_speed_m_s(length, each)) for each in (rpm, safe))
        limit = f"at most {bound}, which is {tip.high} less the margin"
        outside = tip.outside if rpm > most else margin.outside
        lines.append(ValueLine(tip.title, said, limit, "usual", held, tip.status, source, outside))
    return lines


def _tip_words(speed_m_s: float) -> str:
    return f"{speed_m_s:z.1f} m/s ({formulas.ft_min(speed_m_s):z.0f} ft/min)"


def _frequency(record: Record) -> list[ValueLine]:
    """What the finding judged, the frequency of the whole run or one held for a while, where it says it lies; nothing
    where that says why there is nothing to judge."""
    poles, rpm, found = record["engine"]["alternator_poles"], top_rpm(record), finding(record, "generator_frequency")
    if poles is None or rpm is None or (found and found["value"] is None):
        return []
    mains = formulas.mains_hz(poles, rpm, record["engine"]["rated_rpm"])
    usual = machines.usual("generator", f"frequency_{mains:z.0f}")
    assert usual is not None and usual.low is not None and usual.high is not None
    hz = found["value"] if found else formulas.alternator_hz(poles, rpm)
    ends = [formulas.alternator_rpm(poles, end) for end in (usual.low, usual.high)]
    limit = f"{usual.window} ({ends[0]:z.0f} to {ends[1]:z.0f} rpm with {poles} poles)"
    line = _line(usual, hz, f"{hz:z.1f} Hz at {formulas.alternator_rpm(poles, hz):z.0f} rpm", limit=limit)
    return [replace(line, position=_as_found(found, line.position)) if found else line]


def _as_found(found: Mapping[str, Any], position: str) -> str:
    """Where a value lies, as its finding has it: what that calls good is inside, what it cannot tell not sure, and what
    it watches or faults on the side of its limit."""
    if found["verdict"] == "unknown":
        return NOT_SURE
    amiss = found["verdict"] in ("watch", "fault") and found["limit"] is not None
    side = "above" if amiss and found["value"] > found["limit"] else "below"
    return side if amiss else "inside" if found["verdict"] == "ok" else position


def _droop(record: Record) -> list[ValueLine]:
    droops = [step["droop_percent"] for step in record["loads"] if step["droop_percent"] is not None]
    usual = machines.usual(record["engine"]["machine"], "droop")
    return [_line(usual, max(droops), f"{max(droops):z.1f} %")] if droops and usual else []


def _blade_stop(record: Record) -> list[ValueLine]:
    """By ear a run-down may be off by a share of it, as the finding takes it, too."""
    engine, seconds = record["engine"], record["stop"]["rundown_s"]
    usual = machines.usual(engine["machine"], "blade_stop") or machines.usual("mower", "blade_stop")
    if (
        not has_blade(engine["machine"], engine["blade_length_mm"])
        or usual is None
        or usual.high is None
        or seconds is None
    ):
        return []
    line = _line(usual, seconds, f"{seconds:z.1f} s by ear")
    doubt = limits.load("findings").value("blade_stop_doubt")
    near = usual.high * (1 - doubt) < seconds <= usual.high * (1 + doubt)
    return [replace(line, position="near", outside=usual.near or usual.outside) if near else line]
