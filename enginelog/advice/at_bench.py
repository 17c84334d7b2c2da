"""A job's suggestion: the bench checks by elimination, in the order in which the rules ask for them.

    at_bench({"spark": "pass"}, (Heard(record),), engine) -> Suggestion

The list of bench checks is that of `limits.bench`; what of its causes is ruled out and left, and which checks come
next, of that list or not, is decided by the rules of `advise` alone, so that both never say different things. Where the
rules have nothing to go on (no recording, no check failed), the cheapest goes first, there as here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from enginelog.advice.reasoning import advise
from enginelog.advice.unheard import can_be, not_here
from enginelog.advice.words import Advice, Heard, Situation
from enginelog.limits import bench
from enginelog.limits.bench import Settled, Step, Suggestion
from enginelog.limits.trade import knowledge
from enginelog.limits.trade.cautions import in_short, of_machine
from enginelog.limits.trade.knowledge import Check
from enginelog.model import Engine
from enginelog.model.wording import begun_large, begun_small

AMISS = ("watch", "fault")


def at_bench(
    results: Mapping[str, str],
    heard: Sequence[Heard] = (),
    engine: Engine | None = None,
    codes: Sequence[str] = (),
    by_rules: Advice | None = None,
) -> Suggestion:
    """What is ruled out, what is left, what to check next, and before all else what can hurt.

    results: by name of check, also of those that only the rules know. engine: keeps out what such a machine does not
    have. codes: findings that are not well, where the records themselves are not at hand. by_rules: what the
    rules say to all that, where they were asked already.
    """
    by_rules = by_rules or advise(Situation(tuple(heard), dict(results), engine=engine))
    in_order = bool(heard or by_rules.causes)
    asked = None if codes and not in_order else [_step(each.check, each.machine) for each in by_rules.checks]
    amiss = [one["code"] for each in heard for one in each.record["findings"] if one["verdict"] in AMISS]
    listed = {step.name for step in bench.steps()}
    known = listed | {step.name for step in asked or ()}
    of_bench = {name: result for name, result in results.items() if name in known}
    found = bench.suggest(
        of_bench, amiss or codes, asked, not_here(engine), _none_left(by_rules, bool(heard)), not in_order,
        _settled(by_rules, engine),
    )  # fmt: skip
    put_right = [check for check in by_rules.failed if not check.trial and not check.bench]
    return replace(found, first=by_rules.first, failed=(*found.failed, *map(as_step, put_right)))


def _settled(by_rules: Advice, engine: Engine | None) -> Settled:
    """The causes of the bench checks' table, as far as the rules have settled what each stands for.

    One that stands for several of theirs, of which only some are settled, is named by those: a spark that is there
    says nothing of the plug, a clean filter nothing of the gasket behind it.
    """
    out = {each.cause.name for each in by_rules.ruled_out}
    pointed = {each.cause.name for each in by_rules.causes if each.rank == "pointed_to"}
    sides: tuple[list[bench.Cause], list[bench.Cause], list[bench.Cause]] = ([], [], [])
    for cause in bench.causes():
        stands_for = _stands_for(cause.name, engine)
        settled = [[name for name in stands_for if name in each] for each in (out, pointed)]
        left = [name for name in stands_for if name not in out | pointed]
        for side, some in zip(sides, (*settled, left), strict=True):
            if some:
                side.append(cause if some == stands_for else _part_of(cause, some))
    ruled_out, pointed_to, open_still = map(tuple, sides)
    return Settled(ruled_out, pointed_to, open_still, _failed_words(by_rules.failed, pointed, engine))


def _stands_for(name: str, engine: Engine | None) -> list[str]:
    """The rules' causes for which a cause of the table stands, of those that such an engine can have."""
    known = knowledge.load().causes.values()
    return [each.name for each in known if each.bench == name and (engine is None or can_be(each, engine))]


def _part_of(cause: bench.Cause, names: Sequence[str]) -> bench.Cause:
    """A cause of the table, named by those of the rules' causes that are meant."""
    meant = [knowledge.load().causes[name] for name in names]
    return replace(cause, place=", ".join(each.place for each in meant), title="; ".join(each.title for each in meant))


def _failed_words(failed: Sequence[Check], pointed: set[str], engine: Engine | None) -> str:
    """What each failed check says, less what has been ruled out since. Of a trial, which finds no fault but tells where
    to look, nothing is to be put right."""
    said = []
    for check in failed:
        titles = "; ".join(_titles([name for name in check.fail_points_to if name in pointed], engine))
        if not check.trial:
            title = bench.step_named(check.bench).title if check.bench else check.title
            said.append(bench.failed_words(begun_small(title), titles))
        elif titles:
            said.append(f"{check.title}: points to {titles}.")
    return " ".join(said)


def _titles(names: Sequence[str], engine: Engine | None) -> list[str]:
    """Causes of the rules in words: those that make up a whole one of the bench checks' table by its name."""
    known, of_table = knowledge.load().causes, {each.name: each for each in bench.causes()}
    said = []
    for name in names:
        whole = of_table.get(known[name].bench)
        all_meant = whole is not None and set(_stands_for(whole.name, engine)) <= set(names)
        said.append(whole.title if whole is not None and all_meant else known[name].title)
    return list(dict.fromkeys(said))


def _none_left(advice: Advice, heard: bool) -> str:
    """What is said where the rules ask for no check."""
    if advice.ended:
        return advice.ended
    if any(each.rule.danger for each in advice.matched):
        return "No check that is left shows why what was heard can hurt: it takes a workshop."
    return "" if heard and not advice.matched else bench.ALL_MADE


def _step(check: Check, machine: str | None) -> Step:
    """A check of the rules as the bench's table has it, where it has it."""
    return bench.step_named(check.bench) if check.bench else as_step(check, machine)


def as_step(check: Check, machine: str | None = None) -> Step:
    """A check of the rules in the form of a bench check, without the cautions for other kinds of machine."""
    care = in_short(of_machine(check.cautions, machine))
    return Step(
        check.name, check.title, check.how, check.minutes, (), (), (), f"{begun_large(care)}.",
        "common practice", check.source,
    )  # fmt: skip
