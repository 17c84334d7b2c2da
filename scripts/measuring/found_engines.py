"""Engines that other people recorded and of which nobody wrote down a speed: is an engine heard in each?

They lie in the folder `engines` of that of the found sounds (`found_sounds.py`; never part of the project), a folder in
it for each of Debian's packages: what torcs-data, supertuxkart-data, stormbaancoureur-data, flightgear-data-base,
openttd-opensfx and simutrans-pak64 (free licences, named in each package) hold of piston engines: of road vehicles,
propeller planes and saws (whose files' names were made to begin with `saw`). Of FITTED the fits may learn, the other
packages are for measuring. Most are loops of a few seconds.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from enginelog import media, synthesis
from enginelog.dsp.signals import resample
from enginelog.model import Clip
from measuring import made
from measuring.found_sounds import ENGINES, SUFFIXES, lacking
from measuring.others import TOLD
from measuring.pool import each
from measuring.tables import percent, table

ROAD, AIR = "torcs-data", "flightgear-data-base"
FITTED = (ROAD, AIR)
AS_RECORDED = "as recorded"
HARDNESS = (AS_RECORDED, "easy", "ordinary", "hard")
SAW, CAR = TOLD["two-stroke single"], TOLD["four-stroke four"]
SECONDS, FADE_S = 6.0, 0.03
WANDER, WANDERS_HZ = 0.015, 0.7  # of the speed at which a loop is played on, so that no two turns of it are the same
HEAD = ("engines recorded by others", "recordings", "analyses", "engine heard %", "speed told %", "by package")


def engines_in(folder: Path, for_fitting: bool) -> list[Path]:
    """The recordings of one half, sorted; none where there is no such folder."""
    found = sorted(path for path in (folder / ENGINES).rglob("*") if path.suffix.lower() in SUFFIXES)
    return [path for path in found if (path.parent.name in FITTED) == for_fitting]


def played_on(clip: Clip, seed: int, factor: float = 1.0) -> Clip:
    """SECONDS of a recording, a shorter one over and over, played `factor` times as fast and a little unevenly."""
    rng = np.random.default_rng([seed, 9])
    rate_hz = clip.rate_hz
    sound = looped(clip.samples.astype(float), int(1.2 * factor * SECONDS * rate_hz), int(FADE_S * rate_hz))
    fine = resample(sound.astype(np.float32), rate_hz, 2 * rate_hz)  # read between samples without dulling it
    t = np.arange(int(SECONDS * rate_hz))
    wave = np.sin(2 * np.pi * (WANDERS_HZ * rng.uniform(0.5, 2.0) * t / rate_hz + rng.random()))
    at = np.cumsum(factor * (1.0 + WANDER * wave))
    return Clip(np.interp(2 * at, np.arange(len(fine)), fine).astype(np.float32), rate_hz)


def looped(sound: np.ndarray, length: int, fade: int) -> np.ndarray:
    """The sound over and over until `length` samples are full, its end faded into its beginning over `fade`."""
    whole = sound
    ramp = np.sqrt(np.linspace(0.0, 1.0, fade))
    while len(whole) < length:
        seam = whole[-fade:] * ramp[::-1] + sound[:fade] * ramp
        whole = np.concatenate([whole[:-fade], seam, sound[fade:]])
    return whole[:length]


# ---------------------------------------------------------------- what is heard in the half for measuring


def missing() -> str | None:
    """Why these cannot be measured; None where they can."""
    return lacking(lambda folder: engines_in(folder, for_fitting=False), f"folder {ENGINES!r}")


@dataclass(frozen=True)
class Put:
    """One recording, as it is or at one place: everything follows from these three."""

    path: Path
    seed: int
    hardness: str


@dataclass(frozen=True)
class Heard:
    """Whether an engine was heard in it, and a speed told."""

    put: Put
    engine: bool
    speed: bool


def listen(put: Put) -> Heard:
    """Analyse it, only the layout told: a saw is a single two-stroke, the others are taken for fours."""
    clip = media.read(str(put.path))[0]
    if put.hardness != AS_RECORDED:
        clip = synthesis.at_the_bench(played_on(clip, put.seed), put.seed, put.hardness)
    elif clip.seconds < SECONDS:
        clip = played_on(clip, put.seed)
    run = made.analysed(clip, SAW if put.path.stem.startswith("saw") else CAR)
    return Heard(put, run.timeline.engine_heard, run.measures.speed.rpm is not None)


def found_engines_table(count: int, first_seed: int, jobs: int) -> str:
    """What is heard in the half for measuring, as recorded and at `count` places of each hardness."""
    paths = engines_in(Path(os.environ["ENGINELOG_SOUNDS"]), for_fitting=False)
    wanted = [(path, AS_RECORDED) for path in paths]
    wanted += [(path, hardness) for _ in range(count) for hardness in HARDNESS[1:] for path in paths]
    puts = [Put(path, first_seed + number, hardness) for number, (path, hardness) in enumerate(wanted)]
    heard = each(listen, puts, jobs, "engines recorded by others")
    rows = [_row(hardness, [one for one in heard if one.put.hardness == hardness]) for hardness in HARDNESS]
    return table(HEAD, rows)


def _row(name: str, heard: Sequence[Heard]) -> list[object]:
    packages = sorted({one.put.path.parent.name for one in heard})
    mine = {package: [one.engine for one in heard if one.put.path.parent.name == package] for package in packages}
    by_package = ", ".join(f"{package} {sum(told)} of {len(told)}" for package, told in mine.items())
    told = percent(sum(one.engine for one in heard), len(heard)), percent(sum(one.speed for one in heard), len(heard))
    return [name, len({one.put.path for one in heard}), len(heard), *told, by_package]
