"""Prints how periodic recordings are at their firing rate: real ones next to made-up ones, measured the same way.

    python scripts/periodicity.py [FOLDER] [--count N] [--seed S]

FOLDER holds sound files with a `<name>.firing.csv` beside them (columns t_s, f0_hz; blank f0_hz: unknown); without it
only the made-up recordings are measured. Columns: 10th, 50th and 90th percentile over frames of the normalised
autocorrelation at the firing period, for the whole band, below 2 kHz, and the envelope of 150-3000 Hz.
"""

import argparse
import csv
from pathlib import Path

import numpy as np

from enginelog import synthesis
from enginelog.synthesis.periodicity import Periodicity, joined, of_made, periodicity


def labelled(sound: Path, labels: Path) -> Periodicity:
    """Measure one real recording on its labelled frames."""
    import soundfile

    samples, rate = soundfile.read(sound, always_2d=True)
    rows = list(csv.DictReader(labels.open(encoding="utf-8")))
    t = np.array([float(r["t_s"]) for r in rows])
    f0 = np.array([float(r["f0_hz"] or "nan") for r in rows])
    return periodicity(samples.mean(axis=1), rate, t, f0)


def line(name: str, found: Periodicity) -> str:
    """One row of the table."""
    table = " | ".join(" ".join(f"{v:5.2f}" for v in row) for row in found.table())
    return f"{name:34s} {len(found.whole):6d}  {table}"


def real_lines(folder: Path):
    """A line for each labelled recording, and one for all whose name speaks of a saw."""
    saws = []
    for labels in sorted(folder.glob("*.firing.csv")):
        stem = labels.name.removesuffix(".firing.csv")
        sound = next(p for p in sorted(folder.glob(stem + ".*")) if p.suffix != ".csv")
        found = labelled(sound, labels)
        saws += [found] if "saw" in stem else []
        yield line(sound.name, found)
    if saws:
        yield line("real, all saws", joined(saws))


def made_lines(count: int, seed: int):
    """A line for each kind and hardness, and one for all of a hardness."""
    for hardness in ("easy", "ordinary", "hard"):
        every = []
        for k, kind in enumerate(synthesis.KINDS):
            seeds = range(seed + k * count, seed + (k + 1) * count)
            drawn = [synthesis.random_scenario(i, kind, hardness, "steady", seconds=5.0) for i in seeds]
            every.append(joined([of_made(s) for s in drawn]))
            yield line(f"made up, {hardness}, {kind}", every[-1])
        yield line(f"made up, {hardness}, all", joined(every))


def main():
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--count", type=int, default=6, help="made-up recordings of each kind and hardness")
    parser.add_argument("--seed", type=int, default=50_000)
    told = parser.parse_args()
    print(f"{'':34s} frames  whole band        | below 2 kHz       | envelope")
    for text in [*(real_lines(told.folder) if told.folder else []), *made_lines(told.count, told.seed)]:
        print(text, flush=True)


if __name__ == "__main__":
    main()
