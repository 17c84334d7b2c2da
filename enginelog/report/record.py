"""A `Run` as the run record of version 1: plain dicts and lists for JSON, every unknown number None.

The shape is written down in `spec.py`, which also reads it back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from enginelog.model import SCHEMA, Engine, Finding, FiringSummary, Run, Surges, ThrottleMove, Timeline, Track

AT_ONCE = 20_000  # numbers of a list written at a time
ALWAYS_GIVEN = ("strokes", "cylinders")  # assumed as 4 and 1 where not told, and said to be assumed


def number(value: float | int | None, digits: int) -> float | int | None:
    """`value` rounded to `digits` decimals as a plain int or float; None for None, NaN and infinities."""
    if value is None or not math.isfinite(value):
        return None
    if isinstance(value, (int, np.integer)):
        return int(value)
    return round(float(value), digits) + 0.0  # turns -0.0 into 0.0


def whole(value: float | int | None) -> int | None:
    """`value` as an int; None for None, NaN and infinities."""
    return None if value is None or not math.isfinite(value) else int(round(value))


def numbers(values: np.ndarray, digits: int) -> list[float | None]:
    """An array as a list of rounded floats, None where it is not finite."""
    array = np.asarray(values, float)
    rounded = (np.round(array, digits) + 0.0).astype(object)
    rounded[~np.isfinite(array)] = None
    return rounded.tolist()


def record(run: Run) -> dict:
    """The run record: exactly the fields of the design's table, and a few more that say how it came about."""
    measures = run.measures
    return {
        "schema": SCHEMA,
        "program_version": run.program_version,
        "analysed_at": run.analysed_at,
        "clip": _clip(run),
        "engine": _engine(run.engine),
        "quality": _quality(run),
        "engine_heard": bool(run.timeline.engine_heard),
        "engine_probability": number(run.timeline.engine_probability, 3),
        "engine_reason": run.timeline.reason,
        "timeline": _spans(run.timeline),
        "start": _start(run.timeline),
        "stop": _stop(run.timeline),
        "pops": [{"at_s": number(p.at_s, 2), "level_db": number(p.level_db, 1), "where": p.where}
                 for p in run.timeline.pops],
        "speed": _speed(run),
        "track": _track(run),
        "firing": _firing(measures.firing),
        "hunting": _hunting(run),
        "settling": _settling(run),
        "loads": _loads(run),
        "releases": [{"at_s": number(one.at_s, 2), "overshoot_percent": number(one.overshoot_percent, 2),
                      "rise_percent": number(one.rise_percent, 2), "recovery_s": number(one.recovery_s, 2)}
                     for one in measures.releases],
        "surges": _surges(measures.surges),
        "throttle": [_throttle(move) for move in measures.throttle],
        "findings": [_finding(finding) for finding in measures.findings],
        "limits_used": {name: number(value, 9) for name, value in sorted(run.limits_used.items())},
    }  # fmt: skip


def _start(line: Timeline) -> dict:
    """Pulls are null where their number is not sure; it then lies from low to high (null: no upper end)."""
    return {
        "pulls": int(line.pulls) if line.pulls_sure else None,
        "pulls_low": int(line.pulls_least),
        "pulls_high": int(line.pulls) if line.pulls_sure else line.pulls_high,
        "pulls_reason": line.pulls_reason,
        "seconds_to_run": number(line.seconds_to_run, 2),
        "at_s": number(line.start_s, 2),
        "at_reason": line.start_reason,
    }


def _stop(line: Timeline) -> dict:
    return {
        "cut_s": number(line.cut_s, 2),
        "cut_reason": line.cut_reason,
        "rundown_s": number(line.rundown_s, 2),
        "rundown_reason": line.rundown_reason,
    }


def to_json(run: Run) -> str:
    """The run record as one JSON document, ending in a newline; strict JSON (no NaN, no Infinity)
    in plain ASCII, so that it survives every terminal and names that are no valid Unicode."""
    return "".join(json_pieces(run))


def json_pieces(run: Run) -> Iterator[str]:
    """`to_json`, a piece at a time: the lists of the track, hours of numbers, are never all there at once."""
    nothing = np.empty(0)
    bare = replace(run, track=Track(nothing, nothing, nothing, nothing))
    before, after = _dumped(record(bare)).split(f'"track":{_dumped(_track(bare))}')  # within a text, quotes are escaped
    yield before + '"track":{'
    for place, name in enumerate(_track(bare)):
        yield f'{"," if place else ""}"{name}":['
        for first in range(0, len(run.track.t_s), AT_ONCE):
            some = slice(first, first + AT_ONCE)
            part = Track(*(getattr(run.track, column)[some] for column in ("t_s", "rpm", "confidence", "rpm_std")))
            yield ("," if first else "") + _dumped(_track(replace(run, track=part))[name])[1:-1]
        yield "]"
    yield "}" + after + "\n"


def _dumped(value: object) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _clip(run: Run) -> dict:
    clip = run.clip
    return {
        "name": clip.name,
        "sha256": clip.sha256,
        "seconds": number(clip.seconds, 3),
        "sample_rate_hz": int(clip.sample_rate_hz),
        "channels": int(clip.channels),
        "codec": clip.codec,
        "recorded_at": clip.recorded_at,
    }


def _engine(engine: Engine) -> dict:
    """As told, else None; strokes and cylinders always; beside it the angles in use and what was assumed."""
    angles = [number(angle, 2) for angle in engine.firing_angles_deg]
    fields = {
        "strokes": int(engine.strokes),
        "cylinders": int(engine.cylinders),
        "firing_angles_deg": angles,
        "rated_rpm": number(engine.rated_rpm, 1),
        "idle_rpm": number(engine.idle_rpm, 1),
        "machine": engine.machine,
        "blade_length_mm": number(engine.blade_length_mm, 1),
        "alternator_poles": whole(engine.alternator_poles),
    }
    told = {
        name: None if name in engine.assumed and name not in ALWAYS_GIVEN else value for name, value in fields.items()
    }
    return told | {
        "assumed": [name for name in engine.assumed if fields.get(name) is not None],
        "angles_used_deg": angles,
    }


def _quality(run: Run) -> dict:
    quality = run.quality
    return {
        "usable": bool(quality.usable),
        "snr_db": number(quality.snr_db, 1),
        "clipped_percent": number(quality.clipped_percent, 3),
        "low_cut_hz": number(quality.low_cut_hz, 0),
        "hum_percent": number(quality.hum_percent, 3),
        "trust": number(quality.trust, 3),
        "problems": [{"code": p.code, "text": p.text, "advice": p.advice} for p in quality.problems],
    }


def _spans(timeline: Timeline) -> list[dict]:
    return [
        {"kind": s.kind, "start_s": number(s.start_s, 2), "end_s": number(s.end_s, 2), "rpm": number(s.rpm, 1)}
        | ({"compressions": whole(s.compressions)} if s.kind == "pull" else {})
        for s in timeline.spans
    ]


def _speed(run: Run) -> dict:
    speed = run.measures.speed
    return {
        "rpm": number(speed.rpm, 1),
        "rpm_low": number(speed.rpm_low, 1),
        "rpm_high": number(speed.rpm_high, 1),
        "band_percent": number(speed.band_percent, 2),
        "band_low_percent": number(speed.band_low_percent, 2),
        "band_high_percent": number(speed.band_high_percent, 2),
        "confidence": number(speed.confidence, 3) or 0.0,
        "or_rpm": number(speed.or_rpm, 1),
        "changed": speed.changed,
        "range_low_rpm": number(speed.range_low_rpm, 1),
        "range_high_rpm": number(speed.range_high_rpm, 1),
        "held": [{"rpm": number(one.rpm, 1), "start_s": number(one.start_s, 2), "end_s": number(one.end_s, 2),
                  "confidence": number(one.confidence, 3)} for one in speed.held],
    }  # fmt: skip


def _track(run: Run) -> dict:
    """The speed of each frame; none where no engine turned by itself."""
    track = run.track_told
    confidence = np.nan_to_num(track.confidence)
    return {"t_s": numbers(track.t_s, 4), "rpm": numbers(track.rpm, 1), "confidence": numbers(confidence, 3)}


def _firing(firing: FiringSummary) -> dict:
    return {
        "events": int(firing.events),
        "misfires": whole(firing.misfires),
        "misfire_percent": number(firing.misfire_percent, 3),
        "misfire_low": number(firing.misfire_low, 3),
        "misfire_high": number(firing.misfire_high, 3),
        "pattern": firing.pattern,
        "timing_spread_percent": number(firing.timing_spread_percent, 2),
        "strength_spread_percent": number(firing.strength_spread_percent, 1),
        "cylinders": [
            {
                "index": int(c.index),
                "misfire_percent": number(c.misfire_percent, 3),
                "relative_strength": number(c.relative_strength, 3),
            }
            for c in firing.cylinders
        ],
        "windows": [
            {
                "revolutions": int(w.revolutions),
                "misfire_percent": number(w.percent, 3),
                "misfire_low": number(w.low, 3),
                "misfire_high": number(w.high, 3),
                "start_s": number(w.start_s, 2),
                "end_s": number(w.end_s, 2),
            }
            for w in firing.windows
        ],
    }


def _hunting(run: Run) -> dict:
    hunting = run.measures.hunting
    return {
        "found": hunting.found,
        "rate_hz": number(hunting.rate_hz, 3),
        "swing_rpm": number(hunting.swing_rpm, 1),
        "swing_percent": number(hunting.swing_percent, 2),
        "swing_low_percent": number(hunting.swing_low_percent, 2),
        "swing_high_percent": number(hunting.swing_high_percent, 2),
    }


def _settling(run: Run) -> dict:
    settling = run.measures.settling
    return {
        "found": settling.found,
        "settle_s": number(settling.settle_s, 2),
        "settle_low_s": number(settling.settle_low_s, 2),
        "settle_high_s": number(settling.settle_high_s, 2),
        "rough_misfire_percent": number(settling.rough_misfire_percent, 2),
        "rough_swing_rpm": number(settling.rough_swing_rpm, 1),
        "course": settling.course,
    }


def _loads(run: Run) -> list[dict]:
    return [
        {
            "at_s": number(step.at_s, 2),
            "dip_percent": number(step.dip_percent, 2),
            "droop_percent": number(step.droop_percent, 2),
            "recovery_s": number(step.recovery_s, 2),
        }
        for step in run.measures.loads
    ]


def _surges(surges: Surges | None) -> dict | None:
    """Swings after the first load step; None where no load step was heard."""
    if surges is None:
        return None
    return {"count": int(surges.count), "damping_ratio": number(surges.damping_ratio, 3)}


def _throttle(move: ThrottleMove) -> dict:
    return {
        "at_s": number(move.at_s, 2),
        "end_s": number(move.end_s, 2),
        "from_rpm": number(move.from_rpm, 1),
        "to_rpm": number(move.to_rpm, 1),
        "pick_up_s": number(move.pick_up_s, 2),
        "hesitation_s": number(move.hesitation_s, 2),
        "bog_percent": number(move.bog_percent, 2),
    }


def _finding(finding: Finding) -> dict:
    return {
        "code": finding.code,
        "verdict": finding.verdict,
        "text": finding.text,
        "value": number(finding.value, 4),
        "unit": finding.unit,
        "limit": number(finding.limit, 4),
        "source": finding.source,
        "start_s": number(finding.start_s, 2),
        "end_s": number(finding.end_s, 2),
        "next": list(finding.next),
    }
