"""A job's suggestion: the bench checks by elimination, in the order in which the rules ask for them.

    at_bench({"spark": "pass"}, (Heard(record),), engine) -> Suggestion

The list of bench checks is that of `limits.bench`; which comes first is decided by the rules of `advise`, so that both
never say different things. Where the rules have nothing to go on (no recording), the cheapest goes first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from enginelog.advice.reasoning import advise
from enginelog.advice.words import Heard, NextCheck, Situation
from enginelog.limits import bench
from enginelog.limits.bench import Suggestion
from enginelog.limits.trade import knowledge
from enginelog.model import Engine

AMISS = ("watch", "fault")


def at_bench(
    results: Mapping[str, str], heard: Sequence[Heard] = (), engine: Engine | None = None, codes: Sequence[str] = ()
) -> Suggestion:
    """What is ruled out, what is left, and what to check next.

    results: by name of bench check. engine: keeps out what such a machine does not have. codes: findings that are not
    well, where the records themselves are not at hand.
    """
    asked = advise(Situation(tuple(heard), dict(results))).checks if heard else ()
    amiss = [one["code"] for each in heard for one in each.record["findings"] if one["verdict"] in AMISS]
    order = [one.check.bench for one in asked if one.check.bench]
    return bench.suggest(results, amiss or codes, order, _before(asked), _not_here(engine))


def _before(asked: Sequence[NextCheck]) -> str:
    """The check the rules ask for before any bench check, in words; empty where a bench check is first."""
    if not asked or asked[0].check.bench:
        return ""
    return f"{asked[0].check.title}, about {asked[0].check.minutes} min"


def _not_here(engine: Engine | None) -> frozenset[str]:
    """Causes of the bench checks' table that such an engine cannot have: valves on a two-stroke."""
    if engine is None:
        return frozenset()
    possible: dict[str, bool] = {}
    strokes = 0 if "strokes" in engine.assumed else engine.strokes
    for cause in knowledge.load().causes.values():
        here = engine.machine not in cause.not_machines and (
            not cause.strokes or not strokes or cause.strokes == strokes
        )
        possible[cause.bench] = possible.get(cause.bench, False) or here
    return frozenset(name for name, here in possible.items() if name and not here)
