"""Signs, causes, checks, questions and rules: read, held to one another, extended by a file of the user's own.

    load() -> Knowledge                    load([("mine.toml", text)]) -> with the user's own causes, checks, rules

A user's file may hold [[cause]], [[check]], [[question]] and [[rule]] entries of the same form as the files beside this
module. Its rules may name everything that is built in; `replaces` silences a built-in rule. An error names the line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from enginelog.limits import bench
from enginelog.limits.trade import cautions, reading
from enginelog.limits.trade.machines import KINDS
from enginelog.model import BenchCheck, UsageError

RESULTS = {"pass": "passed", "fail": "failed", "not_checked": "not checked"}
OWN_KINDS = ("cause", "check", "question", "rule")


@dataclass(frozen=True)
class Sign:
    """Something rules may ask for. from_: heard in a recording, or told of the machine."""

    name: str
    means: str
    source: str = "heard"


@dataclass(frozen=True)
class Cause:
    """Something that may be wrong; mimic: no fault of the engine at all. bench: its name in the bench checks' table.

    strokes: only engines of so many have it (0: all). not_machines: kinds that do not.
    ends: once it is shown, no further check is worth making before it is put right, or the machine given up.
    """

    name: str
    place: str
    title: str
    why: str
    source: str
    mimic: bool = False
    bench: str = ""
    strokes: int = 0
    not_machines: tuple[str, ...] = ()
    ends: bool = False


@dataclass(frozen=True)
class Check:
    """One check: how it is made, what it costs in minutes, what a pass and a fail say, which cautions it needs.

    trial: its result is an observation that points on; its failing is no fault to be put right. found: what its pass
    and its fail are called then (none: passed, failed).
    runs: the engine must run for it, so that it is no check of one that does not start.
    hurts: whoever uses the machine while it fails can be hurt by it.
    when: signs of which one must be found for it to be worth making (none: always).
    same_as: the answers that say the same as a pass and as a fail; such a check is a trial, not a look at the part.
    """

    name: str
    title: str
    how: str
    minutes: int
    pass_rules_out: tuple[str, ...]
    fail_points_to: tuple[str, ...]
    if_pass: str
    if_fail: str
    cautions: tuple[str, ...]
    source: str
    pass_points_to: tuple[str, ...] = ()
    fail_rules_out: tuple[str, ...] = ()
    when: tuple[str, ...] = ()
    same_as: tuple[str, ...] = ()
    machines: tuple[str, ...] = ()
    bench: str = ""
    runs: bool = False
    hurts: bool = False
    trial: bool = False
    found: tuple[str, ...] = ()

    @property
    def decides(self) -> frozenset[str]:
        """Causes that one of its results settles; of a check that settles none, those to which its failing points."""
        settled = frozenset((*self.pass_rules_out, *self.pass_points_to, *self.fail_rules_out))
        return settled or frozenset(self.fail_points_to)

    @property
    def bears_on(self) -> frozenset[str]:
        """Causes about which its result says anything."""
        return frozenset((*self.pass_rules_out, *self.fail_points_to, *self.pass_points_to, *self.fail_rules_out))


@dataclass(frozen=True)
class Question:
    """Something only the user knows. asked_for: signs of which one makes it worth asking; machines: of these alone."""

    name: str
    text: str
    answers: tuple[str, ...]
    asked_for: tuple[str, ...]
    why: str
    source: str
    machines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rule:
    """From signs to causes: speaks when all of `all`, one of `any` and none of `none` are found.

    danger: its likely causes can hurt somebody and go before all else.
    """

    name: str
    title: str
    means: str
    source: str
    all: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    none: tuple[str, ...] = ()
    likely: tuple[str, ...] = ()
    possible: tuple[str, ...] = ()
    seldom: tuple[str, ...] = ()
    rules_out: tuple[str, ...] = ()
    replaces: tuple[str, ...] = ()
    cannot: str = ""
    danger: bool = False

    @property
    def conditions(self) -> tuple[str, ...]:
        return (*self.all, *self.any, *self.none)

    @property
    def causes(self) -> tuple[str, ...]:
        return (*self.likely, *self.possible, *self.seldom)


@dataclass(frozen=True)
class Knowledge:
    """All of it by name, in the order of the files. files: the user's own files among them."""

    signs: Mapping[str, Sign]
    causes: Mapping[str, Cause]
    checks: Mapping[str, Check]
    questions: Mapping[str, Question]
    rules: Mapping[str, Rule]
    files: tuple[str, ...] = ()


@cache
def _built_in() -> tuple[reading.Table, ...]:
    found: list[reading.Table] = []
    for kind in ("sign", *OWN_KINDS):
        name = f"{kind}s.toml"
        found += reading.tables(reading.own_text(name), name, (kind,))
    return tuple(found)


def load(own: Iterable[tuple[str, str]] = ()) -> Knowledge:
    """The built-in knowledge and that of the user's files, each given as (name, text).

    TradeFileError, with file and line, where a file is no TOML, an entry lacks something, names something that is not
    there, or advises against a caution.
    """
    return _load(tuple(own))


@cache
def _load(named: tuple[tuple[str, str], ...]) -> Knowledge:
    found = list(_built_in())
    for name, text in named:
        found += reading.tables(text, name, OWN_KINDS)
    made: dict[str, dict[str, Any]] = {
        kind.__name__.lower(): reading.by_name(kind, tuple(t for t in found if t.kind == kind.__name__.lower()))
        for kind in (Cause, Check, Question, Rule)
    }
    signs = {str(t.values["name"]): _sign(t) for t in found if t.kind == "sign"}
    known = Knowledge(
        signs=MappingProxyType(signs),
        causes=MappingProxyType(made["cause"]),
        checks=MappingProxyType(made["check"]),
        questions=MappingProxyType(made["question"]),
        rules=MappingProxyType(made["rule"]),
        files=tuple(name for name, _ in named),
    )
    for table in found:
        _hold(table, known)
    return known


def check_named(name: str) -> str:
    """The name under which a check is kept: a bench check, or any other the rules ask for, by name or by title.

    Hyphens, spaces and capitals do not matter. UsageError, with the names of the bench checks, else.
    """
    wanted = bench.plain_name(name)
    if wanted in {step.name for step in bench.steps()}:
        return wanted
    for check in load().checks.values():
        if wanted in (check.name, bench.plain_name(check.title)):
            return check.bench or check.name
    known = ", ".join(step.name.replace("_", "-") for step in bench.steps())
    raise UsageError(
        f"check '{name}' is not known; one of these expected: {known}, or the title of another that is asked for"
    )


def check_titles() -> dict[str, str]:
    """How each check is called on paper, by the name under which it is kept: the bench's own title goes first."""
    trade = {each.name: each.title for each in load().checks.values()}
    return trade | {each.name: each.title for each in bench.steps()}


def result_words(name: str, result: str) -> str:
    """A result on record in a word or two, by the name of its check: a trial neither passes nor fails, it helped or did
    not."""
    check = load().checks.get(name)
    if check is not None and check.found and result in ("pass", "fail"):
        return check.found[0 if result == "pass" else 1]
    return RESULTS[result]


def is_trial(name: str) -> bool:
    """Whether a check, by its name, is a trial, whose failing is no fault."""
    check = load().checks.get(name)
    return check is not None and check.trial


def results_of(checks: Iterable[BenchCheck]) -> dict[str, str]:
    """The newest result of each check made, from entries in order of time; checks nobody knows are left out.

    One skipped after it failed stands as failed: a skip says nothing of what was seen, and what can hurt must not be
    gone by it.
    """
    known = {step.name for step in bench.steps()} | set(load().checks)
    found: dict[str, str] = {}
    for check in checks:
        if check.step in known and not (check.result == "not_checked" and found.get(check.step) == "fail"):
            found[check.step] = check.result
    return found


def _sign(table: reading.Table) -> Sign:
    values = {"source" if name == "from" else name: value for name, value in table.values.items()}
    return reading.build(Sign, reading.Table(table.file, table.kind, table.line, values, table.lines))


def _hold(table: reading.Table, known: Knowledge) -> None:
    """Hold one entry to the rest: what it names is there, and what it says contradicts no caution."""
    _hold_names(table, known)
    for key, value in table.values.items():
        wrong = cautions.contradictions(value) if isinstance(value, str) else ()
        if wrong:
            raise table.wrong(f"'{key}' advises against a caution ({wrong[0]})", key)
    if table.kind == "check":
        check = known.checks[table.values["name"]]
        lacking = [name for name in cautions.needed(check.how) if name not in check.cautions]
        if lacking:
            raise table.wrong(f"speaks of what the caution '{lacking[0]}' is about: name it under 'cautions'", "how")
    if table.kind == "rule":
        rule = known.rules[table.values["name"]]
        if not (rule.all or rule.any):
            raise table.wrong("neither 'all' nor 'any' is given, so it would never speak")
        if not (rule.causes or rule.rules_out):
            raise table.wrong("it names no cause: give 'likely', 'possible', 'seldom' or 'rules_out'")


def _hold_names(table: reading.Table, known: Knowledge) -> None:
    causes, kinds = tuple(known.causes), KINDS
    answers = tuple(f"{q.name}={answer}" for q in known.questions.values() for answer in q.answers)
    results = tuple(f"check.{name}={result}" for name in known.checks for result in ("pass", "fail"))
    conditions = (*known.signs, *answers, *results, *(f"machine={kind}" for kind in kinds))
    allowed: dict[str, tuple[str, ...]] = {
        **dict.fromkeys(("all", "any", "none", "when"), conditions),
        **dict.fromkeys(("likely", "possible", "seldom", "rules_out"), causes),
        **dict.fromkeys(("pass_rules_out", "fail_points_to", "pass_points_to", "fail_rules_out"), causes),
        "replaces": tuple(known.rules),
        "cautions": tuple(caution.name for caution in cautions.cautions()),
        "machines": kinds,
        "not_machines": kinds,
        "same_as": answers,
        "asked_for": tuple(known.signs),
    }
    for key, names in allowed.items():
        for name in table.values.get(key, ()):
            if name not in names:
                raise table.wrong(f"'{key}' names '{name}', which is not known{_near(name, names)}", key)
    if table.kind == "check" and table.values.get("bench"):
        bench.step_named(table.values["bench"])


def _near(name: str, names: tuple[str, ...]) -> str:
    import difflib

    near = difflib.get_close_matches(name, names, 1)
    return f" (is '{near[0]}' meant?)" if near else ""
