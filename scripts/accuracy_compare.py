"""Accuracy of comparing two runs, on made-up pairs whose true change is known.

    python scripts/accuracy_compare.py [--runs 40] [--first-seed 50000] [--kind NAME ...] [--hard] [--sound 12]

The inputs come from tests/sim_tracks.py (arrays, not audio): the same engine recorded twice, each time with another
length, noise, drift and phone, and between the two nothing or one thing changed. Limits were tuned on seeds 0-999.
"exceeds": pairs whose true change is larger than the half width of the interval stated for it and than what matters.
"covers": share of the stated intervals that hold the true difference; they are made to do so all together in 95 % of
the pairs. --sound adds pairs made as sound and analysed whole.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import sim_tracks as sim  # noqa: E402
from measuring import claims  # noqa: E402

from enginelog.compare import compare  # noqa: E402
from enginelog.compare.measures import CODES  # noqa: E402
from enginelog.compare.sample import without_slow  # noqa: E402
from enginelog.findings import judge  # noqa: E402
from enginelog.findings.loads import droop_percent  # noqa: E402
from enginelog.limits import load  # noqa: E402
from enginelog.model import ClipInfo, Run  # noqa: E402

OF_THE_RECORDING = ("seconds", "drift_percent", "snr_db", "noise_percent", "outliers", "gaps", "glitches")
Change = Callable[[sim.Scenario, np.random.Generator], sim.Scenario]


@dataclass(frozen=True)
class Kind:
    """One kind of pair: the engine's trouble to begin with, and what the work in between does to it."""

    name: str
    base: str
    change: Change | None


def scaled(name: str, low: float, high: float, most: float = 1e9) -> Change:
    """Multiply one part of the scenario by a factor from `low` to `high`, or divide, at the toss of a coin."""

    def change(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
        factor = float(np.exp(rng.uniform(np.log(low), np.log(high)))) ** float(rng.choice([-1, 1]))
        return replace(s, **{name: min(getattr(s, name) * factor, most)})

    return change


def cured(name: str, value: float = 0.0) -> Change:
    """Set one part of the scenario to its healthy value."""
    return lambda s, rng: replace(s, **{name: value})


def other_droop(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
    """The governor set anew: the same loads with another droop."""
    factor = float(rng.choice([0.3, 0.5, 2.0, 2.5]))
    loads = tuple(replace(one, droop_percent=one.droop_percent * factor) for one in s.loads)
    return replace(s, loads=loads)


KINDS = (
    Kind("nothing: healthy", "steady", None),
    Kind("nothing: misfiring", "misfiring", None),
    Kind("nothing: in bursts", "bursting", None),
    Kind("nothing: one cylinder", "one_cylinder", None),
    Kind("nothing: hunting", "hunting", None),
    Kind("nothing: rough start", "settling", None),
    Kind("nothing: loaded", "loaded", None),
    Kind("misfire cured", "misfiring", cured("miss_share")),
    Kind("misfire changed", "misfiring", scaled("miss_share", 1.5, 6.0, 0.4)),
    Kind("bursts changed", "bursting", scaled("miss_share", 1.5, 6.0, 0.4)),
    Kind("cylinder cured", "one_cylinder", cured("miss_share")),
    Kind("hunting cured", "hunting", cured("hunt_hz")),
    Kind("hunting changed", "hunting", scaled("hunt_swing_percent", 1.5, 4.0, 20.0)),
    Kind("wobble changed", "steady", scaled("wobble_percent", 2.0, 5.0, 2.0)),
    Kind("strength changed", "steady", scaled("strength_spread", 1.4, 2.5, 0.3)),
    Kind("timing changed", "steady", scaled("timing_jitter", 1.5, 4.0, 0.06)),
    Kind("rough start cured", "settling", cured("rough_s")),
    Kind("rough start changed", "settling", scaled("rough_s", 1.5, 3.0, 12.0)),
    Kind("droop changed", "loaded", other_droop),
    Kind("speed changed", "steady", scaled("rpm", 1.02, 1.1)),
)


# ---------------------------------------------------------------- pairs


def scenarios(kind: Kind, seed: int, hard: bool) -> tuple[sim.Scenario, sim.Scenario]:
    """The scenario before and after: what belongs to the recording is drawn anew for the second."""
    first = sim.scenario(kind.base, seed, hard)
    rng = np.random.default_rng(seed + 40_000_000)
    second = kind.change(first, rng) if kind.change else first
    fresh = sim.draw_common(rng, hard)
    if first.loads:
        fresh["seconds"] = first.seconds
    fresh["seconds"] = max(
        fresh["seconds"], 15.0 if first.rough_s else 0.0, 5.0 / first.hunt_hz if first.hunt_hz else 0
    )
    return first, replace(second, **{name: fresh[name] for name in OF_THE_RECORDING})


def run_of(case: sim.Case, name: str) -> Run:
    """The run record of one case, as the analysis would make it."""
    found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, load("findings"))
    end_s = case.timeline.spans[-1].end_s
    clip = ClipInfo(name, name, end_s, 48000, 1, "made up")
    return Run("0", "2026-01-01T00:00:00+00:00", clip, case.engine, case.quality, case.timeline, case.track,
               case.firings, found)  # fmt: skip


def pair(kind: Kind, seed: int, hard: bool) -> tuple[Run, Run, dict[str, float]]:
    """Both runs and the true difference of each measure that has one."""
    first, second = scenarios(kind, seed, hard)
    runs = [run_of(sim.make(2 * seed + k, s), f"{kind.name} {seed} {k}") for k, s in enumerate((first, second))]
    if kind.change is None:
        return *runs, dict.fromkeys(CODES, 0.0)
    before, after = truth(first, seed), truth(second, seed)
    if first.loads:  # another droop is another speed under load
        before = {name: value for name, value in before.items() if name not in ("speed", "steadiness")}
    if first.rough_s:  # these hold the rough part too, where it is not heard as such
        before = {name: value for name, value in before.items() if not name.startswith("misfire")}
    return *runs, {name: after[name] - before[name] for name in before}


def truth(s: sim.Scenario, seed: int) -> dict[str, float]:
    """What each measure would read of this engine without noise and with time enough."""
    slots = s.engine.cylinders if s.miss_slot is not None else 1
    long = sim.make(
        seed, replace(s, seconds=120.0, loads=(), drift_percent=0.0, run_up=False, rough_s=0.0, noise_percent=1e-3)
    )
    size = round(s.window_s * sim.FINE_HZ)  # what is tracked, and measured as steadiness, averages so long a time
    rpm = np.convolve(long.truth.rpm, np.ones(size) / size, mode="same")[100:-100:10]
    off = without_slow(long.truth.t_s[100:-100:10], 100 * (rpm / np.median(rpm) - 1), load("compare").value("slow_s"))
    known = {
        "misfire": 100 * s.miss_share / slots,
        "misfire_cylinder": 100 * s.miss_share,
        "hunting": long.truth.hunt_swing_percent,
        "strength": 100 * s.strength_spread,
        "timing": 100 * s.timing_jitter,
        "settling": s.rough_s,
        "speed": float(np.median(rpm)),
        "steadiness": load("compare").value("band_deviations") * float(np.std(off)),
    }
    if s.rough_s:
        del known["steadiness"], known["speed"]  # the rough part counts in them, for as long as it lasts
    if s.loads:
        percent = s.loads[0].droop_percent
        known["droop"] = droop_percent(100, 100 - percent)
    return known


def measure(kinds: list[Kind], runs: int, first_seed: int, hard: bool) -> None:
    """Make and compare the pairs of each kind, and print the table."""
    scores: dict[str, claims.Score] = {}
    pairs, false, refused, hold = 0, 0, 0, []
    for kind in kinds:
        wrong: list[str] = []
        for seed in range(first_seed, first_seed + runs):
            before, after, true = pair(kind, seed, hard)
            found = compare(before, after)
            refused += not found.comparable
            hold.append(claims.all_hold(found, true))
            mistaken = claims.note(scores, found, true)
            wrong += [f"{seed} {' '.join(mistaken)}"] if mistaken else []
        if kind.change is None:
            pairs, false = pairs + runs, false + len(wrong)
        print(f"  {kind.name}: {runs} pairs, {len(wrong)} with a false claim {wrong or ''}", flush=True)
    print(claims.table(scores))
    print(f"pairs without change: {pairs}, any difference claimed in {false}; not comparable: {refused}")
    print(f"pairs in which all intervals hold: {claims.share(hold)} %")


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=40, help="pairs of each kind; 0: none")
    parser.add_argument("--first-seed", type=int, default=50_000)
    parser.add_argument("--kind", nargs="*", default=None, help="only kinds whose name contains one of these")
    parser.add_argument("--hard", action="store_true", help="short, noisy recordings with many gaps and octave slips")
    parser.add_argument("--sound", type=int, default=0, help="how many pairs to make as sound besides")
    options = parser.parse_args()
    kinds = [one for one in KINDS if options.kind is None or any(part in one.name for part in options.kind)]
    began = time.process_time()
    if options.runs:
        measure(kinds, options.runs, options.first_seed, options.hard)
    if options.sound:
        from measuring import sound_pairs

        sound_pairs.measure(options.sound, options.first_seed)
    print(f"{time.process_time() - began:.0f} s of processor time")


if __name__ == "__main__":
    main()
