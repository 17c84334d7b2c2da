"""What comparisons claimed, scored against the true changes: kept by measure, shown as a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from enginelog.model import Comparison

CLAIMS = ("better", "worse", "changed")


@dataclass
class Score:
    """What was said of one measure, over all pairs."""

    claimed_falsely: list[bool] = field(default_factory=list)
    exceeding: list[str] = field(default_factory=list)
    clear: list[str] = field(default_factory=list)
    claims: list[bool] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)


def note(scores: dict[str, Score], found: Comparison, true: Mapping[str, float]) -> list[str]:
    """Score every measure of one pair; returns the measures of which a change was claimed that is not there."""
    false = []
    for one in found.measures:
        change = true.get(one.code)
        if change is None or one.difference is None or one.low is None or one.high is None or one.least is None:
            continue
        score = scores.setdefault(one.code, Score())
        claimed = one.verdict in CLAIMS
        score.covered.append(one.low <= change <= one.high)
        if change == 0:
            score.claimed_falsely.append(claimed)
            false += [one.code] if claimed else []
            continue
        if claimed:
            score.claims.append(one.difference * change > 0)
        half = 0.5 * (one.high - one.low)
        outcome = "right" if claimed and one.difference * change > 0 else "wrong" if claimed else one.verdict
        if abs(change) > max(half, one.least):
            score.exceeding.append(outcome)
        if abs(change) > max(2 * half, one.least):
            score.clear.append(outcome)
    return false


def all_hold(found: Comparison, true: Mapping[str, float]) -> bool:
    """Whether the intervals of all measures whose true change is known hold it."""
    known = [one for one in found.measures if one.code in true and one.low is not None and one.high is not None]
    return all(one.low <= true[one.code] <= one.high for one in known)


HEAD = (
    f"{'measure':18s} {'no change':>9s} {'claimed%':>8s} | {'claims':>6s} {'right%':>6s} | {'exceeds':>7s}"
    f" {'right%':>6s} {'wrong%':>6s} {'untold%':>7s} | {'twice':>5s} {'right%':>6s} | {'covers%':>7s}"
)


def share(values: list, wanted: object = True) -> str:
    """Per cent of the values that are as wanted; a dash where there are none."""
    return f"{100 * sum(value == wanted for value in values) / len(values):.1f}" if values else "-"


def line(name: str, score: Score) -> str:
    """One row of the table."""
    untold = [outcome in ("same", "cannot_tell") for outcome in score.exceeding]
    return (
        f"{name:18s} {len(score.claimed_falsely):9d} {share(score.claimed_falsely):>8s} | {len(score.claims):6d}"
        f" {share(score.claims):>6s} | {len(score.exceeding):7d} {share(score.exceeding, 'right'):>6s}"
        f" {share(score.exceeding, 'wrong'):>6s} {share(untold):>7s} | {len(score.clear):5d}"
        f" {share(score.clear, 'right'):>6s} | {share(score.covered):>7s}"
    )


def total(scores: Mapping[str, Score]) -> Score:
    """All measures together."""
    whole = Score()
    for score in scores.values():
        for name, values in vars(score).items():
            getattr(whole, name).extend(values)
    return whole


def table(scores: Mapping[str, Score]) -> str:
    """All rows, and the row of all measures together."""
    return "\n".join([HEAD, *(line(name, score) for name, score in sorted(scores.items())), line("all", total(scores))])
