"""The most likely course of events: quiet, pull, run, rundown, frame by frame, and the spans it makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Engine, Track
from enginelog.timeline.activity import Activity
from enginelog.timeline.bursts import burst_features
from enginelog.timeline.cues import cues
from enginelog.timeline.nets import Net, log_softmax
from enginelog.timeline.scene import scene

KINDS = ("quiet", "pull", "run", "rundown")
QUIET, PULL, RUN, RUNDOWN = range(4)


@dataclass(frozen=True)
class Views:
    """What is said of each frame: logits that an engine runs and that a starter is pulled; the logarithms of the
    probabilities of KINDS, shape (n, 4); firings a second along the tracked path (None: not asked)."""

    engine: np.ndarray
    pull: np.ndarray
    log_states: np.ndarray
    firing_hz: np.ndarray | None = None
    hop_s: float = 0.05


def judged(
    activity: Activity, track: Track, engine: Engine, nets: dict[str, Net], limits: LimitSet, which: slice
) -> Views:
    """The frames `which` of a piece of the track, judged from all of it and the levels about it."""
    running = nets["engine"].logits(cues(activity, track, engine, limits))[:, 0]
    pull = nets["pull"].logits(burst_features(activity, track.t_s, running > 1.0))[:, 0]
    states = log_softmax(nets["state"].logits(state_features(activity, track, running, pull)))
    firing_hz = np.exp(np.asarray(track.rhythm, float)[:, RHYTHM.index("pitch")]) * engine.cylinders
    hop_s = float(track.t_s[1] - track.t_s[0]) if len(track.t_s) > 1 else 0.05
    kept = [column[which].astype(np.float32) for column in (running, pull, states, firing_hz)]
    return Views(kept[0], kept[1], kept[2], kept[3], hop_s)


def state_features(activity: Activity, track: Track, running: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """Scene features and the pull logit 0.2 s before, at and after each frame."""
    rows = np.arange(len(pull))[:, None] + np.array([-10, -4, 0, 4, 10])
    near = np.clip(pull, -8, 8)[np.clip(rows, 0, len(pull) - 1)]
    return np.concatenate([scene(activity, track, running), near.astype(np.float32)], axis=1)


def gains(seen: Views, limits: LimitSet) -> np.ndarray:
    """Evidence for each state in each frame, shape (n, 4).

    The rhythm has a second say on running, so that a run is not lost whose level tells nothing, and the burst on pulls.
    """
    gain = limits.value("state_gain") * np.asarray(seen.log_states, float)
    gain[:, RUN] += limits.value("rhythm_gain") * np.clip(seen.engine, -6, 6)
    gain[:, PULL] += limits.value("burst_gain") * np.clip(seen.pull, -6, 6)
    return gain


def course(seen: Views, limits: LimitSet) -> np.ndarray:
    """Most likely state of each frame (Viterbi), shape (n,), given what each change of state costs."""
    gain, cost = gains(seen, limits), change_costs(limits)
    back = np.zeros(gain.shape, np.int8)
    best = gain[0] - first_costs(limits)
    for frame in range(1, len(gain)):
        ways = best[:, None] - cost
        back[frame] = ways.argmax(axis=0)
        best = ways.max(axis=0) + gain[frame]
    path = np.empty(len(gain), np.int8)
    path[-1] = best.argmax()
    for frame in range(len(gain) - 1, 0, -1):
        path[frame - 1] = back[frame, path[frame]]
    return path


def first_costs(limits: LimitSet) -> np.ndarray:
    """Cost of a recording that begins in each state."""
    return np.array([0.0, limits.value("start_cost_pull"), 0.0, limits.value("start_cost_rundown")])


def change_costs(limits: LimitSet) -> np.ndarray:
    """Cost of going from state (row) to state (column)."""
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
