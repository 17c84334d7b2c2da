"""What speaks against the runs of a whole recording, however much they sound like an engine's from moment to moment.

Of minutes of music a few seconds may: a stretch that was looked for among many as loud is that much less likely to be
one (the look-elsewhere effect), an engine being mostly the loudest thing near its phone. And the beat of music steps
from one even note to the next by whole semitones of several sizes; a crank is far too heavy to step, and where a track
does so, as from a speed to its multiple or between the two speeds of hunting, it does not keep to semitones.
"""

from __future__ import annotations

import numpy as np

from enginelog.dsp.logistic import held_logit, probability
from enginelog.limits import LimitSet
from enginelog.timeline.cues import BLOCK
from enginelog.timeline.heard import frame_by_frame, quietened
from enginelog.timeline.states import PIECE, QUIET, RUN, Views
from enginelog.timeline.traces import Traces

Marks = list[tuple[int, int, int]]
EVEN = 8  # frames on either side of a step, over which each note is even
APART = 5  # frames between them
REACH = (2 * EVEN + APART) // 2
OCTAVE = 12
LEAST, MOST = 0.75, 10.5  # semitones of a step; less is a wobble, and by an octave a track may jump
MOST_SWAY = 0.1  # semitones, mean distance from its middle, that an even note has
SLIGHT_SWAY = 0.02  # so little that with less a step is no clearer
ONE_STEP = 3  # frames within which all that seems a step is one and the same
CONFUSED = (5, 7)  # semitones: about 4/3 and 3/2, by which a track goes over to another multiple of the cycle
GRID = 1.5  # concentration of the steps about whole semitones (von Mises), a third of one wide
NORMAL = float(np.log(np.i0(GRID)))
OF_A_SIZE = 3  # steps of one size that count: those of a hunting engine are all alike
NEAR, OFTEN = -3.0, 0.15  # logit of a frame that comes near to an engine; share of them: talk 0.05, music 0.2, rain 0.3
SURE = 0.001  # chances are held this far from 0 and 1


def doubted(
    marks: Marks, confidence: float, seen: Views, t_s: np.ndarray, levels: Traces, limits: LimitSet
) -> tuple[float, Marks]:
    """Confidence and marks once the whole recording is heard; the runs are quiet where too little is left of them.

    t_s: moments of the frames that `marks` number.
    """
    runs = {mark for mark in marks if mark[0] == RUN}
    if not runs:
        return confidence, marks
    against = looked_for(marks, seen, t_s, levels, limits) + notes(marks, seen, limits)
    if against <= 0:
        return confidence, marks
    chance = float(probability(held_logit(confidence, SURE) - against))
    if chance >= limits.value("heard_from"):
        return chance, marks
    return 1.0 - chance, quietened(marks, runs)


def looked_for(marks: Marks, seen: Views, t_s: np.ndarray, levels: Traces, limits: LimitSet) -> float:
    """Logit that the runs lose for how much longer other sound as loud goes on: 0 where no longer than they do, or for
    some seconds only, so that an engine whose runs are found in part, amid noise as loud, loses nothing.

    It counts as far as it often comes near to an engine, as music and noise do and talk does not.
    """
    level = levels.blocks[:, 0].astype(float)
    middles_s = levels.start_s + levels.hop_s * BLOCK * (np.arange(len(level)) + 0.5)
    frames = np.searchsorted(t_s, middles_s).clip(0, len(t_s) - 1)
    states = frame_by_frame(marks)[frames]
    running = states == RUN
    if not running.any():
        return 0.0
    beside = (states == QUIET) & (level >= np.median(level[running]) - limits.value("as_loud_db"))
    if not beside.any():
        return 0.0
    near = float(np.mean(seen.engine[frames[beside]] > NEAR)) / OFTEN
    elsewhere = np.count_nonzero(beside) * min(near, 1.0) - limits.value("as_loud_least_s") / (levels.hop_s * BLOCK)
    return float(np.log(max(elsewhere / np.count_nonzero(running), 1.0)))


def notes(marks: Marks, seen: Views, limits: LimitSet) -> float:
    """Logit that the runs lose for steps from note to note: the logarithm of how much likelier such steps are of music
    than of a track that jumps anyhow; 0 under `notes_from`. For steps beside the runs, `notes_beside` at most: a radio
    may have played before the engine started, but what is hardly an engine is then rather more of its music."""
    in_runs = _likelier(seen, [(first, last) for state, first, last in marks if state == RUN], limits)
    return max(in_runs, min(_likelier(seen, [(0, len(seen.engine))], limits), limits.value("notes_beside")))


def is_music(marks: Marks, seen: Views, limits: LimitSet) -> bool:
    """Whether a recording in which nothing runs steps from note to note: its drums are then no pulls of a starter."""
    runs = any(state == RUN for state, _, _ in marks)
    return not runs and _likelier(seen, [(0, len(seen.engine))], limits) > 0


def _likelier(seen: Views, parts: list[tuple[int, int]], limits: LimitSet) -> float:
    """The logit of `notes` for the steps within these frames, each from a first to before a last."""
    if seen.firing_hz is None or not parts:
        return 0.0
    total = likelihood(
        np.concatenate([steps(np.log(seen.firing_hz[first:last].astype(float))) for first, last in parts])
    )
    return total if total > limits.value("notes_from") else 0.0


def steps(pitch: np.ndarray) -> np.ndarray:
    """Steps in a track (n,), logarithms of a rate, from one even stretch to the next, in semitones: (steps,)."""
    found = []
    for first in range(0, len(pitch), PIECE):
        piece = pitch[max(first - REACH, 0) : first + PIECE + REACH]
        if len(piece) > 2 * REACH:
            found.append(_steps_in(piece))
    return np.concatenate(found) if found else np.zeros(0)


def _steps_in(pitch: np.ndarray) -> np.ndarray:
    """The same of a piece that is not too long to be laid out window by window."""
    windows = np.lib.stride_tricks.sliding_window_view(pitch, 2 * EVEN + APART)
    before, after = windows[:, :EVEN], windows[:, -EVEN:]
    middles = [np.median(side, axis=1) for side in (before, after)]
    sways = [np.abs(side - middle[:, None]).mean(axis=1) for side, middle in zip((before, after), middles, strict=True)]
    size = (middles[1] - middles[0]) * OCTAVE / np.log(2.0)
    sway = np.maximum(*sways) * OCTAVE / np.log(2.0)
    is_step = (np.abs(size) > LEAST) & (np.abs(size) < MOST) & (sway < MOST_SWAY)
    if not is_step.any():
        return np.zeros(0)
    places = np.flatnonzero(is_step)
    clear = np.where(is_step, np.abs(size) / (sway + SLIGHT_SWAY), 0.0)
    rows = np.split(places, np.flatnonzero(np.diff(places) > ONE_STEP) + 1)
    return np.array([size[row[np.argmax(clear[row])]] for row in rows])


def likelihood(sizes: np.ndarray) -> float:
    """Logarithm of how much likelier steps (n,), in semitones, are where all are whole ones than where all are as
    likely; of the steps of one size no more than OF_A_SIZE count, in the mean, and of CONFUSED ones none."""
    each = GRID * np.cos(2.0 * np.pi * sizes) - NORMAL
    nearest = np.rint(np.abs(sizes)).astype(int)
    total = 0.0
    for size in np.setdiff1d(nearest, CONFUSED):
        mine = each[nearest == size]
        total += float(mine.mean()) * min(len(mine), OF_A_SIZE)
    return total
