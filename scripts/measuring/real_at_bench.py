"""Recordings of real engines once more, put where a phone records them: in a room or yard, among other noises.

As they are, most are close and clear. `synthesis.at_the_bench` adds a place, what else is heard there, a phone and a
codec: the only real engines in noise whose speed is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from enginelog import media, synthesis
from measuring import made, real
from measuring.pool import each
from measuring.tables import percent, table

HARDNESS = ("easy", "ordinary", "hard")
HEAD = ("put at the bench", "analyses", "engine heard %", *real.FRAME_HEAD[1:])


@dataclass(frozen=True)
class Put:
    """One recording at one place: everything follows from these three."""

    sound: real.Sound
    seed: int
    hardness: str


def judge(put: Put) -> list[real.Verdict]:
    """Analyse it once for each engine told."""
    clip = synthesis.at_the_bench(media.read(put.sound.path)[0], put.seed, put.hardness)
    return [real.verdict(put.sound, clip, engine, made.analysed(clip, engine)) for engine in put.sound.engines]


def places(count: int, first_seed: int) -> list[Put]:
    """Each recording at `count` places of each hardness."""
    wanted = [(sound, hardness) for _ in range(count) for hardness in HARDNESS for sound in real.sounds()]
    return [Put(sound, first_seed + number, hardness) for number, (sound, hardness) in enumerate(wanted)]


def bench_table(count: int, first_seed: int, jobs: int) -> str:
    """Engines of either fold and other sounds (rotors left out), a row for each hardness."""
    puts = [put for put in places(count, first_seed) if put.sound.kind != "rotor"]
    found = list(zip(puts, each(judge, puts, jobs, "real recordings at the bench"), strict=True))
    rows = []
    for kind, folds in (("engine", "AB"), ("engine", "B"), ("other", "AB")):
        for hardness in HARDNESS:
            mine = [
                verdict
                for put, verdicts in found
                if put.hardness == hardness and put.sound.kind == kind and put.sound.fold in folds
                for verdict in verdicts
            ]
            rows.append(_row(f"{real.WORDS[kind]}, {hardness}{', fold B alone' if folds == 'B' else ''}", mine))
    return table(HEAD, rows)


def _row(name: str, verdicts: Sequence[real.Verdict]) -> list[object]:
    """Share heard, and the labelled frames as in the table of the recordings as they are."""
    heard = percent(sum(one.heard for one in verdicts), len(verdicts))
    labelled = [one for one in verdicts if len(one.path_ratio)]
    frames = real.frame_row(name, labelled)[1:] if labelled else [0, *["-"] * (len(real.FRAME_HEAD) - 2)]
    return [name, len(verdicts), heard, *frames]
