"""Sounds without an engine that other people recorded: talk, effects, music, in a folder on this machine.

Talk of our own making has no lips, no coughs and no single words; a starter's pull is as short and as sudden as these.
The folder (ENGINELOG_SOUNDS) is never part of the project: what Debian's packages asterisk-core-sounds-*-wav,
ktuberling-data and wesnoth-1.16-data bring, and in folders named `music` that of wesnoth-1.16-music, hedgewars-data,
supertux-data, ardentryst, lincity-ng-data, asc-music, fretsonfire-songs-* and asterisk-moh-opsound-wav (free licences,
named in each package), was unpacked for it (`dpkg-deb -x`). One half is for fitting, the other for measuring; a speaker
is in one half only, and so are the takes of one effect or piece. All in folders named `unseen` is for measuring: what
xmoto-data, supertuxkart-data, colobot-common-sounds, tuxpaint-stamps-default, gnome-audio and flightgear-data-base hold
(engines, motors, turbines left out) is of other packages than anything a fit saw.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from enginelog import media, synthesis
from enginelog.model import Clip, EnginelogError
from measuring.others import HEAD, Heard, Sound, heard_in, row
from measuring.pool import each
from measuring.tables import table

SUFFIXES = (".wav", ".ogg", ".opus", ".flac", ".mp3")
FITTED_SPEAKERS = (
    *("en_US_f_Allison", "ca", "de", "en", "fi", "ga", "id", "lt", "nl", "pt", "ru", "sv", "wa"),
    *("sr", "sr@ijekavian", "sr@ijekavianlatin", "sr@latin"),  # one and the same speaker, perhaps
)
KEPT_SPEAKERS = ("ru_RU_f_IvrvoiceRU", "be", "bg", "da", "el", "es", "fr", "gl", "it", "nds", "nn", "ro", "sl", "uk")
HARDNESS = ("easy", "ordinary", "hard")
MUSIC, EFFECTS = "music", "effects"  # what no speaker said
MUSIC_FOLDERS = (MUSIC, "moh")
UNSEEN = "unseen"  # folder of recordings that are all for measuring
EMPTY = "silence"  # folder of recordings of nothing
ENGINES = "engines"  # folder of engines (`found_engines.py`)
SONGS = "songs"  # folder of whole pieces of music (`songs.py`)
SECONDS, SHORTEST_S = 8.0, 0.2
LEAST_RMS = 1e-4
MOST = 12  # recordings one after the other


def fitted(path: Path) -> bool:
    """Whether a recording is of the half for fitting: by its speaker's folder, others by their name's first word."""
    if UNSEEN in path.parts:
        return False
    for part in path.parts:
        if part in FITTED_SPEAKERS or part in KEPT_SPEAKERS:
            return part in FITTED_SPEAKERS
    return zlib.crc32(path.stem.split("-")[0].encode()) % 2 == 0


def speakers(folder: Path, for_fitting: bool) -> dict[str, list[Path]]:
    """The recordings of one half by what they are of: a speaker's folder, or all effects together."""
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        wanted = path.suffix.lower() in SUFFIXES and not {EMPTY, ENGINES, SONGS} & set(parts)
        if wanted and fitted(Path(*parts)) == for_fitting:
            found.setdefault(made_by(parts), []).append(path)
    return found


def made_by(folders: tuple[str, ...]) -> str:
    """The speaker, or what else is heard, from the folders a recording lies in."""
    if any(part in MUSIC_FOLDERS for part in folders):
        return MUSIC
    return next((part for part in folders if part in FITTED_SPEAKERS + KEPT_SPEAKERS), EFFECTS)


@dataclass(frozen=True)
class Found:
    """One recording of found sounds: whose, as how hard a recording, and the sound at the bench."""

    speaker: str
    hardness: str
    clip: Clip


def found_sound(found: dict[str, list[Path]], seed: int) -> Found | None:
    """Sounds of `speakers` one after the other for about 8 s, at the bench: two of four seeds speakers in turn, one
    effects, one music. None where the recordings drawn hold nothing.
    """
    name, hardness = drawn_from(found, seed), (*HARDNESS, "ordinary")[seed // 4 % 4]
    sound = strung(found[name], np.random.default_rng([seed, 7]))
    return None if sound is None else Found(name, hardness, synthesis.at_the_bench(sound, seed, hardness))


def drawn_from(found: dict[str, list[Path]], seed: int) -> str:
    """Whose recordings a seed takes, of `speakers`."""
    turn, place = divmod(seed, 4)
    talkers = [name for name in found if name not in (EFFECTS, MUSIC)]
    return (talkers[2 * turn % len(talkers)], talkers[(2 * turn + 1) % len(talkers)], EFFECTS, MUSIC)[place]


def strung(paths: list[Path], rng: np.random.Generator) -> Clip | None:
    """Recordings drawn from `paths`, one after the other with pauses, until SECONDS are full; None: nothing in them."""
    pieces: list[np.ndarray] = []
    rate_hz, length = 0.0, 0.0
    pause_s = rng.choice([0.1, 0.5, 1.2])
    for place in rng.permutation(len(paths))[:MOST]:
        clip = audible(paths[place])
        if clip is None or (pieces and clip.rate_hz != rate_hz):
            continue
        rate_hz = clip.rate_hz
        quiet = np.zeros(int(rng.uniform(0.3, 1.7) * pause_s * rate_hz), np.float32)
        first = int(rng.uniform(0, max(clip.seconds - SECONDS, 0.0)) * rate_hz)
        samples = clip.samples[first : first + int(SECONDS * rate_hz)] * np.float32(10 ** (rng.normal(0, 3) / 20))
        pieces += [quiet, samples]
        length += (len(quiet) + len(samples)) / rate_hz
        if length >= SECONDS:
            break
    if not pieces:
        return None
    return Clip(np.concatenate(pieces)[: int(1.2 * SECONDS * rate_hz)], rate_hz)


def audible(path: Path) -> Clip | None:
    """The recording, its loudest part brought to half of full scale; None where it cannot be read or holds nothing."""
    try:
        clip = media.read(str(path))[0]
    except EnginelogError:
        return None
    if clip.seconds < SHORTEST_S or float(np.sqrt(np.mean(clip.samples**2))) < LEAST_RMS:
        return None
    return Clip(clip.samples * np.float32(0.5 / np.abs(clip.samples).max()), clip.rate_hz)


# ---------------------------------------------------------------- what is heard in the half for measuring


def missing() -> str | None:
    """Why found sounds cannot be measured; None where they can."""
    return lacking(lambda folder: speakers(folder, for_fitting=False), "sounds to measure with")


def lacking(kept: Callable[[Path], Collection], what: str) -> str | None:
    """Why nothing can be measured of what is `kept` in the folder of found sounds; None where there is some of it."""
    where = os.environ.get("ENGINELOG_SOUNDS")
    if not where:
        return "ENGINELOG_SOUNDS names no folder of sounds that other people recorded"
    return None if kept(Path(where)) else f"no {what} in {Path(where).name!r}"


@cache
def _to_measure(folder: str) -> dict[str, list[Path]]:
    """The half for measuring; the folder, of thousands of files, is gone through once in each process."""
    return speakers(Path(folder), for_fitting=False)


def listen(seed: int) -> list[Heard]:
    """One recording of the half for measuring, analysed."""
    one = found_sound(_to_measure(os.environ["ENGINELOG_SOUNDS"]), seed)
    if one is None:
        return []
    kind = one.speaker if one.speaker in (EFFECTS, MUSIC) else "talk"
    return heard_in(one.clip, Sound(kind, seed, one.hardness))


def found_table(count: int, first_seed: int, jobs: int) -> str:
    """What was heard in `count` recordings: all, by kind, and talk by how hard the recording is."""
    heard = [one for of_one in each(listen, range(first_seed, first_seed + count), jobs, "found") for one in of_one]
    kinds = {kind: [one for one in heard if one.sound.kind == kind] for kind in ("talk", EFFECTS, MUSIC)}
    talk = {f"talk, {hard}": [one for one in kinds["talk"] if one.sound.hardness == hard] for hard in HARDNESS}
    groups = {"**all**": heard, **kinds, **talk}
    return table(HEAD, [row(name, group) for name, group in groups.items() if group])
