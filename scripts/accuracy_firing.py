"""How well firings are located and misses told, on generated recordings with known truth.

    python scripts/accuracy_firing.py [--seeds 10000:10008] [--rows mower,twin_270] [--hardness ordinary] [--ablations]

Each row is one kind of engine and one fault. The columns:
n: recordings; found: share of true firings located within a fifth of the interval; told: share of them judged at all;
prec, recall: of single misses among those judged; share: recordings (those mostly judged) whose misfire share is within
0.5 points or 7 % of the value; <=1.5: the same at 1.5 points; worst: largest overstatement of the share in points;
wrong: share of judged events called with 0.9 or more and wrong; timing: standard deviation of the located moments about
the true ones, % of the interval; ms: processor time for one minute of sound, milliseconds.
The speed track is the true one, averaged over 0.2 s, with an error of 0.2 % and gaps; a constant delay of the sound is
taken off.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from enginelog import firing, limits, synthesis
from enginelog.model import Clip, Engine, Firings, Track

FAULTS = {
    "healthy": ("steady", {}),
    "random": ("misfire_random", {}),
    "burst": ("misfire_burst", {}),
    "puff": ("misfire_random", {"misfires": {"puff": (0.25, 0.45)}, "colour": {"strength_spread": 0.15}}),
    "puff and weak burns": ("misfire_random", {"misfires": {"puff": (0.25, 0.45), "partial_share": 0.04}}),
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


@dataclass(frozen=True)
class Score:
    """Counts of one recording: events, found, judged, hits, false alarms, lost ones, sure ones that were wrong."""

    events: int
    found: int
    judged: int
    hit: int
    false: int
    lost: int
    sure_wrong: int
    timing: float
    ms_a_minute: float

    @property
    def told(self) -> bool:
        return self.judged > 0.5 * self.events

    @property
    def share_error(self) -> float:
        return 100.0 * (self.false - self.lost) / max(self.judged, 1)

    @property
    def true_share(self) -> float:
        return 100.0 * (self.hit + self.lost) / max(self.judged, 1)


def track_of(truth: synthesis.Truth, seed: int) -> Track:
    """A speed track as the speed stage gives it: 20 frames a second, small errors, an occasional gap."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.025, truth.seconds, 0.05)
    rpm = np.mean([truth.speed_at(t + d) for d in np.linspace(-0.1, 0.1, 9)], axis=0)
    knots = np.arange(0, len(t) + 20, 10)
    rpm *= (
        1
        + 0.002 * rng.standard_normal(len(t))
        + 0.001 * np.interp(np.arange(len(t)), knots, rng.standard_normal(len(knots)))
    )
    running = np.zeros(len(t), bool)
    for span in truth.spans:
        if span.kind == "run":
            running |= (t > span.start_s) & (t < span.end_s)
    rpm[~running] = np.nan
    if rng.random() < 0.4 and len(t) > 60:
        start = rng.integers(10, len(t) - 25)
        rpm[start : start + rng.integers(2, 15)] = np.nan
    return Track(t, rpm, np.where(np.isfinite(rpm), 0.95, 0.0), 0.002 * rpm)


def matched(true_s: np.ndarray, located_s: np.ndarray, interval_s: float) -> tuple[np.ndarray, np.ndarray]:
    """(index of the located event for each true one, or -1; error in intervals), one constant delay taken off."""
    if len(located_s) < 2:
        return np.full(len(true_s), -1), np.full(len(true_s), np.nan)

    def nearest(delay: float) -> np.ndarray:
        after = np.searchsorted(located_s, true_s + delay).clip(1, len(located_s) - 1)
        before_nearer = np.abs(located_s[after - 1] - true_s - delay) < np.abs(located_s[after] - true_s - delay)
        return np.where(before_nearer, after - 1, after)

    def agreeing(delay: float) -> float:
        return float(np.mean(np.abs(located_s[nearest(delay)] - true_s - delay) < 0.15 * interval_s))

    delay = max(np.arange(-0.5, 0.5, 0.05) * interval_s, key=agreeing)
    for _ in range(4):
        error = located_s[nearest(delay)] - true_s - delay
        close = np.abs(error) < 0.3 * interval_s
        delay += float(np.median(error[close])) if close.any() else 0.0
    index = nearest(delay)
    error = (located_s[index] - true_s - delay) / interval_s
    return np.where(np.abs(error) < 0.2, index, -1), error


def score(found: Firings, truth: synthesis.Truth, seconds: float, engine: Engine) -> Score:
    """Compare what was located in one recording with the truth, leaving out its first and last 0.15 s."""
    keep = (truth.firing_t_s > 0.15) & (truth.firing_t_s < truth.seconds - 0.15)
    true_s, missed = truth.firing_t_s[keep], truth.missed[keep]
    interval_s = float(np.median(np.diff(true_s))) if len(true_s) > 1 else 1.0
    index, error = matched(true_s, found.t_s, interval_s)
    hit = index >= 0
    told = np.where(hit, found.miss_probability[index] if len(found.t_s) else np.nan, np.nan)
    judged, called = np.isfinite(told), told > 0.5
    wrong = ((told > 0.9) & ~missed) | ((told < 0.1) & missed)
    return Score(
        events=len(true_s), found=int(hit.sum()), judged=int(judged.sum()), hit=int((judged & called & missed).sum()),
        false=int((judged & called & ~missed).sum()), lost=int((judged & ~called & missed).sum()),
        sure_wrong=int((judged & wrong).sum()), timing=float(np.std(error[hit & ~missed])) if hit.any() else np.nan,
        ms_a_minute=60_000 * seconds / truth.seconds,
    )  # fmt: skip


def recordings(
    kind: str, fault: str, hardness: str, seeds: range
) -> Iterator[tuple[int, Clip, synthesis.Truth, Engine]]:
    """The recordings of one row, from its seeds."""
    behaviour, fixed = FAULTS[fault]
    for seed in seeds:
        scenario = synthesis.random_scenario(seed, kind, hardness, behaviour, seconds=12.0, **fixed)
        clip, truth = synthesis.make(scenario)
        yield seed, clip, truth, scenario.engine


def measure(made: list, change: Callable | None = None) -> list[Score]:
    """Scores of recordings; `change` is a context in which the method is crippled, for an ablation."""
    settings, scores = limits.load("firing"), []
    for seed, clip, truth, engine in made:
        track = track_of(truth, seed)
        started = time.process_time()
        with (change or unchanged)():
            found = firing.locate(clip, track, engine, settings)
        scores.append(score(found, truth, time.process_time() - started, engine))
    return scores


@contextmanager
def unchanged() -> Iterator[None]:
    """The stage as it is, for comparison with its ablations."""
    yield


@contextmanager
def one_band() -> Iterator[None]:
    """All the sound in one envelope."""
    from enginelog.firing import front

    kept, front.EDGES_HZ = front.EDGES_HZ, np.array([70.0, 7000.0])
    try:
        yield
    finally:
        front.EDGES_HZ = kept


@contextmanager
def grid_moments() -> Iterator[None]:
    """Moments left on the grid instead of refined one by one."""
    from enginelog.firing import moments

    kept = moments.refine
    moments.refine = lambda t, expected, width, moved, noise, spread: (t, np.full(len(t), 0.01) * width)
    try:
        yield
    finally:
        moments.refine = kept


@contextmanager
def not_sharpened() -> Iterator[None]:
    """Strength by the shared change alone."""
    from enginelog.firing import strength

    kept, strength.sharpened = strength.sharpened, lambda x, miss: None
    try:
        yield
    finally:
        strength.sharpened = kept


@contextmanager
def without_slowing() -> Iterator[None]:
    """The crank's slowing after a lost firing left out."""
    from enginelog.firing import strength

    kept, strength.slowing = strength.slowing, lambda t_s, slots: np.zeros((len(t_s), 2))
    try:
        yield
    finally:
        strength.slowing = kept


ABLATIONS = {
    "without slowing": without_slowing,
    "one band": one_band,
    "moments from the grid": grid_moments,
    "without the best cut": not_sharpened,
}


def line(name: str, scores: list[Score]) -> str:
    """One row of the table."""
    total = {
        f: sum(getattr(s, f) for s in scores)
        for f in ("events", "found", "judged", "hit", "false", "lost", "sure_wrong")
    }
    told = [s for s in scores if s.told]
    right = [abs(s.share_error) <= max(0.5, 0.07 * s.true_share) for s in told]
    near = [abs(s.share_error) <= 1.5 for s in told]
    worst = max([s.share_error for s in told], default=np.nan)
    part = lambda a, b: f"{a / b:6.3f}" if b else "     -"  # noqa: E731
    return (
        f"{name:34s} {len(scores):3d} {part(total['found'], total['events'])} {part(total['judged'], total['events'])} "
        f"{part(total['hit'], total['hit'] + total['false'])} {part(total['hit'], total['hit'] + total['lost'])} "
        f"{part(sum(right), len(right))} {part(sum(near), len(near))} {worst:6.2f} "
        f"{part(total['sure_wrong'], total['judged'])} {100 * np.nanmedian([s.timing for s in scores]):6.2f} "
        f"{np.median([s.ms_a_minute for s in scores]):6.0f}"
    )


def main() -> None:
    """Measure the rows asked for and print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument(
        "--seeds", default="10000:10004", help="first:end of the seeds (10000 upward were never tuned on)"
    )
    options.add_argument("--rows", default="", help="kinds of engine, with commas; all if left out")
    options.add_argument("--hardness", default="ordinary", choices=synthesis.HARDNESS)
    options.add_argument("--ablations", action="store_true", help="also leave out one part of the method at a time")
    given = options.parse_args()
    seeds = range(*(int(x) for x in given.seeds.split(":")))
    print(f"{'':34s}   n  found   told   prec recall  share  <=1.5  worst  wrong timing     ms")
    for kind, fault in ROWS:
        if given.rows and kind not in given.rows.split(","):
            continue
        made = list(recordings(kind, fault, given.hardness, seeds))
        print(line(f"{kind} {fault} {given.hardness}", measure(made)), flush=True)
        for name, change in ABLATIONS.items() if given.ablations else ():
            print(line(f"   {name}", measure(made, change)), flush=True)


if __name__ == "__main__":
    main()
