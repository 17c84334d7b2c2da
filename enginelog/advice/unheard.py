"""What to check where nothing was heard and no rule asks for anything: the bench checks, the cheapest first."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from enginelog.advice.words import NextCheck
from enginelog.limits import bench
from enginelog.limits.trade import knowledge
from enginelog.limits.trade.knowledge import Cause, Knowledge
from enginelog.model import Engine


def cheapest_first(
    known: Knowledge,
    made: Mapping[str, str],
    skipped: Collection[str],
    engine: Engine | None,
    out: Collection[str] = (),
) -> tuple[NextCheck, ...]:
    """The bench checks that are open, in the order of their table (`limits.bench`).

    made: results by name of check. skipped: names of checks left out for now, which come last. engine: keeps out what
    it cannot have. out: causes off the list, by checks that their table does not know.
    """
    of_bench = {check.bench: check for check in known.checks.values() if check.bench}
    results = {name: made.get(check.name, "not_checked") for name, check in of_bench.items()
               if check.name in made or check.name in skipped}  # fmt: skip
    order = bench.suggest(results, not_here=not_here(engine) | _all_in(known, out)).open_steps

    def here(names: Collection[str]) -> tuple[Cause, ...]:
        return tuple(known.causes[name] for name in names if engine is None or can_be(known.causes[name], engine))

    checks = [of_bench[step.name] for step in order]
    machine = engine.machine if engine else None
    return tuple(NextCheck(each, here(each.pass_rules_out), here(each.fail_points_to), machine) for each in checks)


def _all_in(known: Knowledge, out: Collection[str]) -> frozenset[str]:
    """Causes of the bench checks' table of which all that they stand for is among these."""
    left = {cause.bench for cause in known.causes.values() if cause.name not in out}
    return frozenset({cause.bench for cause in known.causes.values()} - left)


def can_be(cause: Cause, engine: Engine) -> bool:
    """Whether such an engine can have this cause: no valves on a two-stroke. Strokes not told rule out nothing."""
    strokes = 0 if "strokes" in engine.assumed else engine.strokes
    return engine.machine not in cause.not_machines and (not cause.strokes or not strokes or cause.strokes == strokes)


def steps_here(engine: Engine | None) -> tuple[bench.Step, ...]:
    """The checks of the bench checks' table that bear on anything such an engine has."""
    missing = not_here(engine)
    return tuple(step for step in bench.steps() if not missing.issuperset(step.pass_rules_out))


def not_here(engine: Engine | None) -> frozenset[str]:
    """Causes of the bench checks' table that such an engine cannot have."""
    if engine is None:
        return frozenset()
    possible: dict[str, bool] = {}
    for cause in knowledge.load().causes.values():
        possible[cause.bench] = possible.get(cause.bench, False) or can_be(cause, engine)
    return frozenset(name for name, here in possible.items() if name and not here)
