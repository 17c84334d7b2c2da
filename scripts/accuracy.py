"""Measures how accurate the program is and prints Markdown tables: `python3 scripts/accuracy.py`.

Tables: ordinary (speed on made-up recordings of ordinary quality), hard (the same on hard ones), steady (ordinary
ones of engines that run steadily and lose no firing), bound (stationary signals against the Cramer-Rao bound),
coverage (of the 95 % interval of the speed), real (recordings of real engines), bench (these in noise), others (sounds
that are no engine), found (sounds that other people recorded), songs (whole pieces of music), engines (that other
people recorded), plain (engines and sounds of a second, plain maker), twins (whose firing angles nobody told). With
--all also the scripts accuracy_*.py beside this one. Seeds start where none was used for tuning; the same arguments
give the same figures.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from pathlib import Path

import measuring  # noqa: F401 (one thread each, before numpy is loaded)
from measuring.starting import ensure_environment

ROWS = (
    *("ordinary", "hard", "steady", "bound", "coverage", "real", "bench"),
    *("others", "found", "songs", "engines", "plain", "twins"),
)
FIRST_SEED = 20_000
RUNS, QUICK_RUNS = 260, 26  # twice, and a fifth of, thirteen kinds times ten behaviours
MOST_NAMED = 12  # recordings far off that are listed by seed


@dataclass(frozen=True)
class Told:
    """The options: which tables, how many recordings of each hardness, first seed, processes side by side."""

    rows: tuple[str, ...]
    runs: int
    first_seed: int
    jobs: int


class Tables:
    """The tables one by one; what two of them need is measured once."""

    def __init__(self, told: Told) -> None:
        self.told = told

    @cached_property
    def ordinary_readings(self):
        return self._readings("ordinary", self.told.first_seed)

    @cached_property
    def hard_readings(self):
        return self._readings("hard", self.told.first_seed + 5_000)

    def _readings(self, hardness: str, first_seed: int, behaviours: tuple[str, ...] | None = None):
        from measuring import made

        drawn = made.cases(self.told.runs, first_seed, hardness, behaviours or made.BEHAVIOURS)
        return made.readings(drawn, self.told.jobs, f"{hardness} recordings")

    def ordinary(self) -> str:
        """Speed on recordings of ordinary quality."""
        return self._speed("ordinary", self.ordinary_readings, self.told.first_seed)

    def hard(self) -> str:
        """Speed on hard recordings."""
        return self._speed("hard", self.hard_readings, self.told.first_seed + 5_000)

    def steady(self) -> str:
        """Speed on ordinary recordings of steady running, which has one speed to a few parts in a thousand."""
        first_seed = self.told.first_seed + 10_000
        readings = self._readings("ordinary", first_seed, ("steady",))
        return self._speed("ordinary", readings, first_seed, ", steady running")

    def _speed(self, hardness: str, readings, first_seed: int, which: str = "") -> str:
        from measuring import speed_tables

        return "\n".join(
            [
                f"### Speed of the run, {hardness} recordings{which}",
                "",
                f"Seeds {first_seed} to {first_seed + self.told.runs - 1}. Wrong and sure: "
                "more than 1 % off with a confidence of 0.5 or more. Moved: throttle worked or a saw revved, where one "
                "figure for the run hardly means anything. Track: its median against the true one at the same moments.",
                "",
                speed_tables.speed_table(readings),
                "",
                f"Furthest off (at most {MOST_NAMED} are listed):",
                "",
                *(speed_tables.worst(readings, MOST_NAMED) or ["- none by more than 1 %"]),
                "",
                f"No speed told, the rated speed not told either (at most {MOST_NAMED} are listed):",
                "",
                *(speed_tables.unknown(readings, MOST_NAMED) or ["- none"]),
            ]
        )

    def coverage(self) -> str:
        """Whether the 95 % interval of the speed holds."""
        from measuring import speed_tables

        readings = [*self.ordinary_readings, *self.hard_readings]
        return "### 95 % interval of the speed against the truth\n\n" + speed_tables.coverage_table(readings)

    def bound(self) -> str:
        """Stationary harmonic signals against the bound."""
        from measuring import bound

        runs = max(2, self.told.runs * 2 // 5)
        return (
            "### Stationary harmonic signals against the Cramer-Rao bound\n\n"
            f"Ten equal lines of about 25 Hz in white noise, total signal-to-noise ratio as named, 16 kHz; seeds from "
            f"{self.told.first_seed}. RMS error over the bound.\n\n"
            + bound.bound_table(runs, self.told.first_seed, self.told.jobs)
        )

    def real(self) -> str:
        """Recordings of real engines and other sounds."""
        from measuring import real

        return _or_why("Real recordings", real.missing(), self._real)

    def _real(self) -> str:
        from measuring import real

        verdicts = real.verdicts(self.told.jobs)
        note = (
            "Fold A was looked at while speed and timeline were made, fold B only when they were measured. Labels are "
            "good to about 0.5 % and exist only where general-purpose trackers agreed. Path: the best path in every "
            "frame, also where its confidence is too low to report."
        )
        parts = (note, real.heard_lines(verdicts), real.heard_table(verdicts), real.frame_table(verdicts))
        return "\n\n".join(parts)

    def bench(self) -> str:
        """Recordings of real engines and other sounds, put where a phone records them."""
        from measuring import real

        return _or_why("Real recordings put at the bench", real.missing(), self._bench)

    def _bench(self) -> str:
        from measuring import real_at_bench

        count = max(1, self.told.runs // 50)
        return (
            f"Each at {count} places of each hardness, through another phone; seeds from {self.told.first_seed}. "
            "Fold A was looked at while the judges were made, fold B was not.\n\n"
            + real_at_bench.bench_table(count, self.told.first_seed, self.told.jobs)
        )

    def others(self) -> str:
        """Sounds that are no engine."""
        from measuring import others

        seeds = max(1, self.told.runs // 20)
        return (
            f"### Made-up sounds that are no engine\n\nSeeds {self.told.first_seed} to "
            f"{self.told.first_seed + seeds - 1} of each kind, told one engine after the other.\n\n"
            + others.others_table(seeds, self.told.first_seed, self.told.jobs)
        )

    def found(self) -> str:
        """Sounds without an engine that other people recorded."""
        from measuring import found_sounds

        return _or_why("Talk, effects and music that other people recorded", found_sounds.missing(), self._found)

    def _found(self) -> str:
        from measuring import found_sounds

        count = max(4, self.told.runs // 2)
        return (
            "The half that no fit saw (`measuring/found_sounds.py`), put at the bench by the synthesis; seeds "
            f"{self.told.first_seed} to {self.told.first_seed + count - 1}, told one engine after the other.\n\n"
            + found_sounds.found_table(count, self.told.first_seed, self.told.jobs)
        )

    def songs(self) -> str:
        """Whole pieces of music."""
        from measuring import songs

        return _or_why("Whole pieces of music that other people recorded", songs.missing(), self._songs)

    def _songs(self) -> str:
        from measuring import songs

        return (
            "The half that no fit saw (`measuring/songs.py`), as recorded and from end to end.\n\n"
            + songs.songs_table(self.told.jobs)
        )

    def engines(self) -> str:
        """Engines that other people recorded, whose speed nobody knows."""
        from measuring import found_engines

        return _or_why("Engines that other people recorded", found_engines.missing(), self._engines)

    def _engines(self) -> str:
        from measuring import found_engines

        count = max(1, self.told.runs // 50)
        return (
            "The packages that no fit saw (`measuring/found_engines.py`), as recorded and put at the bench at "
            f"{count} places of each hardness; seeds from {self.told.first_seed}.\n\n"
            + found_engines.found_engines_table(count, self.told.first_seed, self.told.jobs)
        )

    def plain(self) -> str:
        """Engines and other sounds of the second maker."""
        from measuring import plain

        runs = max(2, self.told.runs // 2)
        return (
            "### Engines and other sounds by a second maker\n\n"
            "Damped pulses at the firing moments, and noise (`measuring/plain_engines.py`); nothing is taken from the "
            f"synthesis. Seeds {self.told.first_seed} to {self.told.first_seed + runs - 1}.\n\n"
            + plain.engines_table(runs, self.told.first_seed, self.told.jobs)
            + "\n\nWithout a knock, half hard: soft pulses, sums of harmonics (`measuring/plain_pulses.py`):\n\n"
            + plain.soft_table(runs, self.told.first_seed, self.told.jobs)
            + "\n\nFirings that fail, in all ways, on as many engines more:\n\n"
            + plain.firings_table(runs, self.told.first_seed, self.told.jobs)
            + "\n\n"
            + plain.others_table(max(1, runs // 10), self.told.first_seed, self.told.jobs)
        )

    def twins(self) -> str:
        """Twins of which nobody told how they fire."""
        from measuring import untold_twins

        runs, first_seed = max(6, self.told.runs // 2), self.told.first_seed + 15_000
        return (
            "### Twins whose firing angles nobody told\n\n"
            f"Seeds {first_seed} to {first_seed + runs - 1}, throttle not moved. Taken for even: as if "
            "somebody had told 0,360.\n\n" + untold_twins.twins_table(runs, first_seed, self.told.jobs)
        )


def _or_why(title: str, reason: str | None, measured: Callable[[], str]) -> str:
    """The title, and below it what is measured; where that cannot be, the reason."""
    return f"### {title}\n\n" + (measured() if reason is None else f"Left out: {reason}.")


def tables(told: Told) -> Iterator[str]:
    """The tables asked for, each as soon as it is measured, with the time it took."""
    made = Tables(told)
    for name in told.rows:
        began = time.monotonic()
        measure: Callable[[], str] = getattr(made, name)
        text = measure()
        yield f"{text}\n\n({name}: {time.monotonic() - began:.0f} s with {told.jobs} processes)"


def beside(quick: bool) -> Iterator[str]:
    """What the scripts accuracy_*.py print, each run by itself."""
    for script in sorted(Path(__file__).parent.glob("accuracy_*.py")):
        options = QUICK_OPTIONS.get(script.name, []) if quick else []
        run = subprocess.run([sys.executable, str(script), *options], capture_output=True, text=True)
        text = run.stdout if run.returncode == 0 else f"{run.stdout}\nended with status {run.returncode}: {run.stderr}"
        yield f"### {script.name} {' '.join(options)}\n\n```text\n{text.rstrip()}\n```"


QUICK_OPTIONS = {
    "accuracy_findings.py": ["--runs", "10"],
    "accuracy_firing.py": ["--seeds", "10000:10001", "--rows", "mower,twin_270"],
    "accuracy_pulls.py": ["--seeds", "10000:10001", "--kinds", "mower"],
    "accuracy_sound.py": ["--count", "2", "--hardness", "ordinary"],
    "accuracy_timeline.py": ["--count", "2", "--others", "1"],
}


def chosen_rows(text: str) -> tuple[str, ...]:
    """`--rows` as names of tables."""
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    wrong = [name for name in names if name not in ROWS]
    if wrong or not names:
        raise argparse.ArgumentTypeError(f"{text!r} given; expected some of {','.join(ROWS)}")
    return names


def above_zero(text: str) -> int:
    """A whole number from 1 up."""
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} given; a whole number from 1 up expected")
    return int(text)


def options(arguments: list[str]) -> argparse.Namespace:
    """The command line, understood."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=chosen_rows, default=ROWS, metavar="NAME,NAME", help=f"of {','.join(ROWS)}")
    parser.add_argument("--runs", type=above_zero, help=f"recordings of each hardness ({RUNS}; quick {QUICK_RUNS})")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--jobs", type=above_zero, default=2, help="processes side by side (2)")
    parser.add_argument("--quick", action="store_true", help="few recordings: a look, not a measurement")
    parser.add_argument("--all", action="store_true", help="also the scripts accuracy_*.py beside this one")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the tables there too")
    return parser.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Print the tables one by one."""
    chosen = options(arguments)
    ensure_environment()
    from measuring.tables import provenance

    told = Told(chosen.rows, chosen.runs or (QUICK_RUNS if chosen.quick else RUNS), chosen.first_seed, chosen.jobs)
    began, parts = time.monotonic(), [provenance(arguments)]
    print(parts[0], flush=True)
    for part in chain(tables(told), beside(chosen.quick) if chosen.all else ()):
        print("\n" + part, flush=True)
        parts.append(part)
    parts.append(f"In all {time.monotonic() - began:.0f} s.")
    print("\n" + parts[-1])
    if chosen.out:
        chosen.out.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
