"""Run records in which given signs can be heard: a plain healthy record, changed in the fields a sign is read from.

`heard_with` puts signs that belong to different speeds or loads into recordings of their own, as they would be.
"""

from __future__ import annotations

import copy
from functools import cache

import make_runs

from enginelog import report
from enginelog.advice import Heard
from enginelog.model import UsageError
from enginelog.model.wording import ROSE_SLOWLY, SANK_SLOWLY

SIGNS_AT_IDLE = ("hunting_at_idle", "calm_at_idle", "idle_high", "idle_low", "idle_near_clutch")
ENGINE = {
    "strokes": 4,
    "cylinders": 1,
    "firing_angles_deg": [0.0],
    "rated_rpm": 3000.0,
    "idle_rpm": 1700.0,
    "machine": "other",
    "blade_length_mm": None,
    "alternator_poles": None,
    "assumed": [],
    "angles_used_deg": [0.0],
}


@cache
def _healthy() -> dict:
    record = report.record(make_runs.healthy_generator())
    return record | {"track": {"t_s": [], "rpm": [], "confidence": []}}


def plain(**engine) -> dict:
    """A healthy record at 3000 rpm without load step or stop; `engine` changes what was told."""
    record = copy.deepcopy(_healthy())
    record["engine"] = ENGINE | engine
    record["timeline"] = [{"kind": "run", "start_s": 0.0, "end_s": 30.0, "rpm": 3000.0}]
    record |= {"loads": [], "findings": [], "start": {"pulls": 0, "seconds_to_run": None}, "stop": {"rundown_s": None}}
    rpm = 3000.0
    record["speed"] |= {"rpm": rpm, "rpm_low": rpm - 5, "rpm_high": rpm + 5}
    record["hunting"] = {"found": None, "rate_hz": None, "swing_rpm": None, "swing_percent": None}
    return record


def at_rpm(record: dict, rpm: float) -> None:
    record["speed"] |= {"rpm": rpm, "rpm_low": rpm - 5, "rpm_high": rpm + 5}


def find(record: dict, code: str, verdict: str = "fault", **rest) -> None:
    empty = dict.fromkeys(("value", "unit", "limit", "source", "start_s", "end_s"))
    record["findings"].append({"code": code, "verdict": verdict, "text": code, "next": []} | empty | rest)


def hunts(record: dict, found: bool) -> None:
    record["hunting"] = {"found": found, "rate_hz": 0.9, "swing_rpm": 260.0, "swing_percent": 8.0}
    find(record, "hunting", "fault" if found else "ok")


def misses(record: dict, pattern: str | None = "random") -> None:
    record["firing"] |= {
        "pattern": pattern,
        "misfires": 40,
        "misfire_percent": 8.0,
        "misfire_low": 6.0,
        "misfire_high": 10.0,
    }
    find(record, "misfire")


def no_start(record: dict) -> None:
    record |= {"engine_heard": False, "start": {"pulls": 6, "seconds_to_run": None}, "timeline": []}
    at_rpm(record, 0.0)
    record["speed"] |= {"rpm": None, "rpm_low": None, "rpm_high": None}
    find(record, "start")


def started_again(record: dict, first_s: float) -> None:
    record["timeline"] = [
        {"kind": "run", "start_s": 0.0, "end_s": first_s, "rpm": 3000.0},
        {"kind": "pull", "start_s": first_s + 1, "end_s": first_s + 2, "rpm": None},
        {"kind": "run", "start_s": first_s + 3, "end_s": 40.0, "rpm": 3000.0},
    ]


def pulled_in_vain(record: dict, before: int = 2, after: int = 4) -> None:
    """It ran for six seconds and stopped; then its starter was pulled without a start."""
    ran_s, stopped_s = 2.0 * before, 2.0 * before + 6
    at_s = [*(2.0 * n for n in range(before)), *(stopped_s + 2 + 2 * n for n in range(after))]
    spans = [{"kind": "pull", "start_s": s, "end_s": s + 1, "rpm": None} for s in at_s]
    spans.append({"kind": "run", "start_s": ran_s, "end_s": stopped_s, "rpm": 3000.0})
    record["timeline"] = sorted(spans, key=lambda span: span["start_s"])
    record["start"] = {"pulls": before + after, "seconds_to_run": None}


def pop(record: dict, where: str) -> None:
    record["pops"] = [{"at_s": 5.0, "level_db": 12.0, "where": where}]
    find(record, "pops", "watch")


def slow(record: dict) -> None:
    at_rpm(record, 0.85 * record["engine"]["rated_rpm"])


def settles(record: dict) -> None:
    record["settling"] = {"found": True, "settle_s": 12.0, "rough_misfire_percent": 12.0, "rough_swing_rpm": 150.0}
    find(record, "settling", "watch")


def off_idle(record: dict, rpm: float) -> None:
    at_rpm(record, rpm)
    find(record, "speed", "watch", value=rpm, limit=record["engine"]["idle_rpm"])


MAKERS = {
    "no_start": no_start,
    "hard_start": lambda r: started_again(r, 1.5),
    "stalled": lambda r: started_again(r, 12.0),
    "clean": lambda r: None,
    "misfires": misses,
    "misfires_at_random": misses,
    "misfires_in_bursts": lambda r: misses(r, "burst"),
    "one_cylinder_misses": lambda r: misses(r, "cylinder"),
    "every_second": lambda r: misses(r, "every_second"),
    "weak_cylinder": lambda r: find(r, "cylinder_balance", "watch"),
    "hunting": lambda r: hunts(r, True),
    "hunting_at_speed": lambda r: hunts(r, True),
    "hunting_at_idle": lambda r: hunts(r, True),
    "calm_at_speed": lambda r: hunts(r, False),
    "calm_at_idle": lambda r: hunts(r, False),
    "settles": settles,
    "stays_rough": lambda r: find(r, "settling", "watch"),
    "unsteady": lambda r: find(r, "steadiness", "watch"),
    "sinks_slowly": lambda r: find(r, "steadiness", "watch", text=f"{SANK_SLOWLY} from about 3000 to about 2500 rpm."),
    "rises_slowly": lambda r: find(r, "steadiness", "watch", text=f"{ROSE_SLOWLY} from about 2500 to about 3000 rpm."),
    "slow_top": slow,
    "too_fast": lambda r: find(r, "speed", value=3500.0, limit=3150.0),
    "frequency_high": lambda r: find(r, "generator_frequency", value=55.3, limit=54.0),
    "frequency_low": lambda r: find(r, "generator_frequency", value=46.0, limit=49.0),
    "idle_high": lambda r: off_idle(r, r["engine"]["idle_rpm"] * 1.2),
    "idle_low": lambda r: off_idle(r, r["engine"]["idle_rpm"] * 0.8),
    "idle_near_clutch": lambda r: at_rpm(r, 3400.0),
    "slow_stop": lambda r: find(r, "stop", value=5.0, limit=3.0),
    "afterfire": lambda r: pop(r, "after_cut"),
    "bangs_running": lambda r: pop(r, "running"),
    "sags": lambda r: find(r, "load", "watch"),
    "hesitates": lambda r: find(r, "throttle", "watch"),
    "uneven_timing": lambda r: find(r, "timing", "watch"),
}
ENGINES = {
    "blade": {"machine": "mower"},
    "clutch": {"machine": "saw", "strokes": 2, "rated_rpm": 13000.0, "idle_rpm": 2700.0},
    "alternator": {"machine": "generator"},
    "two_stroke": {"strokes": 2},
    "four_stroke": {"strokes": 4},
    "strokes_assumed": {"assumed": ["strokes"]},
    "cylinders_more": {"cylinders": 2},
    "idle_near_clutch": {"machine": "saw", "strokes": 2, "rated_rpm": 13000.0, "idle_rpm": None},
}


def heard_with(signs, **engine) -> tuple[Heard, ...]:
    """Recordings in which all these signs are found together; signs of an engine change what was told of it."""
    told: dict = {}
    for sign in signs:
        told |= ENGINES.get(sign, {}) | ({"machine": sign.split("=")[1]} if sign.startswith("machine=") else {})
    told |= engine
    if "hunting_at_idle" in signs:
        signs = [sign for sign in signs if sign != "hunting"]  # it is heard there already
    wanted = [sign for sign in signs if sign in MAKERS or sign in ("misses_loaded", "fires_unloaded")]
    at_idle = [sign for sign in wanted if sign in SIGNS_AT_IDLE]
    by_load = [sign for sign in wanted if sign in ("misses_loaded", "fires_unloaded")]
    others = [sign for sign in wanted if sign not in at_idle + by_load]
    made = []
    if "no_start_once" in signs:
        made += heard_with(["no_start"], **told)
    if at_idle:
        record = plain(**told)
        at_rpm(record, record["engine"]["idle_rpm"] or 2700.0)
        made.append(Heard(_with(record, at_idle)))
    for sign in by_load:
        record = plain(**told)
        misses(record) if sign == "misses_loaded" else find(record, "misfire", "ok")
        made.append(Heard(record, ("warm", "under load" if sign == "misses_loaded" else "no load")))
    if others or not made or "no_start_once" in signs:
        record = plain(**told)
        if record["engine"]["rated_rpm"]:
            at_rpm(record, record["engine"]["rated_rpm"])
        made.append(Heard(_with(record, others)))
    for one in made:
        report.check(one.record)
    return tuple(made)


def _with(record: dict, signs) -> dict:
    for sign in signs:
        if sign not in MAKERS:
            raise UsageError(f"no maker of the sign '{sign}'")
        if not (sign == "hunting" and record["hunting"]["found"]):
            MAKERS[sign](record)
    return record
