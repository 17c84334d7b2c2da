"""The frames judged while the sound comes in, so that hours of it need not be held.

Frames are judged PIECE at a time with MARGIN more on both sides; of a judged piece only what the timeline still needs
is kept (`traces`). A recording of one piece is kept whole. Of a longer one the fine levels are let go wherever nothing
changes: they tell pulls and run-downs alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.dsp.memory import set_aside
from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import Engine, Track
from enginelog.timeline.activity import Activity
from enginelog.timeline.nets import shipped
from enginelog.timeline.states import PULL, RUNDOWN, Views, course, judged
from enginelog.timeline.traces import THINNED, Filed, Traces, filed, part_of, thinned, together, with_each

PIECE = 6000  # frames looked at together (five minutes), with MARGIN more on both sides
MARGIN = 400
SLACK = 8  # frames after the margin that must have come in: levels are looked at a little beyond
HOLD = 2 * THINNED  # rows of 10 ms held on to before those that are needed: change from block to block
BEFORE_S, AFTER_S = 6.0, 20.0  # about a change of state that fine levels are kept: longer than any run-down looked for
CLEARLY = 2.0  # logit of an engine, mean over a second, on either side of which nothing is in doubt


@dataclass(frozen=True)
class Watched:
    """All frames judged, the levels still needed."""

    seen: Views
    traces: Traces


class Watch:
    """One recording, part after part. `add` what was found, in order of time and without overlap; then `finish`."""

    def __init__(self, engine: Engine, limits: LimitSet) -> None:
        self._engine, self._limits = engine, limits
        self._waiting: list[tuple[Activity, Track]] = []
        self._start_s: float | None = None
        self._frames, self._rows = 0, 0  # of the recording before what is waiting
        self._judged, self._kept = 0, 0  # frames that are judged, rows that are filed
        self._hop_s = 0.05
        self._views: list[Views] = []
        self._filed: list[Filed] = []
        self._thinned = 0

    def add(self, activity: Activity, track: Track) -> None:
        """The next part; ValueError where the track kept no rhythm."""
        if track.rhythm is None and len(track.t_s) > 1:
            raise ValueError("the track has no rhythm: expected Track.rhythm as kept by the speed stage")
        self._waiting.append((activity, track))
        while self._coming() >= self._judged + PIECE + MARGIN + SLACK:
            self._judge(self._judged + PIECE, last=False)

    def finish(self) -> Watched | None:
        """What the timeline is built from; once, after the last part. None with less than two frames or one row."""
        total = self._coming()
        if total < 2 or self._rows + sum(activity.rows for activity, _ in self._waiting) == 0:
            return None
        while self._judged < total:
            self._judge(min(self._judged + PIECE, total), last=self._judged + PIECE >= total)
        if len(self._filed) > 1:
            self._thin(len(self._filed))
        every = THINNED if len(self._filed) > 1 else 1
        traces = together(self._filed, self._start_s or 0.0, every)
        self._waiting = []
        return Watched(_end_to_end(self._views), traces)

    def _coming(self) -> int:
        """Frames of the recording that have come in."""
        return self._frames + sum(len(track.t_s) for _, track in self._waiting)

    def _judge(self, past: int, last: bool) -> None:
        """Judge the frames up to before `past` and file their levels; let go what is no longer needed."""
        activity, track = self._joined()
        if self._start_s is None:
            self._start_s, self._hop_s = activity.start_s, float(track.t_s[1] - track.t_s[0])
        low, high = max(self._judged - MARGIN, 0), past + MARGIN
        near = part_of(track, slice(low - self._frames, high - self._frames))
        heard = (activity.t_s >= near.t_s[0] - 0.2) & (activity.t_s <= near.t_s[-1] + 0.2)
        local = part_of(activity, _span(heard))
        seen = judged(local, near, self._engine, shipped(), self._limits, slice(self._judged - low, past - low))
        self._views.append(seen if last else set_aside(seen))
        self._file(activity, track, past, last)
        self._judged = past
        if not last:
            self._let_go(activity, track)
            self._thin(len(self._filed) - 1)

    def _joined(self) -> tuple[Activity, Track]:
        if len(self._waiting) > 1:
            activities, tracks = zip(*self._waiting, strict=True)
            self._waiting = [(_concatenated(activities), _concatenated(tracks))]
        return self._waiting[0]

    def _file(self, activity: Activity, track: Track, past: int, last: bool) -> None:
        """File the levels until the frame `past` begins: all there is, where it is the last."""
        until = self._rows + activity.rows
        if not last:
            begins_s = float(track.t_s[past - self._frames]) - self._hop_s / 2
            until = round((begins_s - (self._start_s or 0.0)) / activity.hop_s) // THINNED * THINNED
        self._filed.append(filed(activity, self._kept - self._rows, until - self._rows))
        self._kept = until

    def _let_go(self, activity: Activity, track: Track) -> None:
        """Drop frames and rows that no later piece looks at."""
        frames = max(self._judged - MARGIN - self._frames, 0)
        first_s = float(track.t_s[frames]) - 0.5
        rows = int(np.searchsorted(activity.t_s, first_s))
        rows = max(min(rows, self._kept - self._rows - HOLD) // THINNED * THINNED, 0)
        kept = part_of(activity, slice(rows, None)), part_of(track, slice(frames, None))
        # copied: what is kept must not hold on to the longer arrays it was cut from
        self._waiting = [(with_each(kept[0], np.copy), with_each(kept[1], np.copy))]
        self._frames, self._rows = self._frames + frames, self._rows + rows

    def _thin(self, until: int) -> None:
        """Let the fine levels go of the pieces up to before number `until` wherever nothing changes near them."""
        for number in range(self._thinned, until):
            near = _end_to_end(self._views[max(number - 1, 0) : number + 2])
            before = len(self._views[number - 1].engine) if number else 0
            spans_s = (self._hop_s * (each - before) for each in rows_of_true(doubtful(near, self._limits)))
            first_s, past_s = next(spans_s) - BEFORE_S, next(spans_s) + AFTER_S
            rows = [slice(int(100 * a), int(100 * b)) for a, b in zip(first_s, past_s, strict=True)]
            self._filed[number] = set_aside(thinned(self._filed[number], rows))
        self._thinned = max(until, self._thinned)


def _span(mask: np.ndarray) -> slice:
    """The entries of a mask in order of time from its first true one to its last."""
    true = np.flatnonzero(mask)
    return slice(int(true[0]), int(true[-1]) + 1) if len(true) else slice(0, 0)


def _concatenated(parts: Sequence):
    """Parts of one kind, one after the other; without the columns that the first lacks."""
    columns = ([getattr(one, each.name) for one in parts] for each in fields(parts[0]))
    return type(parts[0])(*(None if column[0] is None else np.concatenate(column) for column in columns))


def _end_to_end(parts: list[Views]) -> Views:
    """Views one after the other; the list is emptied, and the parts are let go column by column."""
    hop_s, names = parts[0].hop_s, [each.name for each in fields(Views) if each.name != "hop_s"]
    names = [name for name in names if getattr(parts[0], name) is not None]
    columns = {name: [getattr(part, name) for part in parts] for name in names}
    parts.clear()
    return Views(**{name: np.concatenate(columns.pop(name)) for name in names}, hop_s=hop_s)


def doubtful(seen: Views, limits: LimitSet) -> np.ndarray:
    """Frames, mask (n,), at which a pull, a start or an end of a run may come to lie however the frames beyond are
    judged: where the state changes, or a second of rhythm is neither clearly an engine's nor clearly none's."""
    path = course(seen, limits)
    mask = (path == PULL) | (path == RUNDOWN) | (seen.pull > 0.0)
    mask[1:] |= np.diff(path) != 0
    second = moving_mean(np.clip(seen.engine, -8.0, 8.0), min(21, len(path)))
    return mask | (np.abs(second) < CLEARLY)
