"""Which pulls belong to the start of the last run: not those of a run before it that went on by itself."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span
from enginelog.model.course import before_run, last_run_s


def begun_s(spans: tuple[Span, ...], limits: LimitSet) -> float:
    """From when on what is heard belongs to the start of the last run, seconds: the end of the last run before it that
    went on for `sustained_run_s` and was followed by a pull; minus infinity where there is none.

    Shorter runs are false starts of the same attempt, and a run that no pull parts from the next is the same one, heard
    again.
    """
    runs = [span for span in spans if span.kind == "run"]
    pulled = _last_pull_before_last_run(spans)
    if pulled is None:
        return -np.inf
    sustained = limits.value("sustained_run_s")
    ended = [run.end_s for run in runs[:-1] if run.end_s - run.start_s >= sustained and run.end_s <= pulled.start_s]
    return max(ended, default=-np.inf)


def since(spans: tuple[Span, ...], begun_s: float) -> tuple[Span, ...]:
    """The spans that begin at `begun_s` or later."""
    return tuple(span for span in spans if span.start_s >= begun_s)


def seconds_to_run(spans: tuple[Span, ...], limits: LimitSet) -> float | None:
    """From the first pull of the start of the last run, false starts and all, to the run that its last pull led to;
    None where no pull led to one."""
    last = _last_pull_before_last_run(spans)
    if last is None:
        return None
    first = next(span for span in since(spans, begun_s(spans, limits)) if span.kind == "pull")
    return next(span.start_s for span in spans if span.kind == "run" and span.start_s > last.start_s) - first.start_s


def _last_pull_before_last_run(spans: tuple[Span, ...]) -> Span | None:
    if last_run_s(spans) is None:
        return None
    return next((span for span in before_run(spans)[::-1] if span.kind == "pull"), None)
