"""The timeline of a recording: spans, pulls, start and stop, bangs, and whether an engine was heard at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.limits import LimitSet
from enginelog.model import Engine, Span, Timeline, Track
from enginelog.model.course import before_run
from enginelog.timeline.activity import Activity
from enginelog.timeline.beside import doubted, is_music
from enginelog.timeline.claims import claimed
from enginelog.timeline.falling import ended_at_falls
from enginelog.timeline.heard import (
    MUSIC_ALONE,
    SECOND,
    TRILL_ALONE,
    by_rhythm,
    confidence_of,
    grown,
    most_of,
    read_on,
    reason_for,
    trills,
)
from enginelog.timeline.not_quieter import never_stopped
from enginelog.timeline.pops import bangs
from enginelog.timeline.pulls import sudden
from enginelog.timeline.rundown import stopped
from enginelog.timeline.silence import Silent, held, looked_at, parted
from enginelog.timeline.starts import begun_s, seconds_to_run, since
from enginelog.timeline.states import KINDS, PULL, QUIET, RUN, RUNDOWN, Views, course, stretches
from enginelog.timeline.strokes import with_pull_speeds
from enginelog.timeline.traces import Levels, Traces, time_of
from enginelog.timeline.watching import Watch, Watched


def build(activity: Activity, track: Track, engine: Engine, limits: LimitSet) -> Timeline:
    """The timeline of one recording from its levels and its speed track (with `rhythm` kept).

    Spans follow each other without gap from 0 to the end of the sound. Pulls are those heard one by one; a pull that
    is not audible is not counted. `pulls` are those of the start of the last run, and `seconds_to_run` goes from the
    first of them to that run; what a run before it needed that went on by itself is left out (`starts`). `rundown_s` is
    the last run-down whose end is heard. ValueError where the track kept no rhythm.
    """
    watch = Watch(engine, limits)
    watch.add(activity, track)
    return tell(watch.finish(), track, engine, limits)


def tell(
    watched: Watched | None, track: Track, engine: Engine, limits: LimitSet, ran: bool = False, silent: Silent = ()
) -> Timeline:
    """The timeline of a recording that was watched part by part, `track` of all parts together: see `build`.

    None: the recording was too short. The track's rhythm is no longer asked for. ran: somebody who stood beside it says
    that an engine ran: where the sound alone tells of none, what is likeliest to be one is taken for it, with doubt.
    silent: stretches in which the sound is missing (`Quality.silent_s`), whose edges tell nothing: a run ends where the
    sound ends, and begins where it begins again, and what an edge may hide is not told.
    """
    if watched is None:
        return Timeline(False, 1.0, (), reason="the recording is too short to hear an engine in")
    found = _told(watched, track, engine, limits, silent)
    if found.engine_heard or not ran:
        return found
    likelier = replace(watched.seen, engine=_at_word(watched.seen.engine, track, limits), broad=None)
    again = _told(replace(watched, seen=likelier), track, engine, limits, silent, at_word=True)
    if not again.engine_heard:
        return found
    return replace(again, reason=f"one is said to have run; by the sound alone: {found.reason}")


def _at_word(judged: np.ndarray, track: Track, limits: LimitSet) -> np.ndarray:
    """The frames' logits where somebody says that an engine ran: raised by that word, and where a speed is read all the
    same from even odds at least, since what beats as this engine would is then hardly something else that beats so."""
    sure = np.nan_to_num(track.confidence)
    read = moving_mean(sure, min(SECOND, len(sure))) >= limits.value("told_ran_read")
    return np.where(read, np.maximum(judged, 0.0), judged) + limits.value("told_ran_logit")


def _told(
    watched: Watched, track: Track, engine: Engine, limits: LimitSet, silent: Silent, at_word: bool = False
) -> Timeline:
    """The timeline by the frames' logits as they are. at_word: an engine is known to have run, so that nothing speaks
    against there being any, and where one is heard by that alone it is never told surely."""
    missing, silent = silent, looked_at(silent, limits)
    seen, levels = held(watched.seen, track.t_s, silent, limits), watched.traces
    hop_s = float(track.t_s[1] - track.t_s[0])
    marks = tidy(stretches(course(seen, limits)), track, limits)
    marks = tidy(by_rhythm(marks, seen, limits), track, limits)
    marks = tidy(grown(marks, seen, limits), track, limits)
    marks = not_pulled_while_running(marks, limits.value("between_pulls_s") / hop_s)
    marks = merged(sudden(marks, levels, track, PULL, RUN, QUIET, limits, silent))
    marks = parted(marks, track.t_s, silent, limits)
    confidence, marks = confidence_of(without_lone_pull(marks, seen.pull, limits), seen, limits)
    again = by_rhythm(marks, seen, limits)
    if again is not marks:  # what seemed a run was none, and the rhythm knows another
        confidence, marks = confidence_of(tidy(again, track, limits), seen, limits)
    marks = parted(read_on(marks, seen, track, limits), track.t_s, silent, limits)
    music = False
    if not at_word:
        confidence, marks = doubted(marks, confidence, seen, track.t_s, levels, limits)
        music = is_music(marks, seen, limits)
    marks = [(QUIET, 0, len(track.t_s))] if music else without_faint_pulls(marks, seen.pull, limits)
    most = min(limits.value("told_ran_most") if at_word else 1.0, most_of(marks, hop_s, limits))
    spans = to_spans(marks, track, levels, limits.value("start_late_s"))
    spans, downs, rundown_s = stopped(spans, levels, track, seen, engine, limits, silent)
    spans, downs = never_stopped(spans, downs, levels, limits)
    rundown_s = rundown_s if any(span.kind == "rundown" for span in spans) else None
    spans, rundown_s = ended_at_falls(spans, rundown_s, track, limits, silent)
    spans = with_pull_speeds(spans, levels, engine, limits)
    heard = any(span.kind == "run" for span in spans)
    confidence = min(confidence, most) if heard else confidence
    pulls = sum(span.kind == "pull" for span in spans)
    reason = None if heard else MUSIC_ALONE if music else _reason(seen, levels, pulls, limits)
    own = sum(span.kind == "pull" for span in since(before_run(spans), begun_s(spans, limits)))
    to_run_s = seconds_to_run(spans, limits)
    found = Timeline(heard, confidence, spans, own, to_run_s, rundown_s, reason=reason, downs=downs)
    found = claimed(found, seen, levels, track, limits, silent)
    if not heard and pulls and found.pulls_least == 0:  # not one of them is sure
        found = replace(found, reason=_reason(seen, levels, 0, limits))
    return replace(found, pops=bangs(levels, found.spans, limits, missing)) if heard or pulls else found


def _reason(seen: Views, levels: Traces, pulls: int, limits: LimitSet) -> str:
    """In plain words why no engine was heard."""
    return TRILL_ALONE if not pulls and trills(seen, limits) else reason_for(levels, pulls, limits)


def without_lone_pull(marks, pull_logits: np.ndarray, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks`, quiet where a recording without a run shows one single pull that is none too clear.

    Who pulls a starter in vain pulls again; a knock amid talk comes once.
    """
    pulls = [mark for mark in marks if mark[0] == PULL]
    if len(pulls) != 1 or any(mark[0] == RUN for mark in marks):
        return marks
    _, first, last = pulls[0]
    if np.max(pull_logits[first:last]) >= limits.value("lone_pull_least"):
        return marks
    return merged([(QUIET if mark[0] == PULL else mark[0], mark[1], mark[2]) for mark in marks])


def without_faint_pulls(marks, pull_logits: np.ndarray, limits: LimitSet) -> list[tuple[int, int, int]]:
    """`marks`, quiet where a pull that leads to no run hardly has a burst of its own, in a recording with a run.

    Since a pull is expected before a run, the likeliest course makes one of what any noise of some length holds.
    """
    if not any(mark[0] == RUN for mark in marks):
        return marks
    out = []
    for number, (state, first, last) in enumerate(marks):
        leads = number + 1 < len(marks) and marks[number + 1][0] == RUN
        faint = state == PULL and not leads and np.max(pull_logits[first:last]) < limits.value("pull_least")
        out.append((QUIET if faint else state, first, last))
    return merged(out)


def not_pulled_while_running(marks, longest: float) -> list[tuple[int, int, int]]:
    """Runs of up to `longest` frames that go straight over into a pull made quiet: nobody pulls a running engine's
    starter, but the hum of a room between two pulls may seem one."""
    out = []
    for number, (state, first, last) in enumerate(marks):
        into_pull = number + 1 < len(marks) and marks[number + 1][0] == PULL
        pulled = state == RUN and into_pull and last - first <= longest
        out.append((QUIET if pulled else state, first, last))
    return merged(out)


def tidy(marks: list[tuple[int, int, int]], track: Track, limits: LimitSet) -> list[tuple[int, int, int]]:
    """Join runs interrupted by something short; drop what is too short to be what it was called."""
    hop_s = float(track.t_s[1] - track.t_s[0])
    marks = renamed(marks, RUN, PULL, limits.value("least_run_s") / hop_s, before=PULL)
    marks = renamed(marks, RUN, QUIET, limits.value("least_run_s") / hop_s)
    marks = bridged(marks, track, limits.value("bridge_s") / hop_s)
    marks = closed(marks, limits.value("least_pull_gap_s") / hop_s)
    marks = renamed(marks, PULL, QUIET, limits.value("least_pull_s") / hop_s)
    marks = renamed(marks, RUNDOWN, QUIET, limits.value("least_rundown_s") / hop_s)
    return orphans_quiet(marks)


def renamed(marks, kind: int, new: int, shortest: float, before: int | None = None) -> list[tuple[int, int, int]]:
    """Stretches of `kind` shorter than `shortest` frames become `new` (only after a stretch of `before`, where given).

    A stretch cut off by the beginning or the end of the recording is judged the same.
    """
    out: list[tuple[int, int, int]] = []
    for state, first, last in marks:
        short = state == kind and last - first < shortest
        if short and (before is None or (out and out[-1][0] == before)):
            state = new
        out.append((state, first, last))
    return merged(out)


def closed(marks, shortest: float) -> list[tuple[int, int, int]]:
    """Two pulls with less than `shortest` frames of quiet between them are one."""
    out = list(marks)
    for number in range(1, len(marks) - 1):
        (before, _, _), (state, first, last), (after, _, _) = marks[number - 1 : number + 2]
        if state == QUIET and before == after == PULL and last - first < shortest:
            out[number] = (PULL, first, last)
    return merged(out)


def merged(marks) -> list[tuple[int, int, int]]:
    """Neighbouring stretches of the same state put together."""
    out: list[tuple[int, int, int]] = []
    for state, first, last in marks:
        if out and out[-1][0] == state:
            out[-1] = (state, out[-1][1], last)
        else:
            out.append((state, first, last))
    return out


def bridged(marks, track: Track, longest: float) -> list[tuple[int, int, int]]:
    """Runs on both sides of a short gap without a pull in it are one run where the speed goes on as before."""
    out = list(marks)
    number = 0
    while number < len(out):
        gap = gap_after(out, number)
        if gap and out[gap][1] - out[number][2] <= longest and same_speed(track, out[number], out[gap]):
            out[number : gap + 1] = [(RUN, out[number][1], out[gap][2])]
        else:
            number += 1
    return out


def gap_after(marks, number: int) -> int | None:
    """Index of the next run after run `number` with no pull between, or None."""
    if marks[number][0] != RUN:
        return None
    for other in range(number + 1, len(marks)):
        if marks[other][0] == RUN:
            return other
        if marks[other][0] == PULL:
            return None
    return None


def same_speed(track: Track, one, other) -> bool:
    """Whether the speed just before the gap and just after it agree within 15 per cent (True where it is unknown)."""
    before = track.rpm[max(one[1], one[2] - 20) : one[2]]
    after = track.rpm[other[1] : min(other[2], other[1] + 20)]
    if not np.isfinite(before).any() or not np.isfinite(after).any():
        return True
    return bool(abs(np.log(np.nanmedian(after) / np.nanmedian(before))) < 0.15)


def orphans_quiet(marks) -> list[tuple[int, int, int]]:
    """A run-down without a run before it is quiet, unless the recording begins with it."""
    out: list[tuple[int, int, int]] = []
    for number, (state, first, last) in enumerate(marks):
        lone = state == RUNDOWN and number > 0 and out[-1][0] != RUN
        out.append((QUIET if lone else state, first, last))
    return merged(out)


def to_spans(marks, track: Track, levels: Levels, late_s: float) -> tuple[Span, ...]:
    """Spans in seconds with their speeds, from 0 (or where the track begins) to the end of the sound.

    A run that a pull leads to begins `late_s` before it shows: some of the first firings fail.
    """
    hop_s = float(track.t_s[1] - track.t_s[0])
    edges = [float(track.t_s[first] - hop_s / 2) for _, first, _ in marks]
    edges[0] = levels.start_s - levels.hop_s / 2
    edges.append(time_of(levels, levels.rows) - levels.hop_s / 2)
    for i in range(1, len(marks)):
        if (marks[i - 1][0], marks[i][0]) == (PULL, RUN):
            edges[i] = max(edges[i] - late_s, edges[i - 1] + hop_s)
    return tuple(
        Span(KINDS[state], edges[i], edges[i + 1], span_rpm(state, track.rpm[first:last]))
        for i, (state, first, last) in enumerate(marks)
    )


def span_rpm(state: int, rpm: np.ndarray) -> float | None:
    """Median speed of a run; speed with which a run-down begins; None where it is not known."""
    some = rpm[:4] if state == RUNDOWN else rpm if state == RUN else rpm[:0]
    return float(np.nanmedian(some)) if np.isfinite(some).any() else None
