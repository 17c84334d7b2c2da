"""Bench checks by elimination: the rule table (`checks.toml` beside this module) and what follows from it.

    steps() -> tuple of Step        step_named("spark") -> Step
    suggest({"spark": "pass", ...}, heard=("misfire",)) -> Suggestion

What comes out is always a suggestion: the table is common practice of the trade without a source, and the machine's
manual comes first.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from enginelog.limits.trade import reading
from enginelog.model import CHECK_RESULTS, UsageError
from enginelog.model.wording import begun_small

# Codes of findings and what they mean in the table; others stand for themselves.
SHOWN_BY = {
    "settling": "rough_start",
    "timing": "misfire",
    "cylinder_balance": "misfire",
    "speed": "steadiness",
    "blade_speed": "steadiness",
    "generator_frequency": "steadiness",
}

LEAD = "Suggestion only; the machine's manual comes first."
ALL_MADE = "Each check of the list is made; what is left takes a look inside, or a workshop."


@dataclass(frozen=True)
class Cause:
    """Something that may be wrong: where, what it can be, and what it makes an engine do."""

    name: str
    place: str
    title: str
    shows_as: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """One bench check: how it is made, what it costs in minutes, what its result says, how it can hurt."""

    name: str
    title: str
    how: str
    minutes: int
    units: tuple[str, ...]
    pass_rules_out: tuple[str, ...]
    fail_points_to: tuple[str, ...]
    caution: str
    status: str
    source: str


@dataclass(frozen=True)
class Suggestion:
    """What the checks made so far leave.

    ruled_out, pointed_to, left: causes off the list, those a failed check points to, and all others, in the table's
    order; of `left` those that fit what was heard come first. before: the next check where it is none of this table;
    else None. open_steps: the checks that come after it, in order, those that were skipped last. next: the first of all
    of them, None where none is left; then: the one after it. text: all of it in a few sentences.
    """

    ruled_out: tuple[Cause, ...]
    pointed_to: tuple[Cause, ...]
    left: tuple[Cause, ...]
    failed: tuple[Step, ...]
    open_steps: tuple[Step, ...]
    text: str
    before: Step | None = None
    first: tuple[str, ...] = ()

    @property
    def next(self) -> Step | None:
        return self._in_order[0]

    @property
    def then(self) -> Step | None:
        return self._in_order[1]

    @property
    def _in_order(self) -> tuple[Step | None, ...]:
        return (*((self.before,) if self.before else ()), *self.open_steps, None, None)


@dataclass(frozen=True)
class Settled:
    """What is settled of the table's causes where more than the table tells: ruled_out, pointed_to and left as in
    `Suggestion`, and what is said of failed checks, in sentences."""

    ruled_out: tuple[Cause, ...]
    pointed_to: tuple[Cause, ...]
    left: tuple[Cause, ...]
    said: str


@cache
def _table() -> tuple[tuple[Step, ...], tuple[Cause, ...]]:
    tables = tomllib.loads((files(__package__) / "checks.toml").read_text(encoding="utf-8"))
    trade = tomllib.loads(reading.own_text("checks.toml"))["check"]
    how = {check["bench"]: check["how"] for check in trade if "bench" in check}
    made: list[dict[str, Any]] = [
        {"how": how[entry["name"]]} | {name: tuple(v) if isinstance(v, list) else v for name, v in entry.items()}
        for entry in tables["step"]
    ]
    causes = [
        Cause(entry["name"], entry["place"], entry["title"], tuple(entry["shows_as"])) for entry in tables["cause"]
    ]
    return tuple(Step(**entry) for entry in made), tuple(causes)


def steps() -> tuple[Step, ...]:
    """The checks, in the trade's order."""
    return _table()[0]


def causes() -> tuple[Cause, ...]:
    """The causes the table knows."""
    return _table()[1]


def step_named(name: str) -> Step:
    """The check of this name; hyphens, spaces and capitals do not matter. UsageError, with the names, else."""
    wanted = plain_name(name)
    for step in steps():
        if step.name == wanted:
            return step
    known = ", ".join(step.name.replace("_", "-") for step in steps())
    raise UsageError(f"check '{name}' is not known; one of these expected: {known}")


def plain_name(name: str) -> str:
    """A name as somebody typed it in the form in which names of checks are kept."""
    return "_".join(name.lower().replace("-", " ").replace("_", " ").split())


def suggest(
    results: Mapping[str, str],
    heard: Iterable[str] = (),
    asked: Sequence[Step] | None = None,
    not_here: AbstractSet[str] = frozenset(),
    none_left: str = ALL_MADE,
    cheapest: bool = True,
    settled: Settled | None = None,
) -> Suggestion:
    """What is ruled out, what is left, and what to check next.

    results: by name of check, each pass, fail or not_checked. heard: codes of findings that are not well, as `misfire`.
    asked: the checks to be made, in this order, also those of no name in this table; None where nobody has put them in
    order. not_here: names of causes that such a machine cannot have. none_left: said where no check is asked for.
    cheapest: whether the order is that of cost alone. settled: what is ruled out and left, where not the table decides.
    In the table's own order the next check is the one that takes the fewest minutes among those that bear on what is
    left; what fits the recording goes before what does not, and the trade's order decides where minutes are equal. One
    that was skipped is asked for again only when no other is left.
    """
    for name, result in results.items():
        if result not in CHECK_RESULTS:
            raise UsageError(f"check '{name}': result '{result}' given, one of {', '.join(CHECK_RESULTS)} expected")
    listed = {step.name for step in steps()}
    ordered = {step.name for step in asked or ()} - listed
    made = {name if name in ordered else step_named(name).name: result for name, result in results.items()}
    passed = [step for step in steps() if made.get(step.name) == "pass"]
    failed = [step for step in steps() if made.get(step.name) == "fail"]
    pointed = {name for step in failed for name in step.fail_points_to} - not_here
    out = {name for step in passed for name in step.pass_rules_out} - pointed
    signs = {SHOWN_BY.get(code, code) for code in heard}
    told = settled or Settled(
        tuple(each for each in causes() if each.name in out),
        tuple(each for each in causes() if each.name in pointed),
        tuple(each for each in causes() if each.name not in out | pointed | not_here),
        _failed_words(failed, pointed),
    )
    left = _fitting_first(told.left, signs)
    open_steps = tuple(asked) if asked is not None else _open_steps(made, left, pointed, signs)
    text = _text(told.said, told.ruled_out, left, _asked(open_steps, made, cheapest, none_left))
    before = open_steps[0] if open_steps and open_steps[0].name not in listed else None
    after = open_steps[1:] if before else open_steps
    return Suggestion(told.ruled_out, told.pointed_to, left, tuple(failed), after, text, before)


def _fits(cause: Cause, signs: set[str]) -> bool:
    return bool(signs.intersection(cause.shows_as))


def _fitting_first(found: Sequence[Cause], signs: set[str]) -> tuple[Cause, ...]:
    return tuple(sorted(found, key=lambda cause: not _fits(cause, signs)))


def _open_steps(made: dict[str, str], left: tuple[Cause, ...], pointed: set[str], signs: set[str]) -> tuple[Step, ...]:
    """Checks not made whose causes are not settled: first what a failed check points to, then what fits, by minutes;
    last those that were skipped."""
    fitting = {cause.name for cause in left if _fits(cause, signs)}
    unsettled = {cause.name for cause in left} | pointed
    tells_apart = pointed if len(pointed) > 1 else set()  # a single one needs putting right, not another check
    waiting = [
        step
        for step in steps()
        if made.get(step.name, "not_checked") == "not_checked" and unsettled.intersection(step.pass_rules_out)
    ]

    def rank(step: Step) -> tuple[bool, bool, bool, int]:
        bears_on = set(step.pass_rules_out)
        return step.name in made, not tells_apart & bears_on, not fitting & bears_on, step.minutes

    return tuple(sorted(waiting, key=rank))


def _failed_words(failed: list[Step], pointed: set[str]) -> str:
    """What the failed checks of the table say."""
    if not failed:
        return ""
    titles = "; ".join(cause.title for cause in causes() if cause.name in pointed)
    return failed_words(" and ".join(begun_small(step.title) for step in failed), titles)


def failed_words(named: str, points_to: str) -> str:
    """What a check that failed says. named, points_to: checks and causes in words; points_to may be empty."""
    points = f" Points to {points_to}." if points_to else ""
    return f"Failed: {named}.{points} Put right and check again."


def _text(said: str, ruled_out: tuple[Cause, ...], left: tuple[Cause, ...], asked: str) -> str:
    parts = [said] if said else []
    if ruled_out:
        parts.append(f"Ruled out: {_places(ruled_out)}.")
    parts.append(f"Left: {_places(left)}." if left else "Nothing else is left on the list.")
    return " ".join([LEAD, *parts, *filter(None, [asked])])


def _asked(open_steps: tuple[Step, ...], made: Mapping[str, str], cheapest: bool, none_left: str) -> str:
    """What to do now, in the order of doing it."""
    if not open_steps:
        return none_left
    step, *later = open_steps
    again = ", skipped so far" if step.name in made else ""
    text = f"Next {'cheapest ' if cheapest else ''}check: {_costs(step)}{again}"
    return f"{text}." if cheapest or not later or later[0].name in made else f"{text}; then {_costs(later[0])}."


def _costs(step: Step) -> str:
    return f"{begun_small(step.title)}, about {step.minutes} min"


def _places(found: tuple[Cause, ...]) -> str:
    return ", ".join(cause.place for cause in found)
