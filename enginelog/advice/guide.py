"""The guided sequence: which recordings to make of a machine, how long each, and whether one that was made will do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from enginelog.advice.reasoning import advise
from enginelog.advice.signs import changed_words, expected_rpm, least_pulls, regime, sure_rpm
from enginelog.advice.words import Heard, Record, Situation
from enginelog.limits.trade import cautions, formulas, machines, protocols
from enginelog.limits.trade.cautions import Caution, Exposure
from enginelog.limits.trade.protocols import ToRecord
from enginelog.model import CLUTCH_KINDS, Engine
from enginelog.model.wording import counted, lasted

NEARLY = 0.9  # a run of nine tenths of the time asked for will do
TOLD = ("machine", "idle_rpm", "rated_rpm")  # what decides which of its two speeds an engine was at
SPEEDS = {"idle": ("idle", "idle speed", "--idle-rpm"), "top": ("full speed", "rated speed", "--rated-rpm")}


@dataclass(frozen=True)
class Step:
    """One recording to make: the test, how in words, how long it must run, the cautions for it.

    assumed_rpm: the speed from which the time was worked out, None where it does not depend on one.
    firings: how many firings are due in the revolutions asked for.
    """

    test: ToRecord
    how: str
    seconds: float
    cautions: tuple[Caution, ...]
    assumed_rpm: float | None = None
    firings: int | None = None


@dataclass(frozen=True)
class Plan:
    """All recordings of a machine: what to read off first, phone, cautions, noise, steps."""

    machine: str
    ask_first: tuple[str, ...]
    steps: tuple[Step, ...]
    cautions: tuple[Caution, ...]
    exposures: tuple[Exposure, ...]


@dataclass(frozen=True)
class Judged:
    """Whether a recording will do for its test: what was heard, and what to do otherwise (empty: it will do).

    ran: whether the engine was heard running; False: its starter was pulled in vain, None: neither.
    """

    test: ToRecord
    heard: str
    again: tuple[str, ...]
    ran: bool | None = None

    @property
    def will_do(self) -> bool:
        return not self.again


def plan(engine: Engine, ask_first: tuple[str, ...] = ()) -> Plan:
    """The sequence for a machine. engine.machine names its kind (None: `other`); told speeds go before usual ones."""
    kind = engine.machine if engine.machine in machines.KINDS else "other"
    steps = tuple(_step(test, engine, kind) for test in protocols.tests(kind))
    return Plan(kind, ask_first, steps, cautions.for_machine(kind), cautions.exposures(kind))


def speed_for(test: ToRecord, engine: Engine, kind: str) -> float | None:
    """The speed the test runs at: as told, else the low end of the usual window, else none known."""
    which = "idle" if "idle" in test.needs else "top"
    told = engine.idle_rpm if which == "idle" else engine.rated_rpm
    usual = machines.usual(kind, which)
    return told if told is not None else (usual.low if usual else None)


def _step(test: ToRecord, engine: Engine, kind: str) -> Step:
    rpm = speed_for(test, engine, kind) if test.revolutions else None
    seconds = test.seconds(rpm)
    due = formulas.firings_in(test.revolutions, engine.strokes, engine.cylinders)
    firings = round(due) if test.revolutions else None
    named = set(test.cautions)
    wanted = tuple(caution for caution in cautions.for_machine(kind, test.name) if caution.name in named)
    return Step(test, test.how.replace("{seconds}", f"{seconds:z.0f}"), seconds, wanted, rpm, firings)


def judge(step: Step, record: Record, engine: Engine | None = None) -> Judged:
    """Whether a recording will do for this step: usable, long enough, and with what must be heard in it.

    engine: as told now, which goes before what was told when the recording was analysed.
    """
    again: list[str] = []
    record = _as_told(record, engine)
    if not record["quality"]["usable"]:
        again += [f"{problem['text']} {problem['advice']}" for problem in record["quality"]["problems"]]
        return Judged(step.test, "not usable", tuple(again or ["The recording is too poor: nearer, out of the wind."]))
    for need in step.test.needs:
        again += _NEEDS[need](step, record)
    # Pulls without a start are a valid recording of a cold start that failed.
    if "start" in step.test.needs and not record["engine_heard"] and least_pulls(record):
        return Judged(step.test, f"{_pulls(record)}, and it did not start", (), False)
    heard = _heard(record) + _not_known(step, record)
    return Judged(step.test, heard, tuple(again), True if record["engine_heard"] else None)


def first_of(record: Record, engine: Engine | None = None) -> tuple[str, ...]:
    """What is said before all else of a recording in which something that can hurt was heard; empty for others."""
    told = _as_told(record, engine)
    return advise(Situation((Heard(told),))).first if told["quality"]["usable"] and told["engine_heard"] else ()


def _as_told(record: Record, engine: Engine | None) -> Record:
    """The record with what is told of the machine now in place of what was told of it then."""
    told = {name: getattr(engine, name) for name in TOLD if getattr(engine, name, None) is not None}
    return {**record, "engine": {**record["engine"], **told}}


def _pulls(record: Record) -> str:
    """`3 pulls`, or `2 pulls or more` where the number is doubtful."""
    return counted(least_pulls(record), "pull") + ("" if record["start"]["pulls"] is not None else " or more")


def _heard(record: Record) -> str:
    if not record["engine_heard"]:
        return "no running engine"
    rpm, changed = record["speed"]["rpm"], changed_words(record)
    if changed:
        return f"ran for {lasted(_ran_s(record))} s; its speed changed: {changed}"
    speed = f" at {rpm:z.0f} rpm" if rpm is not None else ", speed not known"
    other_rpm = record["speed"].get("or_rpm")
    speed += f" (or {other_rpm:z.0f} rpm)" if other_rpm is not None else ""
    return f"ran for {lasted(_ran_s(record))} s{speed}"


def _ran_s(record: Record) -> float:
    return float(sum(span["end_s"] - span["start_s"] for span in record["timeline"] if span["kind"] == "run"))


def _run(step: Step, record: Record) -> list[str]:
    """Heard running, and long enough at the speed it had."""
    if not record["engine_heard"]:
        return [f"No running engine was heard ({record['engine_reason'] or 'no steady beat'}): record it again."]
    rpm = None if changed_words(record) else record["speed"]["rpm"]
    wanted = step.test.seconds(rpm) if rpm else step.seconds
    ran = _ran_s(record)
    if ran < NEARLY * wanted:
        turns = f" ({step.test.revolutions:z.0f} revolutions)" if step.test.revolutions else ""
        return [f"It ran for {lasted(ran)} s; {wanted:z.0f} s{turns} are needed: record it longer."]
    return []


def _start(step: Step, record: Record) -> list[str]:
    if least_pulls(record) or record["start"]["seconds_to_run"] is not None:
        return []
    return ["No pull of the starter was heard: begin the recording two seconds before the first pull."]


def _at(wanted: str) -> Callable[[Step, Record], list[str]]:
    def need(step: Step, record: Record) -> list[str]:
        if record["engine_heard"] and changed_words(record):
            return [f"It was not at {SPEEDS[wanted][0]} throughout: leave throttle and load alone and record again."]
        where = _where(record)
        if where in (wanted, None):
            return []
        rpm = f"{record['speed']['rpm']:z.0f} rpm"
        return [f"At {rpm} it was not at {SPEEDS[wanted][0]}: set the throttle and record again."]

    return need


def _where(record: Record) -> str | None:
    """`idle` or `top`, whichever speed the engine was nearer to; None where that cannot be told.

    Where neither of the two is told or usual for the machine, what is usual for no kind of machine with such an engine
    still tells: a four-stroke at 3000 rpm does not idle.
    """
    rpm = sure_rpm(record) if record["engine_heard"] else None
    if rpm is None:
        return None
    if expected_rpm(record, "idle") is not None or expected_rpm(record, "top") is not None:
        return regime(record)
    idle_high_rpm, top_low_rpm = _of_all_kinds(record)
    if rpm > idle_high_rpm and rpm >= top_low_rpm:
        return "top"
    return "idle" if rpm < top_low_rpm and rpm <= idle_high_rpm else None


def _of_all_kinds(record: Record) -> tuple[float, float]:
    """The highest usual idle and the lowest usual top speed of all kinds that such an engine may drive, in rpm."""
    engine = record["engine"]
    four = engine["strokes"] == 4 and "strokes" not in engine["assumed"]
    kinds = [kind for kind in machines.KINDS if not (four and kind in CLUTCH_KINDS)]
    idles, tops = ([machines.usual(kind, which) for kind in kinds] for which in ("idle", "top"))
    return (
        max(each.high for each in idles if each and each.high is not None),
        min(each.low for each in tops if each and each.low is not None),
    )


def _not_known(step: Step, record: Record) -> str:
    """Says so where a recording is taken without knowing whether the engine was at the speed asked for."""
    wanted = next((need for need in step.test.needs if need in SPEEDS), None)
    if wanted is None or not record["engine_heard"] or _where(record) is not None or changed_words(record):
        return ""  # of a run at no one speed it is said that it will not do
    words, name, option = SPEEDS[wanted]
    hint = f"tell its {name} ({option})" if sure_rpm(record) is not None else "its speed is not sure"
    return f"; whether at {words} cannot be told: {hint}"


def _load(step: Step, record: Record) -> list[str]:
    if record["loads"] or not record["engine_heard"]:
        return []
    return ["No load step was heard: ten seconds without load, then the load on at once, all in one recording."]


def _rundown(step: Step, record: Record) -> list[str]:
    if record["stop"]["rundown_s"] is not None or not record["engine_heard"]:
        return []
    return ["Its coming to rest was not heard: keep recording until all is still, and two seconds more."]


_NEEDS: dict[str, Callable[[Step, Record], list[str]]] = {
    "run": _run,
    "start": _start,
    "idle": _at("idle"),
    "top": _at("top"),
    "load": _load,
    "rundown": _rundown,
}
