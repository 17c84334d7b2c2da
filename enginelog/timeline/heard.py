"""Whether an engine was heard running by itself, how sure that is, and what was heard instead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.logistic import probability
from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import Track
from enginelog.timeline.states import PULL, QUIET, RUN, RUNDOWN, Views, stretches
from enginelog.timeline.traces import Traces
from enginelog.timeline.trills import of_engine

SECOND = 21  # frames
MUSIC_ALONE = (
    "music was heard, but no regular firing; amid it no pulls of a starter are counted: record again without it"
)
TRILL_ALONE = (
    "something beats as evenly as an engine, but narrowly and high in the sound, as insects, frogs or a ratchet do"
)
ENDS = [(QUIET, 0, 0)]  # what stands before and after all marks


def confidence_of(marks, seen: Views, limits: LimitSet) -> tuple[float, list[tuple[int, int, int]]]:
    """Confidence in the answer and the marks with the unlikely runs made quiet.

    Where an engine was heard the confidence is the probability of one, and at least `heard_from`, which lies below one
    half: rather a doubtful "heard" than a lost recording. Where none was heard it is the probability of none.
    """
    scores = {mark: run_score(seen, mark[1], mark[2], limits) for mark in marks if mark[0] == RUN}
    likely = {mark: float(probability(score)) for mark, score in scores.items()}
    asked = {mark: asked_of(marks, mark, seen.hop_s, limits) for mark in likely}
    weak = {mark for mark, chance in likely.items() if chance < asked[mark]}
    if len(weak) < len(likely):
        return max(sure_of(seen, mark, chance, limits) for mark, chance in likely.items()), quietened(marks, weak)
    best = max([*likely.values(), float(probability(run_score(seen, *best_stretch(seen.engine), limits)))])
    return 1.0 - min(best, 0.5), quietened(marks, weak)


def sure_of(seen: Views, run: tuple[int, int, int], chance: float, limits: LimitSet) -> float:
    """Confidence in a run that is an engine's as likely as `chance`: that a speed is read may tell of an engine, but
    never surely, since a perfectly even tone is read, too."""
    if seen.unread is None:
        return chance
    otherwise = run_score(replace(seen, engine=seen.unread), run[1], run[2], limits)
    return min(chance, max(float(probability(otherwise)), limits.value("read_most")))


def asked_of(marks, run: tuple[int, int, int], hop_s: float, limits: LimitSet) -> float:
    """Probability of an engine from which a run counts: more where it is short and most of the recording is none, and
    yet more where a pull leads to it, since a crank that a starter has turned goes on turning."""
    if is_short(run, hop_s, limits) and is_pulled(marks, run, hop_s, limits):
        return limits.value("short_run_heard")
    return limits.value("short_run_alone" if is_lone(marks, run, hop_s, limits) else "heard_from")


def is_short(run: tuple[int, int, int], hop_s: float, limits: LimitSet) -> bool:
    """Whether a run is so short that something else may be taken for one."""
    return (run[2] - run[1]) * hop_s < limits.value("short_run_s")


def is_pulled(marks, run: tuple[int, int, int], hop_s: float, limits: LimitSet) -> bool:
    """Whether a pull leads to a run."""
    near = limits.value("short_run_near_s") / hop_s
    return any(state == PULL and 0 <= run[1] - last <= near for state, _, last in marks)


def is_lone(marks, run: tuple[int, int, int], hop_s: float, limits: LimitSet) -> bool:
    """Whether a run is short, no pull leads to it and most of the recording is none of it: a note that somebody sings
    or holds in speaking may be as even and as clear as firings."""
    if not is_short(run, hop_s, limits) or is_pulled(marks, run, hop_s, limits):
        return False
    return run[2] - run[1] < marks[-1][2] / 2


def most_of(marks, hop_s: float, limits: LimitSet) -> float:
    """Highest confidence that the runs of a whole recording allow: little where each is a lone one."""
    lone = all(is_lone(marks, mark, hop_s, limits) for mark in marks if mark[0] == RUN)
    return limits.value("short_alone_most") if lone else 1.0


def by_rhythm(marks, seen: Views, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks` with runs where the rhythm alone says so, for a recording in which the levels showed none.

    In noise as loud as the engine its level tells nothing. Pulls stay what they are; nothing changes where the
    likeliest stretch falls short of `heard_alone`.
    """
    if any(mark[0] == RUN for mark in marks):
        return marks
    first, last = best_stretch(seen.engine)
    if probability(run_score(seen, first, last, limits)) < limits.value("heard_alone"):
        return marks
    states = frame_by_frame(marks)
    level = min(0.0, float(np.mean(np.clip(seen.engine[first:last], -8.0, 8.0))) - 0.5)
    running = moving_mean(np.clip(seen.engine, -8.0, 8.0), min(41, len(states))) > level
    states[running & (states != PULL)] = RUN
    return stretches(states)


def grown(marks, seen: Views, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks` with runs that reach over the quiet about them as far as the rhythm goes on.

    In noise the levels show the loud part of a run only. How sure the speed of a frame is does not count: it is least
    where the noise is loudest.
    """
    width = min(SECOND, len(seen.engine))
    going = moving_mean(np.clip(seen.engine, -8.0, 8.0), width) > limits.value("grow_logit")
    states = frame_by_frame(marks)
    open_to_run = going & (states == QUIET)
    for state, first, last in marks:
        if state == RUN:
            before, after = open_to_run[:first][::-1], open_to_run[last:]
            reach_back = len(before) if before.all() else int(np.argmin(before))
            reach_on = len(after) if after.all() else int(np.argmin(after))
            states[first - reach_back : last + reach_on] = RUN
    return stretches(states)


def read_on(marks, seen: Views, track: Track, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks` with the runs of an engine that reach over the quiet about them in which a speed is read all the same.

    In noise neither the level nor the rhythm need show that an engine goes on; what beats as one does is then enough,
    where the rhythm says nothing strong against it, as it does of music. Nothing goes on after a run-down.
    """
    known, states = np.isfinite(track.rpm), frame_by_frame(marks)
    dense = moving_mean(known.astype(float), min(SECOND, len(known))) >= limits.value("read_on_share")
    longest = limits.value("read_on_gap_s") / seen.hop_s
    for (before, _, _), (state, first, last), (after, _, _) in zip(ENDS + marks, marks, marks[1:] + ENDS, strict=False):
        read = first + np.flatnonzero((known & dense)[first:last])
        if state != QUIET or len(read) < limits.value("read_on_least"):
            continue
        if np.mean(np.clip(seen.engine[read], -8.0, 8.0)) < limits.value("read_on_logit"):
            continue
        if after == RUN and before != RUNDOWN and last - read[-1] <= longest:
            states[read[0] : last] = RUN
        if before == RUN and read[0] - first <= longest:
            states[first : read[-1] + 1] = RUN
    return stretches(states)


def frame_by_frame(marks) -> np.ndarray:
    """The state of each frame, shape (n,): the other way round than `stretches`."""
    return np.concatenate([np.full(last - first, state) for state, first, last in marks])


def best_stretch(logits: np.ndarray, frames: int = 60) -> tuple[int, int]:
    """First frame, and frame after the last, of the three seconds with the highest mean logit."""
    size = min(frames, len(logits))
    total = np.cumsum(np.concatenate([[0.0], np.clip(logits, -8, 8)]))
    first = int(np.argmax(total[size:] - total[:-size]))
    return first, first + size


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


def run_score(seen: Views, first: int, last: int, limits: LimitSet) -> float:
    """Logit that a run is an engine's: the mean of its frames, less for a short stretch, mains hum and a trill."""
    score = limits.value("heard_scale") * mean_less_short(seen.engine[first:last], limits)
    if hums(seen, first, last, limits):
        score -= limits.value("mains_doubt")
    score -= trill_doubt(seen, first, last, limits)
    return float(np.clip(score, -limits.value("sure_score"), limits.value("sure_score")))


def trill_doubt(seen: Views, first: int, last: int, limits: LimitSet) -> float:
    """Logit that a run loses for beating as a trill does: nothing unless it is hardly an engine's (`trill_from`)."""
    if seen.broad is None:
        return 0.0
    short = limits.value("trill_from") - of_engine(seen.broad[first:last], seen.engine[first:last])
    return limits.value("trill_worth") * max(short, 0.0)


def trills(seen: Views, limits: LimitSet) -> bool:
    """Whether the likeliest stretch is no engine's only because it beats as a trill does."""
    stretch = best_stretch(seen.engine)
    otherwise = run_score(replace(seen, broad=None), *stretch, limits)
    seems = probability(otherwise) >= limits.value("heard_from")
    return bool(seems) and trill_doubt(seen, *stretch, limits) > 0


def mean_less_short(logits: np.ndarray, limits: LimitSet) -> float:
    """Mean of the frames' logits, less for a short stretch."""
    short = limits.value("heard_short") / np.sqrt(max(len(logits), 1))
    return float(np.mean(np.clip(logits, -8, 8)) - short)


def hums(seen: Views, first: int, last: int, limits: LimitSet) -> bool:
    """Whether what beats may be mains hum: at a part of its rate, and without a beat of the hiss that is an engine's.

    Hum has lines at multiples of its rate, of which any part seems the beat; its hiss, if any, beats at the rate alone.
    What beats where no hum was found is none; what is left where most of the sound was hum, its buzz.
    """
    if seen.firing_hz is None or seen.beat is None:
        return False
    told = np.empty(0) if seen.hum is None else seen.hum[first:last][np.isfinite(seen.hum[first:last])]
    if len(told) and not told.any():
        return False
    if len(told) and np.mean(told) > limits.value("mostly_hum"):
        return True
    part = mains_part(seen.firing_hz[first:last], limits)
    if part <= 1:
        return part == 1
    asked = limits.value("mains_beat_half" if part == 2 else "mains_beat")
    return bool(np.mean(seen.beat[first:last]) < asked)


def mains_part(firing_hz: np.ndarray, limits: LimitSet) -> int:
    """1 to 6 where a steady rate is 1/1 to 1/6 of the 100 or 120 Hz at which everything on the mains hums; else 0."""
    low, middle, high = np.nanpercentile(firing_hz, [25, 50, 75]) if np.isfinite(firing_hz).any() else (0.0, 0.0, 0.0)
    if middle <= 0 or high / low - 1 > limits.value("mains_steady"):
        return 0
    near = limits.value("mains_within")
    parts = [round(hum_hz / middle) for hum_hz in (100.0, 120.0) if _near_part(middle / hum_hz, near)]
    return min((part for part in parts if part <= 6), default=0)


def _near_part(ratio: float, near: float) -> bool:
    """Whether a ratio is 1/1, 1/2, 1/3 ... within a share `near`."""
    part = round(1 / ratio)
    return part >= 1 and abs(ratio * part - 1) < near


def reason_for(levels: Traces, pulls: int, limits: LimitSet) -> str:
    """In plain words why no engine was heard: only what the levels can tell."""
    if pulls:
        times = "one pull of the starter was" if pulls == 1 else f"{pulls} pulls of the starter were"
        return f"{times} heard, but no engine running by itself"
    level, within, shape, flat, _, middle, _ = levels.blocks.astype(float).T
    if np.percentile(level, 95) < limits.value("faint_db"):
        return "next to nothing was heard: the recording is silent or far too faint"
    if np.std(level) > limits.value("moving_db") and np.mean(shape) > limits.value("moving_shape_db"):
        return "changing sounds such as talk, music or animals were heard, but no regular firing"
    steady = np.std(level) < limits.value("steady_db") and np.median(flat) < limits.value("rush_flatness")
    if steady or np.median(flat) < limits.value("tone_flatness"):
        return "tones or a hum were heard, without the beat of firing"
    if np.percentile(level, 95) - np.percentile(level, 25) > limits.value("knocks_db") and np.median(within) < 2.5:
        return "separate sounds with quiet between them were heard, but no regular firing"
    if np.median(flat) > limits.value("rush_flatness") and np.std(level) < limits.value("rush_db"):
        return "a rushing sound such as rain or wind was heard, but no regular firing"
    return "no regular firing was heard"
