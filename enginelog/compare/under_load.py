"""Whether one of two runs was under load and the other not: then they differ by that alone."""

from __future__ import annotations

from collections.abc import Sequence

from enginelog.limits import LimitSet
from enginelog.model import Run, Span

TOLD = {"under load": True, "no load": False}  # conditions by which it is told
UNLIKE = "The run {} was under load, the run {}, as far as is known, was not: that alone makes a difference."
RECORD_ALIKE = "Record both without load, where hunting shows most, or both under the same load."


def told_load(conditions: Sequence[str]) -> bool | None:
    """Whether it was told that a run was under load, or that it was not; None where neither or both were told."""
    said = {TOLD[each] for one in conditions if (each := one.casefold().strip()) in TOLD}
    return said.pop() if len(said) == 1 else None


def unlike(before: Run, after: Run, told: tuple[bool | None, bool | None], limits: LimitSet) -> str:
    """That one of the two was under load and the other not, as a sentence; empty where that is not so, or not known.

    told: of each, whether it was told to be under load. Else one counts as under load that was heard to be so for most
    of its running; and where that is so of one alone, and the other's was not told, the other counts as without.
    """
    heard = tuple(_loaded_share(run) >= limits.value("mostly_loaded_share") for run in (before, after))
    first, second = (heard[k] if told[k] is None else told[k] for k in (0, 1))
    known = told[0] is not None and told[1] is not None
    if first == second or not (known or any(one and say is None for one, say in zip(heard, told, strict=True))):
        return ""
    return UNLIKE.format(*(("before", "after") if first else ("after", "before")))


def _loaded_share(run: Run) -> float:
    """The share of its running for which a load was on it, as its being taken and released was heard."""
    spans = [span for span in run.timeline.spans if span.kind == "run"]
    running = sum(span.end_s - span.start_s for span in spans)
    return sum(_loaded_s(run, span) for span in spans) / running if running > 0 else 0.0


def _loaded_s(run: Run, span: Span) -> float:
    """Seconds under load of one stretch of running; one that begins with a release began under load."""
    changes = [(each.at_s, 1) for each in run.measures.loads] + [(each.at_s, -1) for each in run.measures.releases]
    inside = sorted(each for each in changes if span.start_s <= each[0] <= span.end_s)
    depth = 1 if inside and inside[0][1] < 0 else 0
    seconds, since = 0.0, span.start_s
    for at_s, step in [*inside, (span.end_s, 0)]:
        seconds += at_s - since if depth else 0.0
        depth, since = max(depth + step, 0), at_s
    return seconds
