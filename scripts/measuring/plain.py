"""How the program does on the engines and other sounds of the second maker: speed, whether an engine is heard, and what
is said of firings that fail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from enginelog import limits
from enginelog.analysis import tracked
from enginelog.firing.counting import POINTS
from measuring import lost_firings
from measuring.by_fault import NEAR, counted_in
from measuring.made import analysed
from measuring.others import TOLD
from measuring.plain_engines import PlainEngine, plain_engine, soft_engine
from measuring.plain_others import KEPT_BACK, OTHERS, plain_other
from measuring.plain_pulses import FITTED_FORMS, FITTED_SOFT, HARMONIC
from measuring.pool import each
from measuring.scores import is_octave, within
from measuring.speed_tables import SURE
from measuring.tables import number, percent, percent_between, table

NEAR_S = 0.3
Made = TypeVar("Made", "Reading", "Counted")


@dataclass(frozen=True)
class Reading:
    """What was said of one plain engine. ratio: speed told over the true one, NaN where none was.

    covered: the 95 % interval of the speed holds. lost_percent_held: whether that of the misfires does; hunting:
    whether the speed was said to hunt; cut_near: whether the ignition went off within 0.3 s of when it was said to.
    None where it was not told.
    """

    hard: bool
    form: str
    even: bool
    strokes: int
    cylinders: int
    heard: bool
    ratio: float
    confidence: float
    covered: bool
    lost_percent_held: bool | None
    hunts: bool
    hunting: bool | None
    cut: bool
    cut_near: bool | None


def read(job: tuple[int, bool]) -> Reading:
    """Make one engine and analyse it."""
    seed, hard = job
    return reading_of(plain_engine(seed, hard), hard)


def read_soft(seed: int) -> Reading:
    """As `read`, of an engine that has no knock."""
    return reading_of(soft_engine(seed), seed % 2 == 1)


def reading_of(plain: PlainEngine, hard: bool) -> Reading:
    """What is said of one engine, told all but its rated speed."""
    run = analysed(plain.clip, plain.engine)
    speed, firing = run.measures.speed, run.measures.firing
    told = speed.rpm is not None
    covered = bool(told and speed.rpm_low <= plain.rpm <= speed.rpm_high)
    held = None
    if firing.misfire_percent is not None:
        held = bool(firing.misfire_low - 0.01 <= plain.lost_percent <= firing.misfire_high + 0.01)
    what = (hard, plain.form, plain.is_even, plain.engine.strokes, plain.engine.cylinders)
    ratio = speed.rpm / plain.rpm if told else float("nan")
    said = (run.timeline.engine_heard, ratio, speed.confidence, covered, held)
    hunting = (plain.hunting_hz is not None, run.measures.hunting.found)
    cut, cut_s = plain.end_s < plain.clip.seconds - 0.5, run.timeline.cut_s
    near = None if cut_s is None else cut and abs(cut_s - plain.end_s) <= NEAR_S
    return Reading(*what, *said, *hunting, cut, near)


HEAD = (
    *(
        "plain engines",
        "n",
        "engine heard %",
        "within 0.3 %",
        "within 1 %",
        "octave errors",
        "unknown",
        "wrong and sure",
    ),
    *("interval holds %", "misfires told %", "of these interval holds %", "hunting found %", "falsely %"),
    *("cut told %", "cut wrong"),
)


def row(name: str, found: Sequence[Reading]) -> list[object]:
    """Shares in per cent and counts of one group."""
    ratio = np.array([one.ratio for one in found])
    sure, known = np.array([one.confidence >= SURE for one in found], bool), np.isfinite(ratio)
    hunting, calm = ([one.hunting for one in found if one.hunts == hunts] for hunts in (True, False))
    counted = [one.lost_percent_held for one in found if one.lost_percent_held is not None]
    return [
        name,
        len(found),
        percent(sum(one.heard for one in found), len(found)),
        percent(within(ratio, 0.3).sum(), len(found)),
        percent(within(ratio, 1.0).sum(), len(found)),
        int(is_octave(ratio).sum()),
        int((~known).sum()),
        int((known & ~within(ratio, 1.0) & sure).sum()),
        percent(sum(one.covered for one in found), known.sum()),
        percent(len(counted), len(found)),
        percent(sum(counted), len(counted)),
        percent(hunting.count(True), len(hunting)),
        percent(calm.count(True), len(calm)),
        percent(sum(one.cut and one.cut_near is not None for one in found), sum(one.cut for one in found)),
        sum(one.cut_near is False for one in found),
    ]


def by_noise_and_form(found: Sequence[Made], mark: str = "") -> dict[str, list[Made]]:
    """Clear ones, hard ones, their names between marks, and those with pulses of a form kept from the fits."""
    return {
        f"{mark}in little noise{mark}": [one for one in found if not one.hard],
        f"{mark}in noise up to the engine's own level{mark}": [one for one in found if one.hard],
        "pulses of a form that no fit saw": [one for one in found if one.form not in FITTED_FORMS],
    }


def engines_table(runs: int, first_seed: int, jobs: int) -> str:
    """Clear and hard ones, and of both by kind."""
    seeds = range(first_seed, first_seed + runs)
    found = each(read, [(seed, hard) for hard in (False, True) for seed in seeds], jobs, "plain engines")
    groups = by_noise_and_form(found, "**") | {"perfectly even speed": [one for one in found if one.even]}
    groups |= by_layout(found)
    return table(HEAD, [row(name, group) for name, group in groups.items()])


def soft_table(runs: int, first_seed: int, jobs: int) -> str:
    """Engines without a knock: all, by noise and form of sound, and by kind."""
    found = each(read_soft, list(range(first_seed, first_seed + runs)), jobs, "soft engines")
    groups = {
        "**all**": found,
        "in little noise": [one for one in found if not one.hard],
        "of a form that no fit saw": [one for one in found if one.form not in FITTED_SOFT],
        "sums of harmonics": [one for one in found if one.form in HARMONIC],
        "soft pulses": [one for one in found if one.form not in HARMONIC],
    }
    groups |= by_layout(found)
    return table(("soft engines", *HEAD[1:]), [row(name, group) for name, group in groups.items()])


def by_layout(found: Sequence[Reading]) -> dict[str, list[Reading]]:
    """Singles of both kinds, and those with several cylinders."""
    return {
        "four-stroke, one cylinder": [one for one in found if one.strokes == 4 and one.cylinders == 1],
        "two-stroke, one cylinder": [one for one in found if one.strokes == 2],
        "several cylinders": [one for one in found if one.cylinders > 1],
    }


@dataclass(frozen=True)
class Counted:
    """What was counted of one engine some of whose firings fail, and what it was like."""

    found: lost_firings.Counted
    hard: bool
    form: str
    puffs: bool
    pattern: str


def count(job: tuple[int, bool]) -> Counted:
    """Make one engine whose firings fail in some way, and count what is reported of it."""
    seed, hard = job
    plain = plain_engine(seed, hard, faulty=True)
    followed = tracked(plain.clip, plain.engine, limits.load("speed"), limits.load("firing"))
    points = NEAR if plain.puffs else POINTS
    found = counted_in("plain", plain.clip, followed, plain, plain.engine, points)
    return Counted(found, hard, plain.form, plain.puffs, plain.misfire_pattern or "none")


def firings_table(runs: int, first_seed: int, jobs: int) -> str:
    """Lost firings of clear and hard ones, and of both by how they fail."""
    seeds = range(first_seed, first_seed + runs)
    every = each(count, [(seed, hard) for hard in (False, True) for seed in seeds], jobs, "plain engines that misfire")
    groups = by_noise_and_form(every) | {
        "a lost firing still puffs": [one for one in every if one.puffs and one.pattern != "none"],
    }
    groups |= {name: [one for one in every if one.pattern == name] for name in sorted({one.pattern for one in every})}
    return lost_firings.table(
        [(name, [one.found for one in group]) for name, group in groups.items()], [one.found for one in every]
    )


@dataclass(frozen=True)
class Heard:
    """Whether an engine was heard in a plain sound without one, and how sure a speed was."""

    kind: str
    engine: bool
    confidence: float


def listen(job: tuple[int, str]) -> list[Heard]:
    """Make one sound and analyse it, told one engine and then the other."""
    seed, kind = job
    clip, found = plain_other(seed, kind), []
    for engine in TOLD.values():
        run = analysed(clip, engine)
        found.append(Heard(kind, run.timeline.engine_heard, run.measures.speed.confidence))
    return found


OTHERS_HEAD = ("plain sounds", "n", "falsely heard %", "95 % range", "highest confidence of a speed")


def others_table(seeds: int, first_seed: int, jobs: int) -> str:
    """All kinds, those that no fit saw, and each kind."""
    jobs_of = [(seed, kind) for kind in OTHERS for seed in range(first_seed, first_seed + seeds)]
    heard = [one for group in each(listen, jobs_of, jobs, "plain sounds") for one in group]
    groups = {"**all**": heard, "of kinds that no fit saw": [one for one in heard if one.kind in KEPT_BACK]}
    groups |= {kind: [one for one in heard if one.kind == kind] for kind in OTHERS}
    rows = []
    for name, group in groups.items():
        false = sum(one.engine for one in group)
        most = number(max(one.confidence for one in group))
        rows.append([name, len(group), percent(false, len(group)), percent_between(false, len(group)), most])
    return table(OTHERS_HEAD, rows)
