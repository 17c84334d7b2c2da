"""Whether an engine that started ran on: which of its runs ended and were followed by another start."""

from __future__ import annotations

from enginelog.compare.events import starts_heard
from enginelog.findings.startstop import runs_heard
from enginelog.limits import LimitSet
from enginelog.model import Run


def lengths(run: Run) -> list[float]:
    """Seconds of each run, in order; those parted by nothing but missing sound as one, as in its own report."""
    return [span.end_s - span.start_s for span in runs_heard(run.timeline, run.quality.silent_s)]


def ended(run: Run, cleaning: LimitSet) -> list[float]:
    """Seconds of each run that ended and was followed by another start, or by pulls that led to none.

    False starts belong to the starting of the next run; they count where no run was longer than one. How long one ran
    that was running as the recording began, nobody knows.
    """
    every = lengths(run)
    over = every if run.timeline.pulls_after else every[:-1]
    short = cleaning.value("false_start_s")
    if max(every, default=0.0) < short:
        return over
    first = over[:1] if not starts_heard(run.timeline) else [one for one in over[:1] if one >= short]
    return first + [one for one in over[1:] if one >= short]


def ran_on(run: Run, least_s: float) -> bool:
    """Whether its last run lasted, and longer than any before it: one that stopped after 20 s may do so again."""
    *earlier, last = lengths(run) or [0.0]
    return not run.timeline.pulls_after and last >= max(least_s, *earlier, 0.0)


def stood_on(run: Run, limits: LimitSet) -> bool:
    """Whether it was recorded for seconds on after its last run had ended: pulls in vain there may be too faint to be
    heard."""
    last = [span for span in run.timeline.spans if span.kind == "run"][-1:]
    return bool(last) and run.timeline.spans[-1].end_s - last[0].end_s >= limits.value("stood_on_s")
