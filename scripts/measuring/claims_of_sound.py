"""What the findings claim of a made-up recording, heard from its sound by the whole analysis, held against the crank.

A claim is right, wrong or not made. Wrong and sure: farther off than asked for, and outside the interval that is shown
with it as well; a claim shown without an interval is sure wherever it is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import log

import numpy as np

from enginelog import synthesis
from enginelog.findings.loads import droop_percent
from enginelog.model import Run
from measuring.made import Case, analysed, as_told

KINDS = tuple(synthesis.KINDS)
BEHAVIOURS = (
    *("steady", "drifting", "misfire", "hunting", "load_step", "settling", "never_settles", "worsening", "throttle"),
)
# A rough start that fades is within a tenth of its first roughness at the time drawn, and within a twentieth (three
# time constants, what settling is defined by) this much later.
FADE_TO_A_TWENTIETH = log(20) / log(10)


@dataclass(frozen=True)
class Outcome:
    """right: None where nothing was claimed. sure: a wrong claim is farther off than its own interval allows."""

    claim: str
    right: bool | None
    sure: bool = True

    @property
    def wrong(self) -> bool:
        return self.right is False

    @property
    def wrong_and_sure(self) -> bool:
        return self.wrong and self.sure


def cases(count: int, first_seed: int, hardness: str, behaviours: tuple[str, ...] = BEHAVIOURS) -> list[Case]:
    """`count` recordings of each behaviour, the kinds in turn; seeds count up and no two recordings share one."""
    return [
        Case(first_seed + k * count + i, KINDS[i % len(KINDS)], hardness, behaviour)
        for k, behaviour in enumerate(behaviours)
        for i in range(count)
    ]


def scenario_of(case: Case) -> synthesis.Scenario:
    """The recording described completely; a drifting engine runs steadily but for a slow change of 3 to 8 %."""
    name = "steady" if case.behaviour == "drifting" else case.behaviour
    scenario = synthesis.random_scenario(case.seed, case.kind, case.hardness, name)
    if case.behaviour != "drifting":
        return scenario
    rng = np.random.default_rng(case.seed)
    slow = float(rng.choice([-1, 1]) * rng.uniform(3, 8))
    longer = max(scenario.seconds, 12.0)
    return replace(scenario, speeds=replace(scenario.speeds, drift_percent=slow), seconds=longer)


def outcomes(case: Case) -> list[Outcome]:
    """Make one recording, analyse it with the rated speed told, and score every claim that concerns it."""
    scenario = scenario_of(case)
    clip, truth = synthesis.make(scenario)
    return scored(case, truth, analysed(clip, as_told(scenario.engine, True)))


def scored(case: Case, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """Every claim that concerns a recording of this behaviour."""
    return [outcome for score in SCORES[case.behaviour] for outcome in score(case.behaviour, truth, run)]


# ---------------------------------------------------------------- hunting


def hunting_denied(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """No hunting is said where there is none."""
    found = run.measures.hunting.found
    return [Outcome(f"no hunting said: {behaviour}", None if found is None else not found)]


def hunting_told(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """Hunting of 1.5 % and more is found; its rate within 5 %, its swing within 15 %."""
    found, true_rpm = run.measures.hunting, truth.hunting_swing_rpm
    if true_rpm is None or truth.speed_rpm is None or true_rpm < 0.015 * truth.speed_rpm:
        return []
    out = [Outcome("hunting found, from 1.5 % of speed", found.found)]
    if not found.found:
        return out
    rate = abs(found.rate_hz / truth.hunting_rate_hz - 1) <= 0.05
    true = 100 * true_rpm / truth.speed_rpm
    swing, holds = (
        abs(found.swing_percent / true - 1) <= 0.15,
        found.swing_low_percent <= true <= found.swing_high_percent,
    )
    return [
        *out,
        Outcome("its rate within 5 %", rate),
        Outcome("its swing within 15 %", swing, not holds),
        Outcome("its swing's own 95 % interval holds", holds),
    ]


# ---------------------------------------------------------------- settling


def settling_denied(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """No settling is said where there is none."""
    found = run.measures.settling.found
    return [Outcome(f"no settling said: {behaviour}", None if found is None else not found)]


def settling_told(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """Settling is found, its time within 25 %; steps and fades also apart."""
    found = run.measures.settling
    out = [Outcome("settling found", found.found)]
    if not found.found or found.settle_s is None or truth.settle_s is None:
        return out
    true_s = truth.settle_s * (FADE_TO_A_TWENTIETH if truth.rough_shape == "fade" else 1.0)
    right, holds = abs(found.settle_s / true_s - 1) <= 0.25, found.settle_low_s <= true_s <= found.settle_high_s
    how = {"step": "ended at once", "fade": "faded away"}[str(truth.rough_shape)]
    times = [Outcome(f"its time within 25 %{more}", right, not holds) for more in ("", f", {how}")]
    return [*out, *times, Outcome("its time's own 95 % interval holds", holds)]


def worse_told(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """The words say that it gets rougher."""
    text = next(finding for finding in run.measures.findings if finding.code == "settling")
    if text.verdict == "unknown":
        return [Outcome("getting worse told as such", None)]
    return [Outcome("getting worse told as such", "Gets rougher" in text.text)]


# ---------------------------------------------------------------- loads and throttle


def load_denied(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """No load step is said where there is none; of a recording too poor to judge nothing is claimed."""
    return [Outcome(f"no load step said: {behaviour}", (len(run.measures.loads) == 0) if judged(run) else None)]


def judged(run: Run) -> bool:
    """False where the recording was too poor, or no engine was heard: then nothing is claimed."""
    return run.timeline.engine_heard and run.measures.firing.events > 0


def load_told(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """One load step, at its moment; its droop within 0.5 points (full-load basis), its recovery within 0.5 s."""
    large = [load for load in truth.loads if load.dip_percent >= 2.0]
    if len(large) != 1:
        return []
    true, told = large[0], run.measures.loads
    if not told:
        return [Outcome("load step found within 0.5 s", None)]
    near = min(told, key=lambda load: abs(load.at_s - true.at_s))
    right = len(told) == 1 and abs(near.at_s - true.at_s) <= 0.5
    out = [Outcome("load step found within 0.5 s", right)]
    if abs(near.at_s - true.at_s) > 0.5:
        return out
    return [*out, *_droop(near, true), *_recovery(near, true)]


def _droop(near, true: synthesis.LoadTruth) -> list[Outcome]:
    if near.droop_percent is None:
        return [Outcome("droop within 0.5 points", None)]
    off = abs(near.droop_percent - droop_percent(100, 100 - true.droop_percent))
    within = near.droop_within_points or 0.0
    return [
        Outcome("droop within 0.5 points", off <= 0.5, off > within),
        Outcome("droop's own 95 % interval holds", off <= within),
    ]


def _recovery(near, true: synthesis.LoadTruth) -> list[Outcome]:
    right = None if near.recovery_s is None else abs(near.recovery_s - true.recovery_s) <= 0.5
    return [Outcome("recovery within 0.5 s", right)]


def throttle_told(behaviour: str, truth: synthesis.Truth, run: Run) -> list[Outcome]:
    """Opened and closed once each: idle and top speed within 2 % of the crank's own before and after.

    One movement told of two is no wrong claim, but not the whole one; one told that the crank did not make is wrong.
    """
    moves = run.measures.throttle
    ups = [move for move in moves if move.opens]
    right = len(moves) == 2 and len(ups) == 1
    false = len(moves) > 2 or not all(_was_made(move, truth) for move in moves)
    out = [Outcome("throttle: opened and closed once", False if false else True if right else None)]
    down = next((move for move in moves if not move.opens), None)
    return [*out, *_levels(ups[0], down, truth)] if right else out


def _was_made(move, truth: synthesis.Truth) -> bool:
    """True where the crank went most of the way told, between the second before the movement and the second after."""
    before = np.median(truth.rpm[(truth.t_s > move.at_s - 1.5) & (truth.t_s < move.at_s - 0.3)])
    after = np.median(truth.rpm[(truth.t_s > move.end_s + 0.2) & (truth.t_s < move.end_s + 1.4)])
    return abs(np.log(after / before) / np.log(move.to_rpm / move.from_rpm) - 1) < 0.3


def _levels(up, down, truth: synthesis.Truth) -> list[Outcome]:
    """Speed before the throttle opens, and from when it has until it closes."""
    before = np.median(truth.rpm[(truth.t_s > up.at_s - 2.5) & (truth.t_s < up.at_s - 0.5)])
    after = np.median(truth.rpm[(truth.t_s > up.end_s + 0.3) & (truth.t_s < down.at_s - 0.5)])
    return [
        Outcome("idle speed within 2 %", bool(abs(up.from_rpm / before - 1) <= 0.02)),
        Outcome("top speed within 2 %", bool(abs(up.to_rpm / after - 1) <= 0.02)),
    ]


Score = Callable[[str, synthesis.Truth, Run], list[Outcome]]
DENIED: tuple[Score, ...] = (hunting_denied, settling_denied, load_denied)
SCORES: dict[str, tuple[Score, ...]] = {
    "steady": DENIED,
    "drifting": DENIED,
    "misfire": DENIED,
    "hunting": (hunting_told, settling_denied, load_denied),
    "load_step": (load_told, hunting_denied, settling_denied),
    "settling": (settling_told, hunting_denied, load_denied),
    "never_settles": DENIED,
    "worsening": (worse_told, hunting_denied, load_denied),
    "throttle": (throttle_told, hunting_denied),
}
ASKED = {"no hunting": 98.0, "no settling": 98.0, "no load": 98.0}


def asked_percent(claim: str) -> float:
    """What share of right answers is asked for."""
    return next((share for begin, share in ASKED.items() if claim.startswith(begin)), 95.0)
