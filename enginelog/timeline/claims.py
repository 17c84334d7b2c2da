"""What is claimed of starting and stopping, and what is withheld as doubtful, with the reason.

All courses of events that the sound allows, each with its probability (`chances`), say how likely the number of pulls,
the start and the cut are to be as the timeline has them. What is less likely than its limit is withheld.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RunDown, Span, Timeline, Track
from enginelog.model.course import last_run_s
from enginelog.timeline.chances import Chances, chances
from enginelog.timeline.rises import cranked, rise_db
from enginelog.timeline.rundown import fall
from enginelog.timeline.silence import MISSING, Silent, at_edge, may_hide_pulls
from enginelog.timeline.starts import begun_s, since
from enginelog.timeline.states import PULL, RUN, Views
from enginelog.timeline.traces import Levels, rows_between, time_of

BEFORE_S, AFTER_S = 0.4, 0.3  # about a pull: beginnings of a pull that are this one's own
FALLS_S = 0.7  # how far from the end of a run a fall of the level is looked for
BESIDE_S = 0.15  # over which the level before and after it is read
EDGE_S = 0.3  # within which a start or a cut is to be right
CRANKED = "something sounds on right before the engine runs, as of an electric starter; that is no pull to be counted"
MOST_HIDDEN = 3  # more than this is no range that helps anybody
FIRST_S = 1.5  # of a recording that begins with the engine running, held against the rest of that run


@dataclass(frozen=True)
class Count:
    """Of the pulls of the last start: how likely their number is right, how many are sure, how many more may be hidden;
    vain: sure ones after the last run; vain_heard: all that are heard there."""

    likely: float
    sure: int
    hidden: int
    vain: int = 0
    vain_heard: int = 0


def claimed(
    found: Timeline, seen: Views, levels: Levels, track: Track, limits: LimitSet, silent: Silent = ()
) -> Timeline:
    """`found` with the range of its pulls, its start and its cut, where these are sure, and reasons where not.

    silent: stretches (start, end in seconds) in which the sound is missing; nothing is claimed of what lies at an edge.
    """
    every, from_s = chances(seen, limits), begun_s(found.spans, limits)
    own, holes = since(found.spans, from_s), tuple(each for each in silent if each[1] > from_s)
    doubt = _missing(own[: _past_run(own)], holes) or _doubt(found, own, seen, levels, track.t_s, limits)
    count = counted(found.spans, seen, every, track.t_s, limits, from_s)
    if cranked(own, levels, limits):
        doubt, count = CRANKED, replace(count, sure=0)
    found = replace(found, **_pulls(found, doubt, count, limits), **_after(count, limits))
    found = replace(
        found,
        **_start(found, every, track.t_s, limits, silent),
        **_cut(found, seen, every, levels, track.t_s, limits, silent),
    )
    if found.cut_s is None or found.rundown_s is None:
        why = found.cut_reason or _no_standstill(found, silent)
        found = replace(found, rundown_s=None, rundown_reason=why)
    sure = found.pulls_sure and found.start_s is not None
    return found if sure else replace(found, seconds_to_run=None)


def counted(
    spans: tuple[Span, ...], seen: Views, every: Chances, t_s: np.ndarray, limits: LimitSet, from_s: float = -np.inf
) -> Count:
    """How sure the number of pulls among `spans` is that begin at `from_s` or later and before the last run.

    A pull counts for the probability that one begins about its beginning; elsewhere the expected number of beginnings
    is that of pulls overlooked (a Poisson number, so that none is as likely as exp of its negative). Where an
    engine runs, a pull is sure only if its burst is clear by itself as well: since one is expected before a run, the
    likeliest course makes pulls of what any noise of some length holds.
    """
    begins, last_s = every.begins[:, PULL], last_run_s(spans)
    free = (t_s >= from_s) & (t_s < (np.inf if last_s is None else last_s))
    each, sure, vain, vain_heard = [], 0, 0, 0
    for span in since(spans, from_s):
        if span.kind == "pull":
            chance = min(float(begins[(t_s >= span.start_s - BEFORE_S) & (t_s < span.end_s)].sum()), 1.0)
            clear = last_s is None or _height(span, seen, t_s) >= limits.value("pull_clear")
            clear = clear and chance >= limits.value("pull_sure")
            if last_s is not None and span.start_s >= last_s:
                vain, vain_heard = vain + clear, vain_heard + 1
                continue
            each.append(chance)
            sure += clear
            free &= ~((t_s >= span.start_s - BEFORE_S) & (t_s < span.end_s + AFTER_S))
    elsewhere = np.where(free, begins, 0.0)
    likely = math.prod(each) * math.exp(-float(elsewhere.sum()))
    return Count(likely, sure, _places(elsewhere, t_s, limits.value("pull_hidden")), vain, vain_heard)


def _height(span: Span, seen: Views, t_s: np.ndarray) -> float:
    """Highest logit of a pull within a span."""
    return float(np.max(seen.pull[(t_s >= span.start_s) & (t_s < span.end_s)], initial=-np.inf))


def _after(count: Count, limits: LimitSet) -> dict:
    """The sure pulls after the last run; where they are too few to be no knocks, how many may be heard, which are not
    denied for that."""
    least = limits.value("pulls_after_least")
    if count.vain >= least:
        return {"pulls_after": count.vain}
    return {"pulls_after_open": count.vain_heard if count.vain_heard >= least else 0}


def _places(elsewhere: np.ndarray, t_s: np.ndarray, least: float) -> int:
    """Seconds of the recording, counted one by one, in which `elsewhere` adds up to `least` at least."""
    if len(t_s) < 2:
        return 0
    size = max(int(1.0 / (t_s[1] - t_s[0])), 1)
    total, number, at = np.concatenate([[0.0], np.cumsum(elsewhere)]), 0, 0
    while at < len(t_s):
        end = min(at + size, len(t_s))
        hit = total[end] - total[at] >= least
        number, at = number + int(hit), end if hit else at + max(size // 4, 1)
    return number


def _pulls(found: Timeline, doubt: str | None, count: Count, limits: LimitSet) -> dict:
    if doubt is not None:
        return {"pulls_low": count.sure, "pulls_high": None, "pulls_reason": doubt}
    if count.likely >= limits.value("pulls_told" if found.engine_heard else "pulls_alone_told"):
        return {"pulls_low": found.pulls, "pulls_high": found.pulls}
    if count.hidden > MOST_HIDDEN:
        reason = f"{count.sure} or more pulls of the starter may be heard: most hardly stand out"
        reason = reason if count.sure else "pulls of the starter may be heard, but hardly stand out"
        return {"pulls_low": count.sure, "pulls_high": None, "pulls_reason": reason}
    high = max(found.pulls + count.hidden, count.sure + 1)
    said = f"{count.sure} to {high}" if count.sure or high == 1 else f"up to {high}"
    reason = f"{said} pulls of the starter may be heard: some hardly stand out"
    return {"pulls_low": count.sure, "pulls_high": high, "pulls_reason": reason}


def _doubt(
    found: Timeline, own: tuple[Span, ...], seen: Views, levels: Levels, t_s: np.ndarray, limits: LimitSet
) -> str | None:
    """Why further pulls may lie hidden however little is seen of them, None where nothing says so. own: the spans from
    the start of the last run on."""
    if not found.engine_heard and not found.pulls:
        return "neither an engine nor a pull of the starter stands out"
    if unpulled(own):
        return "the engine started within the recording, but no pull of the starter stands out before it"
    first = next((span for span in own if span.kind == "run"), None)
    if first is not None and first.start_s <= EDGE_S and not _runs_at_once(first, seen.engine, t_s, limits):
        return "whether the engine runs as the recording begins is not clear"
    pulled = any(span.kind == "pull" for span in own)  # also after what was taken for the engine
    if pulled and found.engine_heard and found.confidence < limits.value("claim_engine"):
        return "the engine is too faint to tell how often its starter was pulled"
    if found.pulls and rise_db(found.spans, levels) < limits.value("pulls_rise_db"):
        return "the noise is nearly as loud as the engine, so that pulls of the starter may lie under it"
    return None


def _missing(spans: tuple[Span, ...], silent: Silent) -> str | None:
    """Why pulls may be missing where sound is; None where none may."""
    return f"{MISSING} in a part of the recording, where pulls may lie" if may_hide_pulls(spans, silent) else None


def _no_standstill(found: Timeline, silent: Silent) -> str:
    """Why no standstill is told after a cut that is."""
    down = found.last_rundown
    if down is not None and at_edge(down.end_s, silent, EDGE_S, 0.0):
        return f"{MISSING} from {down.end_s:z.1f} s on, before standstill was heard"
    return "standstill was not clearly heard"


def _runs_at_once(run: Span, engine: np.ndarray, t_s: np.ndarray, limits: LimitSet) -> bool:
    """Whether the first second and a half of a run is about as clearly an engine's as all of it."""
    whole, begin = engine[t_s < run.end_s], engine[t_s < min(FIRST_S, run.end_s)]
    return len(begin) == 0 or float(begin.mean()) >= limits.value("runs_at_once") * max(float(np.median(whole)), 0.5)


def unpulled(spans: tuple[Span, ...]) -> bool:
    """Whether a run begins within the recording without a pull since the run before."""
    pulled = False
    for span in spans:
        if span.kind == "run" and span.start_s > EDGE_S and not pulled:
            return True
        pulled = span.kind == "pull" or (pulled and span.kind != "run")
    return False


def _start(found: Timeline, every: Chances, t_s: np.ndarray, limits: LimitSet, silent: Silent) -> dict:
    number = last_run(found.spans)
    if number is None:
        return {"start_reason": "no engine ran"}
    start_s = found.spans[number].start_s
    if start_s <= EDGE_S:
        return {"start_reason": "the recording begins with the engine running"}
    if at_edge(start_s, silent, 0.0, EDGE_S):
        return {"start_reason": f"{MISSING} until {start_s:z.1f} s, so that when the engine began to run is not known"}
    pulled = found.spans[number - 1].kind == "pull"
    late_s = limits.value("start_late_s") if pulled else 0.0
    likely = within(every.begins[:, RUN], t_s, start_s + late_s)
    sure = found.confidence >= limits.value("claim_engine")
    if pulled and start_s - found.spans[number - 1].start_s > limits.value("rope_longest_s"):
        return {
            "start_reason": "the engine stumbled as it started, so that when it began to run by itself is not clear"
        }
    if not pulled or not sure or likely < limits.value("start_told"):
        return {"start_reason": "when the engine began to run by itself is not clear"}
    if found.spans[number].end_s - start_s < limits.value("start_run_s"):
        return {"start_reason": "it hardly ran after the pull"}
    return {"start_s": start_s}


def _cut(
    found: Timeline,
    seen: Views,
    every: Chances,
    levels: Levels,
    t_s: np.ndarray,
    limits: LimitSet,
    silent: Silent,
) -> dict:
    number = last_run(found.spans)
    if number is None:
        return {"cut_reason": "no engine ran"}
    end_s = found.spans[number].end_s
    if end_s >= found.spans[-1].end_s - EDGE_S:
        return {"cut_reason": "the engine runs to the end of the recording"}
    down = next((down for down in found.downs[::-1] if down.of_run_until(end_s)), None)
    engine = found.confidence >= limits.value("claim_engine")
    if engine and down and down.clear and not at_edge(end_s, silent, 0.0, 0.0):
        return {"cut_s": end_s}
    if at_edge(end_s, silent, FALLS_S + BESIDE_S, EDGE_S):
        missing_s = max(start_s for start_s, _ in silent if start_s <= end_s + FALLS_S + BESIDE_S)
        return {"cut_reason": f"{MISSING} from {missing_s:z.1f} s on, so that when the engine stopped is not known"}
    clear = within(every.ended[:, RUN], t_s, end_s) >= limits.value("cut_told")
    if not clear or not engine or fall(seen.engine, t_s, end_s) < limits.value("cut_fall"):
        return {"cut_reason": "when the ignition went off is not clear"}
    return _by_level(found, down, end_s, levels, limits)


def _by_level(found: Timeline, down: RunDown | None, end_s: float, levels: Levels, limits: LimitSet) -> dict:
    """The cut of a run that clearly ends at `end_s`, held against the fall of the level and the beat of the coast;
    where it lies elsewhere, the spans and the time to standstill with it (None where next to none is left)."""
    fallen_db, at_s = steepest(levels, end_s)
    later_s, beats = at_s - end_s, agrees(down, end_s, limits)
    moved = ending_at(found.spans, at_s)
    if moved and fallen_db >= limits.value("cut_silence_db") and (agrees(down, at_s, limits) or not beats):
        left_s = -math.inf if found.rundown_s is None else found.rundown_s - later_s
        return {
            "cut_s": at_s,
            "spans": moved,
            "rundown_s": left_s if left_s >= limits.value("coast_shortest_s") else None,
        }
    if fallen_db >= limits.value("cut_level_fall_db") and abs(later_s) > EDGE_S and not beats:
        return {"cut_reason": f"the sound falls away {abs(later_s):z.1f} s beside the moment its rhythm ends"}
    return {"cut_s": end_s}


def ending_at(spans: tuple[Span, ...], cut_s: float) -> tuple[Span, ...] | None:
    """The spans with the last run ended at `cut_s`, and the run-down or quiet after it begun there; None where it
    cannot end there without another span being lost."""
    number = last_run(spans)
    if number is None or number + 1 >= len(spans):
        return None
    run, after = spans[number : number + 2]
    if not run.start_s < cut_s < after.end_s or after.kind not in ("rundown", "quiet"):
        return None
    return (*spans[:number], replace(run, end_s=cut_s), replace(after, start_s=cut_s), *spans[number + 2 :])


def agrees(down: RunDown | None, cut_s: float, limits: LimitSet) -> bool:
    """Whether the beat of the coast surely tells a cut at about `cut_s`."""
    if down is None or down.beat_s is None or down.cut_chance is None:
        return False
    near = abs(down.beat_s - cut_s) <= limits.value("coast_agrees_s")
    return near and down.cut_chance >= limits.value("cut_told")


def steepest(levels: Levels, about_s: float) -> tuple[float, float]:
    """The steepest fall of the level within FALLS_S of a moment: dB from the sixth of a second before it to that after,
    and when; (0, `about_s`) where nothing falls."""
    rows = rows_between(levels, about_s - FALLS_S - BESIDE_S, about_s + FALLS_S + BESIDE_S)
    peak_db, size = np.asarray(levels.peak_db[rows], float), round(BESIDE_S / levels.hop_s)
    if len(peak_db) < 2 * size + 1:
        return 0.0, about_s
    middle = np.median(np.lib.stride_tricks.sliding_window_view(peak_db, size), axis=1)
    fallen = middle[:-size] - middle[size:]
    row = int(fallen.argmax())
    if fallen[row] <= 0.0:
        return 0.0, about_s
    return float(fallen[row]), time_of(levels, rows.start + row + size) - levels.hop_s / 2


def last_run(spans: tuple[Span, ...]) -> int | None:
    """Which of the spans is the last run."""
    return max((number for number, span in enumerate(spans) if span.kind == "run"), default=None)


def _past_run(spans: tuple[Span, ...]) -> int | None:
    """How many of the spans there are to the end of the last run; None where there is no run."""
    number = last_run(spans)
    return None if number is None else number + 1


def within(chance: np.ndarray, t_s: np.ndarray, at_s: float) -> float:
    """Probability that what `chance` says of each frame happens within EDGE_S of `at_s` (a frame begins half a step
    before its time)."""
    hop_s = float(t_s[1] - t_s[0])
    return float(chance[np.abs(t_s - hop_s / 2 - at_s) <= EDGE_S + hop_s / 2].sum())
