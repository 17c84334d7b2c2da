"""Pairs of made-up recordings of one engine, made as sound and analysed whole: what comparing them says."""

from __future__ import annotations

from dataclasses import dataclass, replace

from enginelog import synthesis
from enginelog.compare import compare
from enginelog.model import Comparison
from measuring.made import analysed, as_told

KINDS = ("mower", "tiller", "pump", "generator")
CHANGES = (("steady", "steady"), ("misfire", "steady"), ("hunting", "steady"))
CLAIMS = ("better", "worse", "changed")


@dataclass(frozen=True)
class Outcome:
    """What was said of one pair. false: measures claimed to differ where nothing was changed; cured: verdict on what
    the work put right, None where nothing was."""

    kind: str
    change: tuple[str, str]
    seed: int
    comparable: bool
    false: tuple[str, ...]
    cured: str | None
    summary: str


def pair(seed: int, kind: str, change: tuple[str, str]) -> Outcome:
    """One engine recorded twice from the same place, another take each time; analysed and compared."""
    runs = []
    for take, behaviour in enumerate(change):
        scenario = replace(synthesis.random_scenario(seed, kind, "ordinary", behaviour), take=take)
        clip, _ = synthesis.make(scenario)
        run = analysed(clip, as_told(scenario.engine, True), f"{kind} {seed} {take}")
        runs.append(replace(run, clip=replace(run.clip, sha256=f"{kind} {seed} {take}")))
    return _outcome(seed, kind, change, compare(*runs))


def _outcome(seed: int, kind: str, change: tuple[str, str], found: Comparison) -> Outcome:
    claimed = {one.code: one.verdict for one in found.measures if one.verdict in CLAIMS}
    false = tuple(sorted(claimed)) if change[0] == change[1] else ()
    cured = {one.code: one.verdict for one in found.measures}.get(change[0]) if change[0] != change[1] else None
    return Outcome(kind, change, seed, found.comparable, false, cured, found.summary)


def measure(count: int, first_seed: int) -> None:
    """Make `count` pairs, each kind and change in turn, and print what was said."""
    outcomes = []
    for i in range(count):
        one = pair(first_seed + i, KINDS[i % len(KINDS)], CHANGES[i % len(CHANGES)])
        outcomes.append(one)
        print(f"  {one.seed} {one.kind} {' to '.join(one.change)}: {one.summary}", flush=True)
    same = [one for one in outcomes if one.change[0] == one.change[1] and one.comparable]
    cured = [one for one in outcomes if one.cured is not None]
    print(f"as sound: {count} pairs, {sum(not one.comparable for one in outcomes)} not comparable")
    print(f"  nothing changed: {len(same)} pairs, a difference claimed in {sum(bool(one.false) for one in same)}")
    told = {
        verdict: sum(one.cured == verdict for one in cured) for verdict in sorted({one.cured or "" for one in cured})
    }
    print(f"  put right: {len(cured)} pairs, {', '.join(f'{name} {n}' for name, n in told.items())}")
