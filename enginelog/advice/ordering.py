"""In which order checks are made: what can hurt, what a failed check has opened, what mimics a fault, what is quick.

    next_checks(state, settled, causes) -> the open checks that bear on what is left, the next one first

The places: what can hurt and is looked at in a few minutes; then the branch that a failed check has opened; then the
rest of what can hurt; then likely, possible and seldom causes, where equipment and use that mimic a fault, and looks of
a minute (`quick_look_min`), go one place earlier unless they are seldom to blame. A check that does not settle a cause
comes one place later, and so does a long one (`long_check_min`): where the rules leave several causes open, the quick
looks at a possible one come before the long work on a likely one. Among equals the quickest is
first. There is no source for such an order: it is common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from enginelog import limits
from enginelog.advice.words import Likely, Matched, NextCheck
from enginelog.limits.trade.knowledge import Check, Knowledge

RANKS = ("pointed_to", "likely", "possible", "seldom")
CAN_HURT, POINTED_TO, CAN_HURT_REST = range(3)
AFTER = {"likely": 4, "possible": 5, "seldom": 6}
FOUND = 9  # it needs putting right, not another check


@dataclass(frozen=True)
class State:
    """What is known while it is worked out."""

    known: Knowledge
    machine: str | None
    signs: frozenset[str]
    checks: Mapping[str, str]
    matched: tuple[Matched, ...]
    silent: tuple[Matched, ...]  # rules that would speak, but for a more special one
    by_answer: frozenset[str]  # checks whose result an answer has told
    skipped: frozenset[str]  # checks left out for now


@dataclass(frozen=True)
class Settled:
    """What checks and rules have settled.

    pointed: causes a failed check points to, with why; width: by how many causes at most such a check points.
    out: causes off the list, with why. found: of the pointed ones those that a look at the part has shown, or that
    alone are left where there is nothing to look at any more (by_elimination).
    """

    pointed: dict[str, str]
    width: dict[str, int]
    out: dict[str, str]
    found: frozenset[str]
    by_elimination: frozenset[str] = frozenset()


def open_checks(state: State) -> list[Check]:
    """Checks not made that make sense on this machine and after what was found."""
    return [
        check
        for check in state.known.checks.values()
        if check.name not in state.checks
        and _fits(check, state.machine)
        and not (check.runs and "no_start" in state.signs)
        and (not check.when or state.signs & set(check.when))
    ]


def _fits(check: Check, machine: str | None) -> bool:
    return not check.machines or machine is None or machine in check.machines


def elsewhere(state: State) -> set[str]:
    """Causes this engine cannot have: valves on a two-stroke, a governor on a saw, a belt on a generator."""
    checks = state.known.checks.values()
    here = {name for check in checks if _fits(check, state.machine) for name in check.bears_on}
    no_check = {name for check in checks for name in check.bears_on} - here
    strokes = {4} if "four_stroke" in state.signs else {2} if "two_stroke" in state.signs else set()
    strokes = set() if "strokes_assumed" in state.signs else strokes
    return no_check | {
        cause.name
        for cause in state.known.causes.values()
        if (cause.strokes and strokes and cause.strokes not in strokes) or state.machine in cause.not_machines
    }


def dangerous(state: State, rank: str = "likely") -> set[str]:
    """Causes of this rank by the rules of danger that speak."""
    return {name for matched in state.matched if matched.rule.danger for name in getattr(matched.rule, rank)}


def next_checks(state: State, settled: Settled, causes: tuple[Likely, ...]) -> tuple[NextCheck, ...]:
    """Open checks that bear on what is left, in the order this module is about.

    What was skipped is asked for again only after all others, and before it, where nobody told the machine, what only
    some machines have (but for what can hurt).
    """
    left = {likely.cause.name: likely for likely in causes}
    waiting = [check for check in open_checks(state) if check.bears_on & set(left)]
    foreign, tier = elsewhere(state), _Tiers(state, settled, causes)

    def place(check: Check) -> tuple[bool, bool, int, int]:
        best = min(tier.of(check, left[name]) for name in check.bears_on if name in left)
        perhaps_not_here = bool(check.machines) and state.machine is None and best > CAN_HURT
        return check.name in state.skipped, perhaps_not_here, best, check.minutes

    return tuple(
        NextCheck(
            check,
            tuple(left[name].cause for name in check.pass_rules_out if name in left),
            tuple(state.known.causes[name] for name in check.fail_points_to if name not in foreign),
            state.machine,
        )
        for check in sorted(waiting, key=place)
    )


class _Tiers:
    """The place of a check for the sake of one of the causes it bears on: lower goes first."""

    def __init__(self, state: State, settled: Settled, causes: tuple[Likely, ...]) -> None:
        self.found, found_limits = settled.found, limits.load("findings")
        self.long_min, self.quick_min = found_limits.value("long_check_min"), found_limits.value("quick_look_min")
        self.danger, self.danger_rest = dangerous(state), dangerous(state, "possible")
        pointed = {likely.cause.name for likely in causes if likely.rank == "pointed_to"} - settled.found
        # A branch is open only where a check goes on with it.
        self.branch_open = any(check.bears_on & pointed for check in open_checks(state))

    def of(self, check: Check, likely: Likely) -> int:
        name = likely.cause.name
        if name in self.found:
            return FOUND
        undecided, takes_long = name not in check.decides, check.minutes >= self.long_min
        if name in self.danger and not takes_long and self._goes_first(check):
            return CAN_HURT + undecided
        if likely.rank == "pointed_to":
            return POINTED_TO + undecided
        if name in self.danger | self.danger_rest:
            return CAN_HURT_REST + undecided
        # What only mimics a fault goes one place earlier, and so does a look of a minute.
        sooner = likely.cause.mimic + (not check.runs and check.minutes <= self.quick_min)
        place = AFTER[likely.rank] - (0 if likely.rank == "seldom" else sooner)
        return max(place, CAN_HURT_REST + 1) + undecided + takes_long

    def _goes_first(self, check: Check) -> bool:
        """Whether a check of what can hurt goes before the branch of a failed check: a look at the part that hurts,
        with the engine off. An engine with something found wrong is not run before that is seen to."""
        return not self.branch_open or (check.hurts and not check.runs)
