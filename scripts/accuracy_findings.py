"""Accuracy of the findings stage on made-up tracks and firings of unseen seeds, one row a claim.

    python scripts/accuracy_findings.py [--runs 200] [--first-seed 10000] [--row NAME ...] [--hard]

The inputs come from tests/sim_tracks.py (arrays, not audio). Limits were tuned on seeds 0-999; the seeds here start at
10 000. "right": share of runs that meet the claim; "told": share in which the stage gave an answer at all; "wrong":
share in which it gave a wrong one (unknown counts as not right, but not as wrong).
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

from enginelog.findings import judge  # noqa: E402
from enginelog.findings.loads import droop_percent  # noqa: E402
from enginelog.firing.counting import tolerance  # noqa: E402
from enginelog.limits import load  # noqa: E402
from enginelog.model import Measures  # noqa: E402

Outcome = bool | None  # right, wrong, or None where no answer was given


@dataclass(frozen=True)
class Row:
    """One claim: how the case is drawn, how it is scored, and what share is asked for."""

    name: str
    draw: Callable[[int, bool], sim.Case]
    score: Callable[[sim.Case, Measures], Outcome]
    asked: float


def kind(name: str) -> Callable[[int, bool], sim.Case]:
    """Cases of one kind of the simulator."""
    return lambda seed, hard: sim.draw(name, seed, hard)


def changed(name: str, change: Callable[[sim.Scenario, np.random.Generator], sim.Scenario]):
    """Cases of a kind with something of the scenario redrawn."""

    def draw(seed: int, hard: bool) -> sim.Case:
        rng = np.random.default_rng(seed + 9_000_000)
        return sim.make(seed, change(sim.scenario(name, seed, hard), rng))

    return draw


def small_swing(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
    """A swing hardly above the dead band."""
    return replace(s, hunt_swing_percent=float(rng.uniform(1.5, 2.0)))


def fast_swing(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
    """Rates above what the speed track lets through."""
    return replace(s, hunt_hz=float(rng.uniform(2.0, 5.0)), hunt_swing_percent=float(rng.uniform(2.0, 10.0)))


def governor(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
    """Strong random wobble that prefers one rate: standard deviation 0.3-1 % of speed, damping ratio 0.15-0.5."""
    return replace(
        s,
        wobble_percent=float(rng.uniform(0.3, 1.0)),
        wobble_hz=float(rng.uniform(0.3, 2.0)),
        wobble_damping=float(rng.uniform(0.15, 0.5)),
    )


def long_run(s: sim.Scenario, rng: np.random.Generator) -> sim.Scenario:
    """Random or in bursts, so that the interval is tested on both."""
    return replace(s, miss_share=float(rng.uniform(0.01, 0.1)), burst_mean=float(rng.choice([1.0, 3.0, 6.0])))


# ---------------------------------------------------------------- scores


def miss_share(case: sim.Case, m: Measures) -> Outcome:
    """Within 0.5 points or 7 % of the value; farther off but inside the interval stated with it is not wrong."""
    if m.firing.misfire_percent is None:
        return None
    true = case.truth.miss_percent
    if abs(m.firing.misfire_percent - true) <= tolerance(true):
        return True
    return None if m.firing.misfire_low <= true <= m.firing.misfire_high else False


def within_points(points: float):
    """A score: the share is off by at most so many points."""

    def score(case: sim.Case, m: Measures) -> Outcome:
        if m.firing.misfire_percent is None:
            return None
        return abs(m.firing.misfire_percent - case.truth.miss_percent) <= points

    return score


def interval_holds(case: sim.Case, m: Measures) -> Outcome:
    """The interval covers the share drawn from (not only that of this run)."""
    if m.firing.misfire_low is None:
        return None
    return m.firing.misfire_low <= 100 * case.truth.scenario.miss_share <= m.firing.misfire_high


def pattern_is(name: str):
    """A score: the pattern has this name."""

    def score(case: sim.Case, m: Measures) -> Outcome:
        del case
        return None if m.firing.pattern is None else m.firing.pattern == name

    return score


def hunting_found(case: sim.Case, m: Measures) -> Outcome:
    """Hunting is said."""
    del case
    return m.hunting.found


def hunting_rate(case: sim.Case, m: Measures) -> Outcome:
    """Within 5 %."""
    return abs(m.hunting.rate_hz / case.truth.hunt_hz - 1) < 0.05 if m.hunting.found else None


def hunting_swing(case: sim.Case, m: Measures) -> Outcome:
    """Within 15 %."""
    return abs(m.hunting.swing_percent / case.truth.hunt_swing_percent - 1) < 0.15 if m.hunting.found else None


def no_hunting(case: sim.Case, m: Measures) -> Outcome:
    """Hunting is denied."""
    del case
    return None if m.hunting.found is None else not m.hunting.found


def settling_found(case: sim.Case, m: Measures) -> Outcome:
    """Settling is said."""
    del case
    return m.settling.found


def settling_time(case: sim.Case, m: Measures) -> Outcome:
    """Within 25 %."""
    return abs(m.settling.settle_s / case.truth.settle_s - 1) < 0.25 if m.settling.found else None


def of_kind(name: str, score):
    """The score on cases of one kind of rough start; the others leave the row (shown as not told)."""
    return lambda case, m: score(case, m) if case.truth.scenario.rough_kind == name else None


def settling_bound(case: sim.Case) -> float:
    """Smallest standard deviation of log tau any unbiased method reaches from the lost firings of this exponential
    (Cramer-Rao bound for Bernoulli trials, first and last share unknown too)."""
    s = case.truth.scenario
    u = case.firings.t_s - s.lead_s
    fade = np.exp(-3 * u / s.rough_s)
    p = np.clip(0.003 + s.rough_share * fade, 1e-4, 0.999)
    slopes = np.stack([fade, s.rough_share * fade * 3 * u / s.rough_s, np.ones(len(u))])
    information = (slopes / (p * (1 - p))) @ slopes.T
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


def print_settling_bound(runs: int, first_seed: int, hard: bool) -> None:
    """What share within 25 % the bound allows for exponential rough starts: the evidence for what limits that row."""
    from scipy.stats import norm

    cases = (sim.draw("settling", seed, hard) for seed in range(first_seed, first_seed + min(runs, 100)))
    bounds = [settling_bound(case) for case in cases if case.truth.scenario.rough_kind == "exponential"]
    if not bounds:
        return
    best = np.mean([norm.cdf(np.log(1.25) / b) - norm.cdf(np.log(0.75) / b) for b in bounds])
    print(f"  bound for exponential rough starts, from lost firings: tau to {100 * np.median(bounds):.0f} %,")
    print(f"  so at most about {100 * best:.0f} % can lie within 25 % by any unbiased method")


def print_droop_bound(runs: int, first_seed: int, hard: bool) -> None:
    """How well droop is defined by the speed itself: with the transition known exactly, what wobble and drift alone do
    to the difference of two means of four seconds, either side of the load."""
    errors = []
    for seed in range(first_seed, first_seed + min(runs, 100)):
        truth = sim.draw("loaded", seed, hard).truth
        s, taken = truth.scenario, truth.scenario.loads[0]
        calm = 100 * (truth.rpm / s.rpm - 1) - sim.load_response(truth.t_s - taken.at_s, taken)
        before = calm[(truth.t_s > taken.at_s - 4) & (truth.t_s < taken.at_s)]
        after = calm[(truth.t_s > taken.at_s) & (truth.t_s < taken.at_s + 4)]
        errors.append(after.mean() - before.mean())
    share = np.mean(np.abs(errors) < 0.5)
    print(f"  with the transition known exactly, wobble and drift alone leave {100 * share:.0f} % of droops within 0.5")


def no_settling(case: sim.Case, m: Measures) -> Outcome:
    """Settling is denied."""
    del case
    return None if m.settling.found is None else not m.settling.found


def said_worse(case: sim.Case, m: Measures) -> Outcome:
    """The words say that it gets rougher."""
    del case
    text = next(finding.text for finding in m.findings if finding.code == "settling")
    return "Gets rougher" in text


def one_load(case: sim.Case, m: Measures) -> Outcome:
    """One load is told, within half a second of its moment."""
    if not m.loads:
        return None
    at = case.truth.scenario.loads[0].at_s + case.truth.scenario.lead_s
    return len(m.loads) == 1 and abs(m.loads[0].at_s - at) < 0.5


def droop(case: sim.Case, m: Measures) -> Outcome:
    """Within 0.5 points, on the full-load basis."""
    if len(m.loads) != 1 or m.loads[0].droop_percent is None:
        return None
    percent = case.truth.scenario.loads[0].droop_percent
    return abs(m.loads[0].droop_percent - droop_percent(100, 100 - percent)) < 0.5


def calm_only(score, most_percent: float = 0.2):
    """The score where the speed's own wobble is small; the others leave the row (shown as not told)."""
    return lambda case, m: score(case, m) if case.truth.scenario.wobble_percent <= most_percent else None


def droop_interval(case: sim.Case, m: Measures) -> Outcome:
    """The droop lies within what is said of it."""
    if len(m.loads) != 1 or m.loads[0].droop_percent is None:
        return None
    percent = case.truth.scenario.loads[0].droop_percent
    return abs(m.loads[0].droop_percent - droop_percent(100, 100 - percent)) <= m.loads[0].droop_within_points


def recovery(case: sim.Case, m: Measures) -> Outcome:
    """Within half a second."""
    if len(m.loads) != 1 or m.loads[0].recovery_s is None:
        return None
    return abs(m.loads[0].recovery_s - true_recovery(case.truth.scenario.loads[0])) < 0.5


def true_recovery(taken: sim.Load) -> float:
    """Last time the clean curve lies outside the band round its new level."""
    u = np.arange(0.0, 15.0, 0.005)
    band_percent = load("findings").value("recovery_band_percent")
    curve = 1 + sim.load_response(u, taken) / 100
    outside = np.abs(curve / (1 - taken.droop_percent / 100) - 1) > band_percent / 100
    return float(u[outside][-1]) if outside.any() else 0.0


def no_load(case: sim.Case, m: Measures) -> Outcome:
    """No load is told."""
    del case
    return len(m.loads) == 0


ROWS = [
    Row("misfire share within 0.5 points or 7 %", kind("misfiring"), miss_share, 0.95),
    Row("the same, in bursts", kind("bursting"), miss_share, 0.95),
    Row("healthy engines at or under 0.5 %", kind("steady"), within_points(0.5), 1.0),
    Row("misses that puff at 25-45 %: within 1.5 points", kind("puffing"), within_points(1.5), 0.90),
    Row("95 % interval covers (random and bursts)", changed("misfiring", long_run), interval_holds, 0.95),
    Row("pattern: none", kind("steady"), pattern_is("none"), 0.90),
    Row("pattern: random", kind("misfiring"), pattern_is("random"), 0.90),
    Row("pattern: burst", kind("bursting"), pattern_is("burst"), 0.90),
    Row("pattern: cylinder", kind("one_cylinder"), pattern_is("cylinder"), 0.90),
    Row("pattern: every_second", kind("every_second"), pattern_is("every_second"), 0.90),
    Row("hunting found, swing 1.6-15 %", kind("hunting"), hunting_found, 0.95),
    Row("hunting found, swing 1.5-2 %", changed("hunting", small_swing), hunting_found, 0.95),
    Row("hunting found, 2-5 Hz, swing 2-10 %", changed("hunting", fast_swing), hunting_found, 0.95),
    Row("hunting rate within 5 %", kind("hunting"), hunting_rate, 0.95),
    Row("hunting swing within 15 %", kind("hunting"), hunting_swing, 0.95),
    Row("hunting swing within 15 %, 2-5 Hz", changed("hunting", fast_swing), hunting_swing, 0.95),
    Row("no hunting said: steady", kind("steady"), no_hunting, 0.98),
    Row("no hunting said: misfiring", kind("misfiring"), no_hunting, 0.98),
    Row("no hunting said: in bursts", kind("bursting"), no_hunting, 0.98),
    Row("no hunting said: drifting", kind("drifting"), no_hunting, 0.98),
    Row("no hunting said: loaded", kind("loaded"), no_hunting, 0.98),
    Row("no hunting said: strong random wobble", changed("steady", governor), no_hunting, 0.98),
    Row("settling found", kind("settling"), settling_found, 0.95),
    Row("settling time within 25 %", kind("settling"), settling_time, 0.95),
    Row("  of these: ended at once", kind("settling"), of_kind("step", settling_time), 0.95),
    Row("  of these: faded exponentially", kind("settling"), of_kind("exponential", settling_time), 0.95),
    Row("no settling said: steady", kind("steady"), no_settling, 0.98),
    Row("no settling said: misfiring", kind("misfiring"), no_settling, 0.98),
    Row("no settling said: in bursts", kind("bursting"), no_settling, 0.98),
    Row("no settling said: loaded", kind("loaded"), no_settling, 0.98),
    Row("no settling said: hunting", kind("hunting"), no_settling, 0.98),
    Row("getting worse told as such", kind("worsening"), said_worse, 0.95),
    Row("one load step, found within 0.5 s", kind("loaded"), one_load, 0.95),
    Row("droop within 0.5 points", kind("loaded"), droop, 0.95),
    Row("  of these: wobble up to 0.2 %", kind("loaded"), calm_only(droop), 0.95),
    Row("droop's own 95 % interval covers", kind("loaded"), droop_interval, 0.95),
    Row("recovery within 0.5 s", kind("loaded"), recovery, 0.95),
    Row("no load step said: steady", kind("steady"), no_load, 0.98),
    Row("no load step said: hunting", kind("hunting"), no_load, 0.98),
    Row("no load step said: misfiring", kind("misfiring"), no_load, 0.98),
    Row("no load step said: in bursts", kind("bursting"), no_load, 0.98),
    Row("no load step said: drifting", kind("drifting"), no_load, 0.98),
]


def measure(rows: list[Row], runs: int, first_seed: int, hard: bool) -> dict[str, list[Outcome]]:
    """Outcomes of each row; cases that rows share are drawn and judged once."""
    limits = load("findings")
    outcomes: dict[str, list[Outcome]] = {row.name: [] for row in rows}
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(_draw_key(row), []).append(row)
    for group in groups.values():
        for seed in range(first_seed, first_seed + runs):
            case = group[0].draw(seed, hard)
            found = judge(case.engine, case.quality, case.timeline, case.speed, case.track, case.firings, limits)
            for row in group:
                outcomes[row.name].append(row.score(case, found))
        for row in group:
            print(line(row, outcomes[row.name]), flush=True)
    return outcomes


def _draw_key(row: Row) -> str:
    """Rows whose cases are drawn alike share a key (the names closed over by the drawing function)."""
    return str([cell.cell_contents for cell in row.draw.__closure__ or ()])


def line(row: Row, outcomes: list[Outcome]) -> str:
    """One row of the table."""
    right = np.mean([outcome is True for outcome in outcomes])
    told = np.mean([outcome is not None for outcome in outcomes])
    wrong = np.mean([outcome is False for outcome in outcomes])
    of_told = right / told if told else float("nan")
    shares = " ".join(f"{100 * share:7.1f}" for share in (right, told, of_told, wrong, row.asked))
    return f"{row.name:50s} {len(outcomes):4d} {shares}"


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=10_000)
    parser.add_argument("--row", nargs="*", default=None, help="only rows whose name contains one of these")
    parser.add_argument("--hard", action="store_true", help="short, noisy recordings with many gaps and octave slips")
    options = parser.parse_args()
    rows = [row for row in ROWS if options.row is None or any(part in row.name for part in options.row)]
    began = time.process_time()
    print(f"{'claim':50s} {'runs':>4s} {'right %':>7s} {'told %':>7s} {'of told':>7s} {'wrong %':>7s} {'asked %':>7s}")
    measure(rows, options.runs, options.first_seed, options.hard)
    if any("settling time" in row.name for row in rows):
        print_settling_bound(options.runs, options.first_seed, options.hard)
    if any("droop" in row.name for row in rows):
        print_droop_bound(options.runs, options.first_seed, options.hard)
    print(f"{time.process_time() - began:.0f} s of processor time")


if __name__ == "__main__":
    main()
