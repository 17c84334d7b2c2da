"""The engine as somebody tells it, at whichever door: kinds of machine, ways a twin fires, the `Engine` it makes."""

from __future__ import annotations

import math
from collections.abc import Mapping

from enginelog.model.engine import Engine
from enginelog.model.errors import UsageError
from enginelog.model.job import JobRecord, StoredRun
from enginelog.model.wording import as_told, counted, joined

MACHINES = ("mower", "mower twin", "generator", "pressure washer", "pump", "tiller", "saw", "trimmer", "other")
OFTEN_TWO_STROKE = ("saw", "trimmer")  # common practice, no source
TWINS_FIRE = (  # ways a four-stroke twin fires: published firing-order tables
    ("0,360", "360/360 degrees apart (pistons rise together)"),
    ("0,270", "270/450 degrees apart (V of 90 degrees)"),
    ("0,180", "180/540 degrees apart (pistons rise in turn)"),
)
TOLD = {  # what can be told of an engine, as keywords of `engine_told`, within a sentence
    "strokes": "strokes",
    "cylinders": "cylinders",
    "firing_angles": "firing angles",
    "machine": "kind of machine",
    "rated_rpm": "rated speed",
    "idle_rpm": "idle speed",
    "blade_length_mm": "blade length",
    "poles": "poles",
}
LEAST_GAP_DEG = 1.0  # cylinders that fire closer together than this are heard as one


def degrees_from(given: str) -> tuple[float, ...]:
    """Angles in degrees as they are written, separated by commas; UsageError where one is no finite number."""
    try:
        angles = tuple(math.nan if "_" in part else float(part) for part in given.split(","))
    except ValueError:
        angles = (math.nan,)
    if not all(map(math.isfinite, angles)):
        raise UsageError(f"'{given}' given, degrees separated by commas expected, such as 0,270")
    return angles


def engine_told(
    strokes: str | None,
    cylinders: int | None,
    firing_angles: tuple[float, ...] | None,
    rated_rpm: float | None,
    idle_rpm: float | None,
    machine: str | None,
    blade_length_mm: float | None,
    poles: int | None,
    named: Mapping[str, str],
) -> Engine:
    """The engine as told, each argument None where not told; UsageError where what is told contradicts itself.

    Four strokes, one cylinder and even firing are assumed where not told, and named in `Engine.assumed`.
    Firing angles alone tell the number of cylinders too. named: what errors call the arguments: a
    door's own options or fields, for strokes, cylinders, firing_angles, rated_rpm and idle_rpm.
    """
    if cylinders is None and firing_angles is not None:
        cylinders = len(firing_angles)
    told = {"strokes": strokes, "cylinders": cylinders, "firing_angles_deg": firing_angles}
    engine_strokes, engine_cylinders = int(strokes or 4), cylinders or 1
    _check_angles(firing_angles, engine_strokes, engine_cylinders, named)
    _check_speeds(rated_rpm, idle_rpm, named)
    return Engine(
        strokes=engine_strokes,
        cylinders=engine_cylinders,
        firing_angles_deg=firing_angles or _even_angles(engine_strokes, engine_cylinders),
        rated_rpm=rated_rpm,
        idle_rpm=idle_rpm,
        machine=machine,
        blade_length_mm=blade_length_mm,
        alternator_poles=poles,
        assumed=tuple(name for name, value in told.items() if value is None),
    )


def _even_angles(strokes: int, cylinders: int) -> tuple[float, ...]:
    return tuple(index * 180.0 * strokes / cylinders for index in range(cylinders))


def _check_angles(angles: tuple[float, ...] | None, strokes: int, cylinders: int, named: Mapping[str, str]) -> None:
    if angles is None:
        return
    cycle_deg = 180 * strokes
    given = f"{named['firing_angles']} {','.join(map(as_told, angles))}"
    if len(angles) != cylinders:
        raise UsageError(
            f"{given}: {len(angles)} given, one for each of {counted(cylinders, 'cylinder')} expected; put these right "
            f"or {named['cylinders']}"
        )
    if angles[0] != 0:
        raise UsageError(f"{given}: angles are counted from the first firing, so the first is 0")
    if max(angles) >= cycle_deg:
        raise UsageError(
            f"{given}: each must be below {cycle_deg}, the degrees of one cycle of a {strokes}-stroke; put these right "
            f"or {named['strokes']}"
        )
    if any(later - earlier < LEAST_GAP_DEG for earlier, later in zip(angles, angles[1:], strict=False)):
        raise UsageError(
            f"{given}: rising angles at least {as_told(LEAST_GAP_DEG)} degree apart expected; "
            "cylinders that fire together are heard as one and given once"
        )


def _check_speeds(rated_rpm: float | None, idle_rpm: float | None, named: Mapping[str, str]) -> None:
    if rated_rpm is not None and idle_rpm is not None and idle_rpm >= rated_rpm:
        idle, rated = f"{named['idle_rpm']} {as_told(idle_rpm)}", f"{named['rated_rpm']} {as_told(rated_rpm)}"
        raise UsageError(f"{idle} given with {rated}: idle must be the lower")


def told_otherwise(then: Engine, now: Engine) -> tuple[str, ...]:
    """In what an engine is told otherwise now than when a recording was analysed, as keywords of `engine_told`.

    Firing angles that are left open are taken from the sound each time, so they are no difference.
    """
    fields = {"strokes": "strokes", "cylinders": "cylinders", "machine": "machine", "rated_rpm": "rated_rpm",
              "idle_rpm": "idle_rpm", "blade_length_mm": "blade_length_mm", "poles": "alternator_poles"}  # fmt: skip
    found = [name for name, field in fields.items() if getattr(then, field) != getattr(now, field)]
    same_layout = "strokes" not in found and "cylinders" not in found
    if same_layout and not now.firing_open and then.firing_angles_deg != now.firing_angles_deg:
        found.append("firing_angles")
    return tuple(found)


def then_and_now(then: Engine, now: Engine) -> list[str]:
    """In what an engine is told otherwise now, each in words with what was told then: 'cylinders 1 then, 2 now'."""
    return [f"{TOLD[name]} {_value(then, name)} then, {_value(now, name)} now" for name in told_otherwise(then, now)]


def another_engine(then: Engine, now: Engine) -> list[str]:
    """In what two recordings of a machine are told such engines that the figures of one say nothing of the other, each
    in words; empty where they may be of one. A rated speed that was only told later is no other."""
    names = [name for name in told_otherwise(then, now) if name in ("strokes", "cylinders", "firing_angles")]
    if then.firing_open:
        names = [name for name in names if name != "firing_angles"]
    if then.rated_rpm is not None and now.rated_rpm is not None and then.rated_rpm != now.rated_rpm:
        names.append("rated_rpm")
    return [f"{TOLD[name]} {_value(then, name)} before, {_value(now, name)} after" for name in names]


def _value(engine: Engine, name: str) -> str:
    field = {"firing_angles": "firing_angles_deg", "poles": "alternator_poles"}.get(name, name)
    value = getattr(engine, field)
    if value is None:
        return "not told"
    unit = {"rated_rpm": " rpm", "idle_rpm": " rpm", "blade_length_mm": " mm"}.get(name, "")
    values = value if isinstance(value, tuple) else (value,)
    text = ",".join(each if isinstance(each, str) else as_told(each) for each in values)
    return f"{text}{unit}{' (assumed)' if field in engine.assumed else ''}"


def judged_otherwise(record: JobRecord) -> list[tuple[StoredRun, tuple[str, ...]]]:
    """The runs of a job, with their records, that were analysed before the engine was told otherwise: and in what."""
    now = record.machine.engine
    found = ((run, told_otherwise(run.run.engine, now)) for run in record.runs if run.run is not None)
    return [(run, names) for run, names in found if names]


def analysed_otherwise(record: JobRecord) -> list[tuple[StoredRun, tuple[str, ...]]]:
    """As `judged_otherwise`, those of them that ask to be analysed again: none of a job that is handed back.

    What is told since may be of another engine, fitted meanwhile; what was judged, and handed back, was of the former.
    """
    return [] if record.job.state == "handed_back" else judged_otherwise(record)


def told_then(record: JobRecord) -> list[str]:
    """Of a job handed back: which of its runs, with their records, were judged with what was told of the engine then,
    and how that was, a sentence for each; none where it is told so still, or of a job at hand."""
    if record.job.state != "handed_back":
        return []
    found: dict[str, list[str]] = {}
    for run, _ in judged_otherwise(record):
        if run.run is not None:
            found.setdefault("; ".join(then_and_now(run.run.engine, record.machine.engine)), []).append(str(run.id))
    return [
        f"{changed}; run{'s'[: len(ids) > 1]} {joined(ids)} {'were' if len(ids) > 1 else 'was'} judged with the former"
        for changed, ids in found.items()
    ]


def asked_about(record: JobRecord) -> Engine | None:
    """The engine with which a job's recordings are to be judged: as it is told now; None, which asks for none, where
    the job is handed back (see `analysed_otherwise`)."""
    return None if record.job.state == "handed_back" else record.machine.engine


def engines_note(before: StoredRun, after: StoredRun) -> tuple[str, ...]:
    """Of two recordings of different jobs, whole: that the engine was told otherwise for them, and what that may mean;
    nothing where it was told alike."""
    if before.run is None or after.run is None or before.job_id == after.job_id:
        return ()
    first, then = before.run.engine, after.run.engine
    fields = [
        f"{TOLD[name]} {_value(first, name)} before, {_value(then, name)} after" for name in told_otherwise(first, then)
    ]
    if not fields:
        return ()
    return (
        f"The engine is told otherwise for the two ({'; '.join(fields)}). Where another one was fitted in between, "
        "they are recordings of two engines, and what differs shows no work; where one was told wrongly, analyse that "
        "again.",
    )


def otherwise_note(now: Engine | None, *runs: StoredRun | None) -> tuple[str, ...]:
    """A question about those of the runs that were analysed before the engine was told otherwise; none where none was.

    now: the engine as it is told of their machine; None asks nothing.
    """
    if now is None:
        return ()
    unlike = {run.id: told_otherwise(run.run.engine, now) for run in runs if run is not None and run.run is not None}
    found = {number: names for number, names in unlike.items() if names}
    if not found:
        return ()
    fields = joined([words for name, words in TOLD.items() if any(name in names for names in found.values())])
    named = f"Run{'s'[: len(found) - 1]} {joined(list(map(str, found)))} {'were' if len(found) > 1 else 'was'}"
    return (f"{named} analysed before the engine was told otherwise ({fields}): analyse again first?",)
