"""Whether an engine was heard running by itself, how sure that is, and what was heard instead."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.timeline.activity import Activity
from enginelog.timeline.cues import block_levels
from enginelog.timeline.states import QUIET, RUN, RUNDOWN, Views


def confidence_of(marks, seen: Views, limits: LimitSet) -> tuple[float, list[tuple[int, int, int]]]:
    """Confidence in the answer and the marks with the unlikely runs made quiet.

    Where an engine was heard the confidence is the probability of one, and at least `heard_from`, which lies below one
    half: rather a doubtful "heard" than a lost recording. Where none was heard it is the probability of none.
    """
    scores = {mark: run_score(seen.engine[mark[1] : mark[2]], limits) for mark in marks if mark[0] == RUN}
    likely = {mark: probability(score) for mark, score in scores.items()}
    weak = {mark for mark, chance in likely.items() if chance < limits.value("heard_from")}
    if len(weak) < len(likely):
        return max(likely.values()), quietened(marks, weak)
    best = max([*likely.values(), probability(run_score(best_stretch(seen.engine), limits))])
    return 1.0 - min(best, 0.5), quietened(marks, weak)


def probability(logit: float) -> float:
    """0..1 from a logit."""
    return float(1.0 / (1.0 + np.exp(-logit)))


def best_stretch(logits: np.ndarray, frames: int = 60) -> np.ndarray:
    """The three seconds with the highest mean logit."""
    size = min(frames, len(logits))
    total = np.cumsum(np.concatenate([[0.0], np.clip(logits, -8, 8)]))
    first = int(np.argmax(total[size:] - total[:-size]))
    return logits[first : first + size]


def quietened(marks, runs: set) -> list[tuple[int, int, int]]:
    """`marks` with the given runs, and the run-downs right after them, made quiet."""
    out: list[tuple[int, int, int]] = []
    after_weak = False
    for state, first, last in marks:
        weak = (state, first, last) in runs or (after_weak and state == RUNDOWN)
        after_weak = weak
        state = QUIET if weak else state
        if out and out[-1][0] == state:
            out[-1] = (state, out[-1][1], last)
        else:
            out.append((state, first, last))
    return out


def run_score(logits: np.ndarray, limits: LimitSet) -> float:
    """Logit that a run is an engine's: mean of the frames' logits, less for a short one."""
    middle = float(np.mean(np.clip(logits, -8, 8)))
    scale, shift = limits.value("heard_scale"), limits.value("heard_shift")
    short = limits.value("heard_short") / np.sqrt(max(len(logits), 1))
    return float(np.clip(scale * (middle - shift - short), -limits.value("sure_score"), limits.value("sure_score")))


def reason_for(activity: Activity, pulls: int, limits: LimitSet) -> str:
    """In plain words why no engine was heard: only what the levels can tell."""
    if pulls:
        times = "one pull of the starter was" if pulls == 1 else f"{pulls} pulls of the starter were"
        return f"{times} heard, but no engine running by itself"
    level, within, shape, flat, _, middle, _ = block_levels(activity).astype(float).T
    if np.percentile(level, 95) < limits.value("faint_db"):
        return "next to nothing was heard: the recording is silent or far too faint"
    if np.std(level) > limits.value("moving_db") and np.mean(shape) > limits.value("moving_shape_db"):
        return "changing sounds such as talk or music were heard, but no regular firing"
    steady = np.std(level) < limits.value("steady_db") and np.median(flat) < limits.value("rush_flatness")
    if steady or np.median(flat) < limits.value("tone_flatness"):
        return "tones or a hum were heard, without the beat of firing"
    if np.percentile(level, 95) - np.percentile(level, 25) > limits.value("knocks_db") and np.median(within) < 2.5:
        return "separate sounds with quiet between them were heard, but no regular firing"
    if np.median(flat) > limits.value("rush_flatness") and np.std(level) < limits.value("rush_db"):
        return "a rushing sound such as rain or wind was heard, but no regular firing"
    return "no regular firing was heard"
