"""What the analysis says of made-up sounds that are no engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from enginelog import synthesis
from enginelog.model import Clip, Engine
from measuring.made import analysed
from measuring.pool import each
from measuring.tables import number, percent, percent_between, table

TOLD = {
    "four-stroke single": Engine(),
    "two-stroke single": Engine(strokes=2),
    "four-stroke four": Engine(4, 4, (0.0, 180.0, 360.0, 540.0)),
}


@dataclass(frozen=True)
class Sound:
    """One sound without an engine: its kind, seed, and how hard a recording of it."""

    kind: str
    seed: int
    hardness: str


@dataclass(frozen=True)
class Heard:
    """What was said of a sound, told the engine named: an engine heard, a speed told, with which confidence."""

    sound: Sound
    told: str
    engine: bool
    rpm: float | None
    confidence: float
    pulls: int


def listen(sound: Sound) -> list[Heard]:
    """Make one sound and analyse it."""
    return heard_in(synthesis.make_other(sound.seed, sound.kind, hardness=sound.hardness), sound)


def heard_in(clip: Clip, sound: Sound) -> list[Heard]:
    """Analyse a clip without an engine once for each engine of TOLD."""
    found = []
    for told, engine in TOLD.items():
        run = analysed(clip, engine)
        speed = run.measures.speed
        heard = run.timeline.engine_heard
        found.append(Heard(sound, told, heard, speed.rpm, speed.confidence, run.timeline.pulls))
    return found


HEAD = (
    *("sounds", "n", "falsely heard %", "95 % range", *TOLD, "speed told", "highest confidence"),
    "pulls counted",
)


def row(name: str, heard: Sequence[Heard]) -> list[object]:
    """Share falsely heard over all engines told, then the count for each, and how sure a speed was."""
    false = [one for one in heard if one.engine]
    by_told = [sum(one.engine for one in heard if one.told == told) for told in TOLD]
    speeds = [one.confidence for one in heard if one.rpm is not None]
    return [
        name,
        len(heard),
        percent(len(false), len(heard)),
        percent_between(len(false), len(heard)),
        *by_told,
        len(speeds),
        number(max(speeds) if speeds else None),
        sum(one.pulls > 0 for one in heard),
    ]


def others_table(seeds: int, first_seed: int, jobs: int) -> str:
    """All kinds of sound, `seeds` of each, ordinary and hard recordings in turn; what trills is counted apart."""
    rows = []
    for name, kinds in (("**all**", synthesis.OTHER_KINDS), ("**what trills**", synthesis.TRILL_KINDS)):
        sounds = [Sound(kind, first_seed + i, ("ordinary", "hard")[i % 2]) for kind in kinds for i in range(seeds)]
        heard = [one for group in each(listen, sounds, jobs, "other sounds") for one in group]
        rows.append(row(name, heard))
        rows += [row(kind, [one for one in heard if one.sound.kind == kind]) for kind in kinds]
    return table(HEAD, rows)
