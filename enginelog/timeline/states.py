"""The most likely course of events: quiet, pull, run, rundown, frame by frame, and the spans it makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Engine, Track
from enginelog.timeline.activity import Activity
from enginelog.timeline.bursts import burst_features
from enginelog.timeline.cues import READING, cues
from enginelog.timeline.nets import Net, log_softmax
from enginelog.timeline.scene import scene
from enginelog.timeline.trills import breadth, figures

PIECE = 20_000  # frames at a time, where plain numbers take far more room than arrays
KINDS = ("quiet", "pull", "run", "rundown")
QUIET, PULL, RUN, RUNDOWN = range(4)


@dataclass(frozen=True)
class Views:
    """What is said of each frame: logits that an engine runs and that a starter is pulled; the logarithms of the
    probabilities of KINDS, shape (n, 4); firings a second along the tracked path, and how strongly the hiss beats with
    them (contrast `env_high`); share of the sound that was mains hum, NaN where it cannot be told (None: not asked);
    the logits that an engine runs as they were if no speed were read (None: as they are); how much rather an engine
    than a trill it is, `trills.breadth` (None: not asked)."""

    engine: np.ndarray
    pull: np.ndarray
    log_states: np.ndarray
    firing_hz: np.ndarray | None = None
    beat: np.ndarray | None = None
    hum: np.ndarray | None = None
    hop_s: float = 0.05
    unread: np.ndarray | None = None
    broad: np.ndarray | None = None


def judged(
    activity: Activity, track: Track, engine: Engine, nets: dict[str, Net], limits: LimitSet, which: slice
) -> Views:
    """The frames `which` of a piece of the track, judged from all of it and the levels about it."""
    heard_in = cues(activity, track, engine, limits)
    running = nets["engine"].logits(heard_in)[:, 0]
    broad = breadth(figures(activity, heard_in, track.t_s))
    heard_in[:, READING] = 0.0
    unread = nets["engine"].logits(heard_in)[:, 0]
    pull = nets["pull"].logits(burst_features(activity, track.t_s, running > 1.0))[:, 0]
    states = log_softmax(nets["state"].logits(state_features(activity, track, running, pull)))
    rhythm = np.asarray(track.rhythm, float)
    firing_hz = np.exp(rhythm[:, RHYTHM.index("pitch")]) * engine.cylinders
    beat = rhythm[:, RHYTHM.index("env_high")]
    hop_s = float(track.t_s[1] - track.t_s[0]) if len(track.t_s) > 1 else 0.05
    kept = [column[which].astype(np.float32) for column in (running, pull, states, firing_hz, beat, unread, broad)]
    hum = None if track.hum is None else track.hum[which]
    return Views(kept[0], kept[1], kept[2], kept[3], kept[4], hum, hop_s, kept[5], kept[6])


def state_features(activity: Activity, track: Track, running: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """Scene features and the pull logit 0.2 s before, at and after each frame."""
    rows = np.arange(len(pull))[:, None] + np.array([-10, -4, 0, 4, 10])
    near = np.clip(pull, -8, 8)[np.clip(rows, 0, len(pull) - 1)]
    return np.concatenate([scene(activity, track, running), near.astype(np.float32)], axis=1)


def gains(seen: Views, limits: LimitSet) -> np.ndarray:
    """Evidence for each state in each frame, shape (n, 4).

    The rhythm has a second say on running, so that a run is not lost whose level tells nothing, and the burst on pulls.
    """
    gain = limits.value("state_gain") * seen.log_states
    gain[:, RUN] += limits.value("rhythm_gain") * np.clip(seen.engine, -6, 6)
    gain[:, PULL] += limits.value("burst_gain") * np.clip(seen.pull, -6, 6)
    return gain


def course(seen: Views, limits: LimitSet) -> np.ndarray:
    """Most likely state of each frame (Viterbi), shape (n,), given what each change of state costs."""
    gain, cost = gains(seen, limits), change_costs(limits)
    back, last = _ways(gain[0] - first_costs(limits), gain[1:], cost)
    path = [int(last.argmax())]
    for past in range(len(back), 0, -PIECE):
        for origin in reversed(back[max(past - PIECE, 0) : past].tolist()):
            path.append(origin[path[-1]])
    return np.array(path[::-1], np.int8)


def _ways(first: np.ndarray, gain: np.ndarray, cost: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of each frame after the first and each state, the likeliest state before, (n, 4) int8; and what the likeliest way
    to each state gains at the end.

    In rows of about sqrt(n) frames: the best ways through a whole row are a matrix, and once the rows' beginnings
    follow from these, the frames of all rows are worked out side by side.
    """
    count = len(gain)
    if not count:
        return np.zeros((0, 4), np.int8), first
    size = int(np.sqrt(count))
    number = -(-count // size)
    padded = np.zeros((number * size, 4), gain.dtype)
    padded[:count] = gain
    rows = padded.reshape(number, size, 4)
    whole = np.broadcast_to(np.where(np.eye(4) > 0, 0.0, -np.inf), (number, 4, 4))
    for step in range(size):
        whole = (whole[:, :, :, None] - cost).max(axis=2) + rows[:, step, None, :]
    now = np.empty((number, 4))
    best = np.asarray(first, float)
    for row in range(number):
        now[row] = best
        best = (best[:, None] + whole[row]).max(axis=0)
    back = np.empty((number, size, 4), np.int8)
    left = count - (number - 1) * size  # frames of the last row
    for step in range(size):
        ways = now[:, :, None] - cost
        back[:, step] = ways.argmax(axis=1)
        now = ways.max(axis=1) + rows[:, step]
        if step == left - 1:
            best = now[-1]
    return back.reshape(-1, 4)[:count], best


def first_costs(limits: LimitSet) -> np.ndarray:
    """Cost of a recording that begins in each state."""
    return np.array([0.0, limits.value("start_cost_pull"), 0.0, limits.value("start_cost_rundown")])


def change_costs(limits: LimitSet) -> np.ndarray:
    """Cost of going from state (row) to state (column), (4, 4), in natural-log units."""
    usual, odd, never = (limits.value(f"change_cost_{name}") for name in ("usual", "odd", "never"))
    cost = np.full((4, 4), odd)
    np.fill_diagonal(cost, 0.0)
    for before, after in ((QUIET, PULL), (PULL, QUIET), (PULL, RUN), (RUN, RUNDOWN), (RUNDOWN, QUIET), (RUNDOWN, PULL)):
        cost[before, after] = usual
    for before, after in ((QUIET, RUNDOWN), (PULL, RUNDOWN), (RUNDOWN, RUN), (RUN, PULL)):
        cost[before, after] = never
    return cost


def stretches(path: np.ndarray) -> list[tuple[int, int, int]]:
    """(state, first frame, frame after the last) of each stretch of equal states."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(path)) + 1, [len(path)]])
    return [(int(path[a]), int(a), int(b)) for a, b in zip(edges[:-1], edges[1:], strict=True) if b > a]
