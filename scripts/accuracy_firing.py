"""How well firings are located and misses told, on generated recordings with known truth.

    python scripts/accuracy_firing.py [--seeds 30000:30020] [--rows mower,twin_270] [--hardness ordinary]
                                      [--true-speed] [--ablations] [--plot calibration.png] [--without-rated-speed]
    python scripts/accuracy_firing.py --by-fault [--seeds 61000:61100] [--hardness hard] [--jobs 2] [--cache FOLDER]

Each row is one kind of engine and one fault. The columns:
n: recordings; found: share of true firings located within 0.22 of the interval; told: share of the recordings of which
more than half is judged; the next only of these or of events judged: prec, recall: of single misses; share: recordings
whose misfire share is within 0.5 points or 7 % of that of the whole run; <=1.5: within 1.5 points; worst: largest
overstatement of the share in points. amiss: share of all recordings told a share that is off by more than that; wrong:
share of judged events called with 0.9 or more and wrong; s.lost, s.fired: of events stated lost (fired) with 0.98 or
more, how many were; timing: standard deviation of the located moments about the true ones, % of the interval; ms:
processor time for one minute of sound, milliseconds.
The speed track is that of the speed stage, the rated speed told where the machine has one; with --true-speed the true
one, averaged over 0.2 s, with an error of 0.2 % and gaps. The classifiers were fitted on seeds below 1000.
After the rows the same once more as `findings.misfire` reports them, in markdown; --plot draws how often firings stated
lost with some confidence were so. With --ablations each row is followed by the method without one of its parts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from measuring import by_fault
from measuring.ablated import ABLATIONS
from measuring.lost_firings import Counted, counted, draw_calibration, table
from measuring.made import as_told
from measuring.matching import labels, matched

from enginelog import firing, limits, synthesis
from enginelog.analysis import tracked
from enginelog.firing.counting import tolerance
from enginelog.model import Clip, Engine, Firings, Track

FAULTS = {
    "healthy": ("steady", {}),
    "random": ("misfire_random", {}),
    "burst": ("misfire_burst", {}),
    "puff": ("misfire_random", by_fault.PUFF),
    "puff and weak burns": ("misfire_random", by_fault.WEAK),
    "cylinder": ("misfire_cylinder", {}),
    "second": ("misfire_every_second", {}),
}
ROWS = [
    (kind, fault)
    for kind, faults in {
        "mower": ("healthy", "random", "burst", "puff", "puff and weak burns"),
        "pump": ("healthy", "random", "burst", "puff", "puff and weak burns"),
        "generator": ("healthy", "random"),
        "twin_270": ("healthy", "random", "cylinder"),
        "twin_180": ("healthy", "random", "cylinder"),
        "twin_360": ("healthy", "random", "cylinder"),
        "four": ("healthy", "random", "cylinder"),
        "trimmer": ("healthy", "random", "second"),
        "saw": ("healthy", "second"),
    }.items()
    for fault in faults
]


SHARES = ("found", "told", "prec", "recall", "share", "<=1.5")
HEADS = (*SHARES, "worst", "amiss", "wrong", "s.lost", "s.fir", "timing", "ms")
FAULTS_ASKED = tuple(dict.fromkeys(fault for _, fault in ROWS))


@dataclass(frozen=True)
class Score:
    """Counts of one recording: events located while it ran, true ones, found, judged, hits, false alarms, lost ones,
    sure ones that were wrong; sure: events stated lost at 0.98 or more, of these right, stated fired, of these right.
    true_percent: misfire share of the whole run."""

    events: int
    true_events: int
    found: int
    judged: int
    hit: int
    false: int
    lost: int
    sure_wrong: int
    sure: tuple[int, int, int, int]
    true_percent: float
    timing: float
    ms_a_minute: float

    @property
    def told(self) -> bool:
        return self.judged > 0.5 * self.events

    @property
    def called_percent(self) -> float:
        return 100.0 * (self.hit + self.false) / max(self.judged, 1)


def score(found: Firings, truth: synthesis.Truth, seconds: float, engine: Engine) -> Score:
    """Compare what was located in one recording with the truth, where the engine runs."""
    pairs = matched(truth, found.t_s, engine)
    wanted = labels(truth, found.t_s, engine)
    told, lost = found.miss_probability, wanted == 1
    judged = np.isfinite(told) & (wanted >= 0)
    called, hit = judged & (told > 0.5), pairs.index >= 0
    return Score(
        events=int((wanted >= 0).sum()), true_events=len(truth.firing_t_s), found=int(hit.sum()),
        judged=int(judged.sum()), hit=int((called & lost).sum()), false=int((called & ~lost).sum()),
        lost=int((judged & ~called & lost).sum()),
        sure_wrong=int((judged & (((told > 0.9) & ~lost) | ((told < 0.1) & lost))).sum()),
        sure=tuple(int(x) for x in (
            (judged & (told >= 0.98)).sum(), (judged & (told >= 0.98) & lost).sum(),
            (judged & (told <= 0.02)).sum(), (judged & (told <= 0.02) & ~lost).sum(),
        )),
        true_percent=100 * float(np.mean(truth.missed)) if len(truth.missed) else 0.0,
        timing=float(np.std(pairs.error[hit & ~truth.missed])) if (hit & ~truth.missed).any() else np.nan,
        ms_a_minute=60_000 * seconds / truth.seconds,
    )  # fmt: skip


@dataclass(frozen=True)
class Made:
    """One recording with its truth, the engine as told, and the speed track it is judged with."""

    clip: Clip
    truth: synthesis.Truth
    engine: Engine
    track: Track


def recordings(
    kind: str, fault: str, hardness: str, seeds: range, true_speed: bool, rated: bool = True
) -> Iterator[Made]:
    """The recordings of one row, from its seeds."""
    behaviour, fixed = FAULTS[fault]
    for seed in seeds:
        scenario = synthesis.random_scenario(seed, kind, hardness, behaviour, seconds=12.0, **fixed)
        clip, truth = synthesis.make(scenario)
        engine = as_told(scenario.engine, rated)
        if true_speed:
            track = by_fault.track_of(truth, seed)
        else:
            track = tracked(clip, engine, limits.load("speed"), limits.load("firing"))
        yield Made(clip, truth, engine, track)


def measure(name: str, made: list[Made], change: Callable | None = None) -> tuple[list[Score], list[Counted]]:
    """Scores of recordings, and what is reported of them; `change` is a context in which the method is crippled, for
    an ablation."""
    settings, scores, counts = limits.load("firing"), [], []
    for one in made:
        started = time.process_time()
        with (change or nullcontext)():
            found = firing.locate(one.clip, one.track, one.engine, settings)
        scores.append(score(found, one.truth, time.process_time() - started, one.engine))
        counts.append(counted(name, found, one.truth, labels(one.truth, found.t_s, one.engine), one.engine))
    return scores, counts


def line(name: str, scores: list[Score]) -> str:
    """One row of the table."""
    fields = ("events", "true_events", "found", "judged", "hit", "false", "lost", "sure_wrong")
    total = {f: sum(getattr(s, f) for s in scores) for f in fields}
    told = [s for s in scores if s.told]
    errors = [(abs(s.called_percent - s.true_percent), s.true_percent) for s in told]
    right = [error <= tolerance(true) for error, true in errors]
    near = [error <= 1.5 for error, _ in errors]
    worst = max([s.called_percent - s.true_percent for s in told], default=np.nan)
    sure = np.sum([s.sure for s in scores], axis=0)
    part = lambda a, b: f"{a / b:6.3f}" if b else "     -"  # noqa: E731
    return (
        f"{name:34s} {len(scores):3d} {part(total['found'], total['true_events'])} {part(len(told), len(scores))} "
        f"{part(total['hit'], total['hit'] + total['false'])} {part(total['hit'], total['hit'] + total['lost'])} "
        f"{part(sum(right), len(right))} {part(sum(near), len(near))} {worst:6.2f} "
        f"{part(len(told) - sum(right), len(scores))} {part(total['sure_wrong'], total['judged'])} "
        f"{part(sure[1], sure[0])} {part(sure[3], sure[2])} "
        f"{100 * np.nanmedian([s.timing for s in scores]):6.2f} {np.median([s.ms_a_minute for s in scores]):6.0f}"
    )


def asked() -> argparse.Namespace:
    """The words of the command line."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seeds", default="30000:30004", help="first:end of the seeds (10000 upward: never tuned on)")
    options.add_argument("--rows", default="", help="kinds of engine, with commas; all if left out")
    options.add_argument("--hardness", default="ordinary", choices=synthesis.HARDNESS)
    options.add_argument("--true-speed", action="store_true", help="judge with the true speed, roughened a little")
    options.add_argument("--ablations", action="store_true", help="also leave out one part of the method at a time")
    names = f"{', '.join(FAULTS_ASKED)} (with --by-fault: {', '.join(by_fault.ROWS)})"
    options.add_argument(
        "--faults", default="", help=f"of {names}; with commas (--by-fault: semicolons); all if left out"
    )
    options.add_argument("--without-rated-speed", action="store_true", help="do not tell the rated speed")
    options.add_argument("--plot", type=Path, help="picture (PNG) of stated confidence against how often it was right")
    options.add_argument("--by-fault", action="store_true", help="rows by fault over all kinds of engine")
    options.add_argument("--jobs", type=int, default=1, help="processes (with --by-fault)")
    options.add_argument("--cache", type=Path, help="folder in which the recordings are kept (with --by-fault)")
    return options.parse_args()


def main() -> None:
    """Measure the rows asked for and print the table."""
    given = asked()
    seeds = range(*(int(x) for x in given.seeds.split(":")))
    counts = show_by_fault(given, seeds) if given.by_fault else show_by_kind(given, seeds)
    if given.plot:
        draw_calibration(counts, given.plot)


def show_by_fault(given: argparse.Namespace, seeds: range) -> list[Counted]:
    """Print the rows by fault, and of which recordings something wrong was stated."""
    if given.cache:
        given.cache.mkdir(parents=True, exist_ok=True)
    how = {"rated": not given.without_rated_speed, "true_speed": given.true_speed, "cache": given.cache}
    names = [name.strip() for name in given.faults.split(";") if name.strip()]
    found = by_fault.measured(by_fault.cases(names, seeds, given.hardness, **how), given.jobs)
    print(f"{given.hardness}, seeds {given.seeds}\n\n{by_fault.shown(found)}\n\n{by_fault.missed(found)}", flush=True)
    return [one for _, one in found]


def show_by_kind(given: argparse.Namespace, seeds: range) -> list[Counted]:
    """Print the rows by kind and fault, with each part left out where that is asked for."""
    reported: dict[str, list[tuple[str, list[Counted]]]] = {}
    print(f"{'':34s}   n " + " ".join(f"{head:>6s}" for head in HEADS))
    for kind, fault in ROWS:
        if given.rows and kind not in given.rows.split(",") or given.faults and fault not in given.faults.split(","):
            continue
        made = list(recordings(kind, fault, given.hardness, seeds, given.true_speed, not given.without_rated_speed))
        for name, change in {"": None, **(ABLATIONS if given.ablations else {})}.items():
            row = f"{kind} {fault}"
            scores, counts = measure(row, made, change)
            print(line(f"   {name}" if name else f"{row} {given.hardness}", scores), flush=True)
            reported.setdefault(name, []).append((row, counts))
    for name, rows in reported.items():
        print(f"\n{name or 'the whole method'}\n\n{table(rows)}", flush=True)
    return [one for _, counts in reported.get("", []) for one in counts]


if __name__ == "__main__":
    main()
