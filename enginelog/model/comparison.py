"""The words of a comparison: two runs in, one verdict for each measure out."""

from __future__ import annotations

from dataclasses import dataclass

# What can be said of a measure. `changed`: it differs, and neither way is better by itself.
COMPARED = ("better", "worse", "same", "changed", "cannot_tell")


@dataclass(frozen=True)
class Difference:
    """One measure of two runs.

    code: name of the measure; label: the same in plain words; unit: of all its numbers.
    before, after: the values, None where not known. difference: after - before; low, high: its interval, made
    so wide that those of all measures of the pair together hold in 95 %, and what the verdict is drawn from.
    verdict: one of COMPARED. least: the smallest difference that matters here (same unit), source: where that is from.
    short: both values in a few words. text: what it comes to, in plain words; for `cannot_tell` the reason.
    """

    code: str
    label: str
    unit: str
    verdict: str
    text: str
    before: float | None = None
    after: float | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    least: float | None = None
    source: str | None = None
    short: str = ""


@dataclass(frozen=True)
class Compared:
    """One of the two recordings: its name and hash, in a few words what was heard in it, and the codes of its findings
    that are a fault, and of those to be watched."""

    name: str
    sha256: str
    heard: str
    faults: tuple[str, ...] = ()
    watches: tuple[str, ...] = ()


@dataclass(frozen=True)
class Comparison:
    """Before against after.

    comparable: whether the runs as a whole can be held against each other; where not, `reason` says why, `advice`
        what to record to make it possible, and `measures` holds only what stands by itself all the same.
    verdict: better, worse, same, mixed (some better, some worse) or cannot_tell, over all measures.
    summary: the answer in a sentence or two. notes: what to keep in mind, such as differing conditions.
    limits_used: each limit by name. left_open: codes of what was amiss before and is not shown to be gone after.
    short: the summary without what stayed the same and what is open, for whoever owns the machine. lead: what is said
    first where that is no verdict on measures: that it starts now or no longer does, or (turn) that its speed was put
    right or went wrong. stopped: after the work it stopped and was started again.
    """

    comparable: bool
    verdict: str
    summary: str
    before: Compared
    after: Compared
    measures: tuple[Difference, ...] = ()
    reason: str | None = None
    advice: str | None = None
    notes: tuple[str, ...] = ()
    limits_used: tuple[tuple[str, float], ...] = ()
    left_open: tuple[str, ...] = ()
    short: str = ""
    lead: str = ""
    turn: bool = False
    stopped: bool = False
