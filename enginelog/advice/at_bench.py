"""A job's suggestion: the bench checks by elimination, in the order in which the rules ask for them.

    at_bench({"spark": "pass"}, (Heard(record),), engine) -> Suggestion

The list of bench checks is that of `limits.bench`, which says what is ruled out and what is left; which checks come
next, of that list or not, is decided by the rules of `advise` alone, so that both never say different things. Where the
rules have nothing to go on (no recording, no check failed), the cheapest goes first, there as here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from enginelog.advice.reasoning import advise
from enginelog.advice.unheard import not_here
from enginelog.advice.words import Advice, Heard, Situation
from enginelog.limits import bench
from enginelog.limits.bench import Step, Suggestion
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
        of_bench, amiss or codes, asked, not_here(engine), _none_left(by_rules, bool(heard)), not in_order
    )
    found = replace(found, first=by_rules.first)
    return _with_failed(found, [name for name, result in results.items() if result == "fail" and name not in listed])


def _none_left(advice: Advice, heard: bool) -> str:
    """What is said where the rules ask for no check."""
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


def _with_failed(found: Suggestion, failed: Sequence[str]) -> Suggestion:
    """Checks that only the rules know and that stand as failed are said before all else. Of a trial, which finds no
    fault but tells where to look, nothing is to be put right."""
    known = knowledge.load()
    checks = [known.checks[name] for name in failed if name in known.checks]
    if not checks:
        return found
    text = " ".join([bench.LEAD, *map(_points_to, checks), found.text.removeprefix(f"{bench.LEAD} ")])
    return replace(found, failed=(*found.failed, *(as_step(each) for each in checks if not each.trial)), text=text)


def _points_to(check: Check) -> str:
    """What a failed check of the rules says."""
    causes = "; ".join(knowledge.load().causes[name].title for name in check.fail_points_to)
    if check.trial:
        return f"{check.title}: points to {causes}."
    return f"Failed: {begun_small(check.title)}. Points to {causes}. Put right and check again."
