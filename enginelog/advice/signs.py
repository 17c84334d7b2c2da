"""From run records and what was told to signs: the names that rules may ask for (limits/trade/signs.toml)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any

from enginelog.advice.words import Heard, Record
from enginelog.limits import LimitSet
from enginelog.limits.trade import machines
from enginelog.model import CLUTCH_KINDS, IDLE, Engine, HeldSpeed, Speed, by_limit, has_alternator, has_blade
from enginelog.model.stamps import in_utc
from enginelog.model.wording import BY_HAND_PERHAPS, IN_A_BAND, ROSE_SLOWLY, SANK_SLOWLY

AMISS = ("watch", "fault")
LOADED = ("under load", "loaded", "with load", "load")
UNLOADED = ("no load", "without load", "unloaded")


def signs_of(heard: Sequence[Heard], limits: LimitSet) -> set[str]:
    """All signs of several recordings of one machine together. limits: topic `findings`.

    `no_start` is that of the newest one; where an older one did not start, the sign is `no_start_once`.
    """
    found: set[str] = set()
    for one in heard:
        found |= {name for name, holds in _TESTS.items() if holds(one.record)}
        found |= {f"machine={kind}" for kind in [one.record["engine"]["machine"]] if kind in machines.KINDS}
        found |= _timeline_signs(one.record, limits) | _load_signs(one)
    if "no_start" in found and _newest(heard)["engine_heard"]:
        found -= {"no_start"}
        found |= {"no_start_once"}
    return found


def unlike(heard: Sequence[Heard]) -> str:
    """In what the recordings cannot be of one machine: `mower and saw, a four-stroke and a two-stroke`; else empty."""
    engines = [one.record["engine"] for one in heard]
    kinds = dict.fromkeys(engine["machine"] for engine in engines if engine["machine"])
    strokes = dict.fromkeys({2: "a two-stroke", 4: "a four-stroke"}[engine["strokes"]] for engine in engines)
    return ", ".join(" and ".join(each) for each in (kinds, strokes) if len(each) > 1)


def _newest(heard: Sequence[Heard]) -> Record:
    """The last made of the recordings in which the engine ran or its starter was pulled, of which there is one: by
    their files' own dates where each has one, else the last given."""
    told = [one.record for one in heard if one.record["engine_heard"] or least_pulls(one.record)]
    dates = [in_utc(record["clip"]["recorded_at"]) for record in told]
    dated = [(date, number) for number, date in enumerate(dates) if date is not None]
    return told[max(dated)[1] if len(dated) == len(told) else -1]


def signs_of_engine(engine: Engine) -> set[str]:
    """The signs that the engine itself gives, as it was told, where no recording tells of it."""
    record = {"engine": asdict(engine)}
    kind = {f"machine={engine.machine}"} if engine.machine in machines.KINDS else set()
    return kind | {name for name, holds in _OF_ENGINE.items() if holds(record)}


def sure_rpm(record: Record) -> float | None:
    """The one speed of the run where it is known surely enough to be held against anything, else None."""
    speed = record["speed"]
    sure = speed["rpm"] is not None and speed["confidence"] > _sure_from()
    return speed["rpm"] if sure and not speed.get("changed") else None


def changed_words(record: Record) -> str:
    """The speeds held by a run that was not at one, as surely as they are known: `held about 1940, then 2890 rpm`;
    empty for others."""
    speed = record["speed"]
    if not speed.get("changed"):
        return ""
    names = ("rpm", "start_s", "end_s", "confidence")
    held = tuple(HeldSpeed(*(one[name] for name in names)) for one in speed["held"])
    ends = speed["range_low_rpm"], speed["range_high_rpm"]
    told = Speed(speed["rpm"], None, None, None, speed["confidence"], speed["or_rpm"], *ends, held)
    return f"{'' if told.sure(_sure_from()) else 'perhaps '}{told.held_words}"


def top_rpm(record: Record) -> float | None:
    """The highest speed surely held: that of `sure_rpm`, of a run that was not at one speed the highest of its held."""
    speed = record["speed"]
    if not speed.get("changed") or speed["or_rpm"] is not None:
        return sure_rpm(record)
    return max((one["rpm"] for one in speed["held"] if one["confidence"] > _sure_from()), default=None)


def _sure_from() -> float:
    """The confidence above which a speed may be held against anything, 0..1."""
    least = machines.usual(None, "sure_speed")
    assert least is not None and least.low is not None
    return least.low


def regime(record: Record) -> str | None:
    """`idle` or `top`: which of its two speeds the engine was nearer to, by ratio; None where that is not known."""
    rpm = sure_rpm(record)
    idle, top = expected_rpm(record, "idle"), expected_rpm(record, "top")
    if rpm is None or (idle is None and top is None):
        return None
    if idle is None or top is None:
        known, name = (idle, "idle") if top is None else (top, "top")
        assert known is not None
        return name if 0.7 < rpm / known < 1.4 else None
    return "idle" if rpm * rpm < idle * top else "top"


def expected_rpm(record: Record, which: str) -> float | None:
    """The idle or top speed told, else the middle of the usual window of its kind, else None."""
    engine = record["engine"]
    told = engine["idle_rpm" if which == "idle" else "rated_rpm"]
    if told is not None:
        return float(told)
    usual = machines.usual(engine["machine"], which)
    if usual is None or usual.low is None or usual.high is None:
        return None
    return (usual.low + usual.high) / 2


def finding(record: Record, code: str) -> dict[str, Any] | None:
    """The first finding of this code."""
    return next((found for found in record["findings"] if found["code"] == code), None)


def amiss(record: Record, *codes: str) -> bool:
    """True where a finding of one of these codes is to be watched or a fault."""
    return any(found["verdict"] in AMISS for found in record["findings"] if found["code"] in codes)


def _over(record: Record, code: str, below: bool = False) -> bool:
    """True where the finding is amiss and its value lies above its limit (or below it)."""
    found = finding(record, code)
    if not found or found["verdict"] not in AMISS or found["value"] is None or found["limit"] is None:
        return False
    return bool(found["value"] < found["limit"] if below else found["value"] > found["limit"])


def _idle_off(record: Record, above: bool) -> bool:
    """True where the finding on speed is amiss against the idle told, on this side."""
    found, idle = finding(record, "speed"), record["engine"]["idle_rpm"]
    if not found or idle is None or found["verdict"] not in AMISS or found["value"] is None or not _of_idle(record):
        return False
    return bool(found["value"] > idle if above else found["value"] < idle)


def over_rated(record: Record) -> bool:
    """True where the finding on speed is that it turned faster than rated: its value is the highest speed held."""
    return _over(record, "speed") and not _of_idle(record)


def _of_idle(record: Record) -> bool:
    """Whether the finding on speed holds it against the idle told."""
    limit = (finding(record, "speed") or {}).get("limit")
    return by_limit("speed", limit, record["engine"]["idle_rpm"], record.get("limits_used", {})) == IDLE


def _too_fast(record: Record) -> bool:
    return _over(record, "blade_speed") or over_rated(record)


def _slow_top(record: Record) -> bool:
    rpm, rated = sure_rpm(record), record["engine"]["rated_rpm"]
    share = machines.usual(None, "slow_top")
    if rpm is None or rated is None or share is None or share.low is None or regime(record) != "top":
        return False
    return bool(rpm < rated * (1 - share.low / 100))


def idles_near_clutch(record: Record) -> bool:
    """True where a saw or trimmer idles nearer to its clutch's take-up speed than the margin, or above it."""
    kind, rpm = record["engine"]["machine"], sure_rpm(record)
    take_up, margin = machines.usual(kind, "clutch"), machines.usual(kind, "clutch_margin")
    if rpm is None or kind not in CLUTCH_KINDS or regime(record) != "idle":
        return False
    assert take_up and take_up.low is not None and margin and margin.low is not None
    return bool(rpm > take_up.low - margin.low)


def _hunts(record: Record, where: str | None, found: bool) -> bool:
    """True where hunting was found (or surely not found), at this speed where one is asked for."""
    return record["hunting"]["found"] is found and (where is None or regime(record) == where)


def _pattern(name: str) -> Callable[[Record], bool]:
    return lambda record: record["firing"]["pattern"] == name and amiss(record, "misfire")


def _weak_cylinder(record: Record) -> bool:
    """True where one cylinder sounds weaker than it ought to; not where only what it loses is amiss."""
    found = finding(record, "cylinder_balance")
    if not found or found["verdict"] not in AMISS:
        return False
    return found["value"] is None or found["limit"] is None or bool(found["value"] < found["limit"])


def _goes_slowly(record: Record, words: str) -> bool:
    """True where the finding on steadiness, amiss, tells of such a slow change that nobody's hand may have made."""
    found = finding(record, "steadiness")
    if found is None or found["verdict"] not in AMISS:
        return False
    return found["text"].startswith(words) and BY_HAND_PERHAPS not in found["text"]


def _unsteady(record: Record) -> bool:
    """True where the band of the speed is too wide, whatever slow change there was besides."""
    slow = any(_goes_slowly(record, words) for words in (SANK_SLOWLY, ROSE_SLOWLY))
    return amiss(record, "steadiness") and (not slow or IN_A_BAND in (finding(record, "steadiness") or {})["text"])


def _clean(record: Record) -> bool:
    return bool(record["engine_heard"]) and not any(found["verdict"] in AMISS for found in record["findings"])


def _pops(*where: str) -> Callable[[Record], bool]:
    """Bangs heard there, where the finding on bangs makes anything of them: one alone while it runs may be a knock."""

    def heard(record: Record) -> bool:
        found = finding(record, "pops")
        counts = found is None or found["verdict"] in AMISS
        return counts and any(pop["where"] in where for pop in record["pops"])

    return heard


_OF_ENGINE: dict[str, Callable[[Record], bool]] = {
    "blade": lambda r: has_blade(r["engine"]["machine"], r["engine"]["blade_length_mm"]),
    "clutch": lambda r: r["engine"]["machine"] in CLUTCH_KINDS,
    "alternator": lambda r: has_alternator(r["engine"]["machine"], r["engine"]["alternator_poles"]),
    "two_stroke": lambda r: r["engine"]["strokes"] == 2,
    "four_stroke": lambda r: r["engine"]["strokes"] == 4,
    "strokes_assumed": lambda r: "strokes" in r["engine"]["assumed"],
    "cylinders_more": lambda r: r["engine"]["cylinders"] > 1,
}
_TESTS: dict[str, Callable[[Record], bool]] = {
    "no_start": lambda r: not r["engine_heard"] and least_pulls(r) > 0,
    "clean": _clean,
    "misfires": lambda r: amiss(r, "misfire"),
    "misfires_at_random": _pattern("random"),
    "misfires_in_bursts": _pattern("burst"),
    "one_cylinder_misses": _pattern("cylinder"),
    "every_second": _pattern("every_second"),
    "weak_cylinder": _weak_cylinder,
    "hunting": lambda r: _hunts(r, None, True),
    "hunting_at_idle": lambda r: _hunts(r, "idle", True),
    "hunting_at_speed": lambda r: _hunts(r, "top", True),
    "calm_at_idle": lambda r: _hunts(r, "idle", False),
    "calm_at_speed": lambda r: _hunts(r, "top", False),
    "settles": lambda r: r["settling"]["found"] is True,
    "stays_rough": lambda r: amiss(r, "settling") and not r["settling"]["found"],
    "unsteady": _unsteady,
    "sinks_slowly": lambda r: _goes_slowly(r, SANK_SLOWLY),
    "rises_slowly": lambda r: _goes_slowly(r, ROSE_SLOWLY),
    "slow_top": _slow_top,
    "too_fast": _too_fast,
    "frequency_high": lambda r: _over(r, "generator_frequency"),
    "frequency_low": lambda r: _over(r, "generator_frequency", below=True),
    "idle_high": lambda r: _idle_off(r, above=True),
    "idle_low": lambda r: _idle_off(r, above=False),
    "idle_near_clutch": idles_near_clutch,
    "slow_stop": lambda r: amiss(r, "stop"),
    "afterfire": _pops("after_cut"),
    "bangs_running": _pops("running", "slowing"),
    "sags": lambda r: amiss(r, "load"),
    "hesitates": lambda r: amiss(r, "throttle"),
    "uneven_timing": lambda r: amiss(r, "timing"),
    **_OF_ENGINE,
}


def least_pulls(record: Record) -> int:
    """The pulls of the starter that are sure: their number, or the lower end of its range where it is doubtful."""
    start = record["start"]
    return int(start["pulls"] if start["pulls"] is not None else start.get("pulls_low") or 0)


def _timeline_signs(record: Record, limits: LimitSet) -> set[str]:
    """Hard starts and stalls, from the pulls and from runs that were followed by another start, or by pulls in vain."""
    runs = [span for span in record["timeline"] if span["kind"] == "run"]
    pulled_again = [
        any(s["kind"] == "pull" and run["end_s"] <= s["start_s"] < after["start_s"] for s in record["timeline"])
        for run, after in zip(runs, runs[1:], strict=False)
    ]
    short = limits.value("false_start_s")
    lengths = [run["end_s"] - run["start_s"] for run in runs]
    found = set()
    if any(again and length < short for again, length in zip(pulled_again, lengths, strict=False)):
        found.add("hard_start")
    if any(again and length >= short for again, length in zip(pulled_again, lengths, strict=False)):
        found.add("stalled")
    pulls = least_pulls(record)
    before, after = _pulls_about_last_run(record)
    if after >= limits.value("pulls_in_vain"):
        found.add("stalled")
        pulls = min(pulls, before)  # of the start that led to a run: older records count those in vain with them
    if record["engine_heard"] and pulls > limits.value("pulls_watch"):
        found.add("hard_start")
    return found


def _pulls_about_last_run(record: Record) -> tuple[int, int]:
    """How often the starter was pulled before the last run began, and after it; nothing where it did not run."""
    last_s = max((span["start_s"] for span in record["timeline"] if span["kind"] == "run"), default=None)
    if last_s is None:
        return 0, 0
    after = [span["start_s"] > last_s for span in record["timeline"] if span["kind"] == "pull"]
    return after.count(False), after.count(True)


def _load_signs(heard: Heard) -> set[str]:
    """Whether firings were lost with or without load, where it was told how the engine ran."""
    told = [" ".join(text.lower().split()) for text in heard.conditions]
    found = finding(heard.record, "misfire")
    if any(text in UNLOADED for text in told):
        return {"fires_unloaded"} if found and found["verdict"] == "ok" else set()
    loaded = any(text in LOADED for text in told)
    return {"misses_loaded"} if loaded and found and found["verdict"] in AMISS else set()
