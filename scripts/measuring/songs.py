"""Whole pieces of music that other people recorded, as they are: a radio beside the bench, or the wrong file.

They lie in the folder of the found sounds (`found_sounds.py`; never part of the project): its folders named `music` and
`moh`, and one named `songs` with what megaglest-data, openclonk-data, scorched3d-data and, in its folder `unseen`,
widelands-data and unknown-horizons hold of music (free licences, named in each of Debian's packages). Halves as
there: the limits of `timeline/beside.py` were chosen on one.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from enginelog import analysis
from measuring.found_sounds import MUSIC_FOLDERS, SONGS, SUFFIXES, UNSEEN, fitted, lacking
from measuring.others import TOLD
from measuring.pool import each
from measuring.tables import percent, table

LEAST_BYTES = 400_000  # of a file that is a piece of music rather than a jingle
HEAD = (
    "whole pieces of music",
    "pieces",
    "engine heard %",
    "0.5 and surer %",
    "speed told %",
    "surest speed",
    "pulls told %",
)


def songs_in(folder: Path, for_fitting: bool) -> list[Path]:
    """The pieces of one half, sorted."""
    found = []
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        of_music = path.suffix.lower() in SUFFIXES and any(part in (*MUSIC_FOLDERS, SONGS, "Musics") for part in parts)
        if of_music and path.stat().st_size >= LEAST_BYTES and fitted(Path(*parts)) == for_fitting:
            found.append(path)
    return found


# ---------------------------------------------------------------- what is heard in the half for measuring


@dataclass(frozen=True)
class Listened:
    """What was told of one piece: from which of the folders it is; an engine, a speed, and how surely; pulls."""

    group: str
    engine: bool
    confidence: float
    speed: bool
    speed_confidence: float
    pulls: bool


def missing() -> str | None:
    """Why these cannot be measured; None where they can."""
    return lacking(lambda folder: songs_in(folder, for_fitting=False), "pieces of music")


def listen(path: Path) -> Listened:
    """Analyse one piece from its first to its last second, told one of the layouts."""
    engines = list(TOLD.values())
    run = analysis.analyse(str(path), engines[zlib.crc32(path.name.encode()) % len(engines)])
    speed, told = run.measures.speed, run.timeline
    group = "packages of which no fit saw any" if UNSEEN in path.parts else "other pieces than the fits saw"
    return Listened(group, told.engine_heard, told.confidence, speed.rpm is not None, speed.confidence, told.pulls > 0)


def songs_table(jobs: int) -> str:
    """What is heard in the half for measuring."""
    paths = songs_in(Path(os.environ["ENGINELOG_SOUNDS"]), for_fitting=False)
    heard = each(listen, paths, jobs, "music")
    groups = sorted({one.group for one in heard})
    return table(HEAD, [_row(group, [one for one in heard if one.group == group]) for group in groups])


def _row(name: str, heard: Sequence[Listened]) -> list[object]:
    share = [
        percent(sum(told), len(heard))
        for told in (
            [one.engine for one in heard],
            [one.engine and one.confidence >= 0.5 for one in heard],
            [one.speed for one in heard],
        )
    ]
    surest = max((one.speed_confidence for one in heard if one.speed), default=0.0)
    return [name, len(heard), *share, f"{surest:.2f}", percent(sum(one.pulls for one in heard), len(heard))]
