"""Silence that a phone or an editor left: its edges look like an engine that stops and one that is pulled to life.

The judges look a second back and ahead, so that frames beside it are judged by an edge that no engine made. These take
what is said of the nearest frame that is not; in a long silence nothing runs, since nothing is known.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Span
from enginelog.timeline.states import KINDS, PULL, QUIET, RUN, RUNDOWN, Views

Silent = tuple[tuple[float, float], ...]  # (start, end) in seconds of stretches without sound, in order and apart
SURELY = -20.0  # logit, or logarithm of the probability, of what is not
MISSING = "the sound is missing"
EDGE_S = 0.3  # within which a run begins at the end of a stretch


def looked_at(silent: Silent, limits: LimitSet) -> Silent:
    """The stretches long enough to seem a change: shorter ones are not seen by the judges."""
    return tuple(each for each in silent if each[1] - each[0] >= limits.value("silence_least_s"))


def long_ones(silent: Silent, limits: LimitSet) -> Silent:
    """The stretches so long that nobody can say whether an engine ran on through them."""
    return tuple(each for each in silent if each[1] - each[0] > limits.value("silence_parts_s"))


def held(seen: Views, t_s: np.ndarray, silent: Silent, limits: LimitSet) -> Views:
    """`seen` as if the edges of the stretches `silent` were none: frames (times t_s, (n,)) in one of them, up to
    `silence_before_s` before and `silence_after_s` after take the nearest other frame's place, never across a long one,
    and none is a pull; in a long one it is quiet."""
    if not silent:
        return seen
    lasting = _within(t_s, long_ones(silent, limits))
    wide = tuple(
        (start_s - limits.value("silence_before_s"), end_s + limits.value("silence_after_s"))
        for start_s, end_s in silent
    )
    beside = _within(t_s, wide) | _within(t_s, silent)
    place = _nearest_other(beside, lasting)
    columns = {
        each.name: column[place] for each in fields(Views) if isinstance(column := getattr(seen, each.name), np.ndarray)
    }
    columns["pull"][beside] = np.minimum(columns["pull"][beside], SURELY)
    columns["log_states"][beside, PULL] = SURELY
    columns["engine"][lasting] = SURELY
    columns["log_states"][lasting] = SURELY
    columns["log_states"][lasting, QUIET] = 0.0
    if "unread" in columns:
        columns["unread"][lasting] = SURELY
    return replace(seen, **columns)


def _within(t_s: np.ndarray, stretches: Silent) -> np.ndarray:
    """Which of the ascending times (n,) lie in one of the stretches, mask."""
    out = np.zeros(len(t_s), bool)
    for start_s, end_s in stretches:
        first, past = np.searchsorted(t_s, [start_s, end_s])
        out[first:past] = True
    return out


def _nearest_other(beside: np.ndarray, lasting: np.ndarray) -> np.ndarray:
    """Of each frame the nearest one that is not `beside`, without crossing a `lasting` one; itself where there is none,
    and wherever it is `lasting`: indices (n,)."""
    place = np.arange(len(beside))
    edges = np.flatnonzero(np.diff(lasting.astype(np.int8))) + 1
    for part in np.split(np.arange(len(beside)), edges):
        others = part[~beside[part]]
        if not len(others) or lasting[part[0]]:
            continue
        following = np.searchsorted(others, part)
        before, after = others[np.maximum(following - 1, 0)], others[np.minimum(following, len(others) - 1)]
        place[part] = np.where(np.abs(part - before) <= np.abs(after - part), before, after)
    return place


def parted(marks, t_s: np.ndarray, silent: Silent, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks` (state, first frame, frame after the last) with quiet in each long silence, and what is left of a run
    beside it quiet where that is too short for one; no run-down begins there."""
    lasting = _within(t_s, long_ones(silent, limits))
    if not lasting.any():
        return marks
    states = np.concatenate([np.full(last - first, state) for state, first, last in marks])
    states[lasting] = QUIET
    edges = np.concatenate([[0], np.flatnonzero(np.diff(states)) + 1, [len(states)]])
    least = limits.value("least_run_s") / float(t_s[1] - t_s[0])
    out: list[tuple[int, int, int]] = []
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        state = int(states[first])
        lone = state == RUNDOWN and (not out or out[-1][0] not in (RUN, RUNDOWN))
        if lone or (state == RUN and last - first < least):
            state = QUIET
        if out and out[-1][0] == state:
            first = out.pop()[1]
        out.append((state, first, last))
    return out


def sound_until(at_s: float, silent: Silent) -> float:
    """Until when there is sound from `at_s` on: the beginning of the next stretch; infinite where none follows."""
    return min((max(start_s, at_s) for start_s, end_s in silent if end_s > at_s), default=np.inf)


def at_edge(at_s: float, silent: Silent, before_s: float, after_s: float) -> bool:
    """Whether a moment lies in a stretch, up to `before_s` before it or up to `after_s` after it."""
    return any(start_s - before_s <= at_s <= end_s + after_s for start_s, end_s in silent)


def may_hide_pulls(spans: tuple[Span, ...], silent: Silent) -> bool:
    """Whether pulls may lie in a stretch: unless a run goes on through it, nothing is heard to run after it, or the
    sound of the recording begins after it with no engine running."""
    kinds = (KINDS[RUN], KINDS[PULL])
    last_s = max((span.end_s for span in spans if span.kind in kinds), default=-np.inf)
    runs = [span for span in spans if span.kind == KINDS[RUN]]
    return any(
        end_s < last_s
        and not any(run.start_s < start_s and end_s < run.end_s for run in runs)
        and (start_s > 0.0 or any(abs(run.start_s - end_s) <= EDGE_S for run in runs))
        for start_s, end_s in silent
    )
