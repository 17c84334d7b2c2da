"""Recordings of real engines and other sounds by other people, and how the program does on them.

The folder holds `index.csv` (file, kind, label, strokes, cylinders, ...) and for some recordings `<clip>.firing.csv`:
the firing rate every 50 ms where general-purpose trackers agreed. The labels are good to about 0.5 %.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from enginelog import analysis, limits, media
from enginelog.model import Clip, Engine, Run
from enginelog.speed import track
from enginelog.speed.tracking import pursue
from measuring.others import TOLD
from measuring.pool import each
from measuring.scores import at_times, is_octave, within
from measuring.tables import number, percent, table

# Looked at while the speed stage was designed, or used to fit; the others only when they were measured.
FOLD_A = (
    *("chainsaw_1-", "chainsaw_2-68391-A", "car_motor", "generator_startup"),
    *("rain_1-17367", "clock_tick", "dog_bark_1-100032"),
)
FOUR = TOLD["four-stroke four"]
WORDS = {"engine": "engine", "rotor": "rotor", "other": "no engine"}


@dataclass(frozen=True)
class Sound:
    """One recording of the folder. engines: what is told of it, one analysis each. label_*: empty without labels."""

    path: str
    kind: str
    fold: str
    engines: tuple[Engine, ...]
    label_t_s: tuple[float, ...] = ()
    label_hz: tuple[float, ...] = ()

    @property
    def name(self) -> str:
        return Path(self.path).name


def folder() -> Path:
    """Where the recordings are: ENGINELOG_RECORDINGS, or shared/recordings beside the checkout."""
    beside = Path(__file__).resolve().parents[3] / "shared" / "recordings"
    return Path(os.environ.get("ENGINELOG_RECORDINGS", beside))


def missing() -> str | None:
    """Why the real recordings cannot be measured; None where they can."""
    where = folder()
    if (where / "index.csv").is_file():
        return None
    return f"no index.csv in the folder {where.name!r}: set ENGINELOG_RECORDINGS to the folder of recordings"


def sounds() -> list[Sound]:
    """All recordings of the index, engines first."""
    with (folder() / "index.csv").open(encoding="utf-8", newline="") as lines:
        found = [_sound(row) for row in csv.DictReader(lines)]
    return sorted(found, key=lambda sound: (list(WORDS).index(sound.kind), sound.fold, sound.name))


def engines_of(kind: str, label: str, name: str) -> tuple[Engine, ...]:
    """What is told: saws two strokes, the car's engine four cylinders, other engines nothing; both for other sounds."""
    if kind != "engine":
        return (Engine(), Engine(strokes=2))
    if "saw" in label:
        return (Engine(strokes=2),)
    return (FOUR,) if name.startswith("car_motor") else (Engine(),)


def _sound(row: dict[str, str]) -> Sound:
    name = row["file"]
    fold = "A" if name.startswith(FOLD_A) else "B"
    engines = engines_of(row["kind"], row["label"], name)
    return Sound(str(folder() / name), row["kind"], fold, engines, *_labels(folder() / name))


def _labels(sound: Path) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Moments and firing rates where the trackers agreed."""
    path = sound.with_name(sound.stem + ".firing.csv")
    if not path.is_file():
        return (), ()
    with path.open(encoding="utf-8", newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["f0_hz"]]
    return tuple(float(row["t_s"]) for row in rows), tuple(float(row["f0_hz"]) for row in rows)


@dataclass(frozen=True)
class Verdict:
    """What the whole analysis said of a recording, told one engine; ratios are found/label at each labelled moment.

    path_ratio: of the best path, also where its confidence was too low to report. told_ratio: NaN where not reported.
    """

    sound: Sound
    engine: Engine
    heard: bool
    heard_confidence: float
    usable: bool
    rpm: float | None
    confidence: float
    path_ratio: np.ndarray
    told_ratio: np.ndarray


def judge(sound: Sound) -> list[Verdict]:
    """Analyse one recording once for each engine told."""
    clip, _ = media.read(sound.path)
    return [verdict(sound, clip, engine, analysis.analyse(sound.path, engine)) for engine in sound.engines]


def verdict(sound: Sound, clip: Clip, engine: Engine, run: Run) -> Verdict:
    """What `run` says of a recording, told an engine; clip: as it was heard there."""
    speed, story = run.measures.speed, run.timeline
    told = (story.engine_heard, story.confidence, run.quality.usable, speed.rpm, speed.confidence)
    return Verdict(sound, engine, *told, *frame_ratios(sound, clip, engine))


def frame_ratios(sound: Sound, clip: Clip, engine: Engine) -> tuple[np.ndarray, np.ndarray]:
    """Found over labelled firing rate at the labelled moments: of the best path, and of the frames reported."""
    t_s, label_hz = np.array(sound.label_t_s), np.array(sound.label_hz)
    if not len(t_s):
        return np.zeros(0), np.zeros(0)
    told = limits.load("speed")
    path, reported = pursue(clip, engine, told), track(clip, engine, told)
    path_hz = path.cycle_hz * engine.cylinders
    reported_hz = reported.rpm * engine.firing_hz_per_rpm
    return at_times(t_s, path.t_s, path_hz) / label_hz, at_times(t_s, reported.t_s, reported_hz) / label_hz


HEARD_HEAD = ("recording", "fold", "told", "engine heard", "as it should", "confidence", "usable", "rpm", "sure")


def heard_table(verdicts: Sequence[Verdict]) -> str:
    """One row a recording and engine told; a rotor may be either."""
    rows = []
    for one in verdicts:
        told = f"{one.engine.strokes} strokes, {one.engine.cylinders} cyl."
        right = "-" if one.sound.kind == "rotor" else "yes" if one.heard == (one.sound.kind == "engine") else "**no**"
        rows.append(
            [one.sound.name, one.sound.fold, told, "yes" if one.heard else "no", right, number(one.heard_confidence)]
            + ["yes" if one.usable else "no", number(one.rpm, 0), number(one.confidence)]
        )
    return table(HEARD_HEAD, rows)


def heard_lines(verdicts: Sequence[Verdict]) -> str:
    """How many were judged as they should be: in all, and in the fold that was not looked at."""
    return "\n".join(
        [
            f"- all: {_heard_counts(verdicts)}",
            f"- fold B alone: {_heard_counts([one for one in verdicts if one.sound.fold == 'B'])}",
        ]
    )


def _heard_counts(verdicts: Sequence[Verdict]) -> str:
    engines = [one for one in verdicts if one.sound.kind == "engine"]
    others = [one for one in verdicts if one.sound.kind == "other"]
    return (
        f"engine heard in {sum(one.heard for one in engines)} of {len(engines)} recordings of engines, "
        f"and in {sum(one.heard for one in others)} of {len(others)} analyses of other sounds (0 is right)"
    )


FRAME_HEAD = (
    *("recording", "labelled frames", "path within 3 %", "path octave errors %", "path other errors %"),
    *("reported %", "of reported: within 3 %", "of reported: octave errors %", "median error %"),
)


def frame_row(name: str, verdicts: Sequence[Verdict]) -> list[object]:
    """Shares in per cent; the median error is that of path frames within 3 %."""
    path = np.concatenate([one.path_ratio for one in verdicts])
    told = np.concatenate([one.told_ratio for one in verdicts])
    told = told[np.isfinite(told)]
    right, octave = within(path, 3.0), is_octave(path)
    fine = np.abs(path[right] - 1)
    return [
        name,
        len(path),
        percent(right.sum(), len(path)),
        percent(octave.sum(), len(path)),
        percent((~right & ~octave).sum(), len(path)),
        percent(len(told), len(path)),
        percent(within(told, 3.0).sum(), len(told)),
        percent(is_octave(told).sum(), len(told)),
        number(100 * float(np.median(fine)) if len(fine) else None),
    ]


def frame_table(verdicts: Sequence[Verdict]) -> str:
    """Engines with labels: all, per fold, per recording; rotors (no engines) below, for information."""
    labelled = [one for one in verdicts if len(one.path_ratio)]
    engines = [one for one in labelled if one.sound.kind == "engine"]
    groups = [("**engines, all**", engines)]
    groups += [(f"**fold {fold}**", [one for one in engines if one.sound.fold == fold]) for fold in "AB"]
    groups += [(f"{one.sound.name} ({one.sound.fold})", [one]) for one in engines]
    rotors = [one for one in labelled if one.sound.kind == "rotor"]
    groups += [(f"rotor: {one.sound.name}, told {one.engine.strokes} strokes", [one]) for one in rotors]
    return table(FRAME_HEAD, [frame_row(name, group) for name, group in groups if group])


def verdicts(jobs: int, only: Sequence[Sound] | None = None) -> list[Verdict]:
    """All recordings through the analysis."""
    chosen = sounds() if only is None else list(only)
    return [one for group in each(judge, chosen, jobs, "real recordings") for one in group]
