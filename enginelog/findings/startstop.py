"""Starting and stopping, from the timeline alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

from enginelog.findings.series import RUNNING_FROM_THE_START_S, run_spans, sounding
from enginelog.limits import LimitSet
from enginelog.model import Span, Timeline
from enginelog.model.wording import counted, joined

LEAST_HEARD_S = 0.6  # in which a stop and a start can be heard: runs reach to 0.3 s beside the edge of missing sound


@dataclass(frozen=True)
class StartStudy:
    """pulls: those that are sure; false_starts: short runs, heard from their start, and then another start;
    restarts: other runs that ended and were started again; already_running: the recording begins with the engine
    running; pull_words: how fast the pulls were and how many compression strokes were heard in them; pull_count:
    `3 pulls`, `2 to 3 pulls`; vain_count: the same of those after the engine stopped, which did not start
    it again, empty where none is sure."""

    pulls: int
    seconds_to_run: float | None
    false_starts: int
    restarts: int
    already_running: bool
    ran: bool
    first_run_s: float | None
    pull_words: str = ""
    pull_count: str = "no pull"
    vain_count: str = ""


def study_start(timeline: Timeline, limits: LimitSet, silent: tuple[tuple[float, float], ...] = ()) -> StartStudy:
    """What the timeline says about starting. silent: stretches (start, end in seconds) in which the sound is missing:
    that an engine stopped in one and was started again nobody heard."""
    spans = sorted(timeline.spans, key=lambda span: span.start_s)
    runs = runs_heard(timeline, silent)
    pulls, said = sure_pulls(timeline), count_words(timeline)
    if not runs:
        return StartStudy(pulls, timeline.seconds_to_run, 0, 0, False, False, None, pulls_heard(timeline), said)
    already = runs[0].start_s < RUNNING_FROM_THE_START_S and not any(
        span.kind == "pull" and span.start_s < runs[0].start_s for span in spans
    )
    begun = runs[1:-1] if already else runs[:-1]  # how long the first ran before the recording nobody knows
    short = [run for run in begun if run.end_s - run.start_s < limits.value("false_start_s")]
    return StartStudy(
        pulls,
        timeline.seconds_to_run,
        len(short),
        len(runs) - 1 - len(short),
        already,
        True,
        runs[0].start_s,
        pulls_heard(timeline),
        said,
        timeline.vain_words,
    )


def runs_heard(timeline: Timeline, silent: tuple[tuple[float, float], ...]) -> list[Span]:
    """The runs, those between which there is hardly anything but missing sound as one."""
    runs = run_spans(timeline)
    out = runs[:1]
    for run in runs[1:]:
        before, between = out[-1], Span("quiet", out[-1].end_s, run.start_s)
        heard_s = sum(part.end_s - part.start_s for part in sounding([between], silent))
        if heard_s < LEAST_HEARD_S and heard_s < between.end_s - between.start_s:
            out[-1] = replace(before, end_s=run.end_s)
        else:
            out.append(run)
    return out


def sure_pulls(timeline: Timeline) -> int:
    """The pulls of the last start that are sure: all that are heard, or the lower end where their number is open."""
    return timeline.pulls if timeline.pulls_sure else timeline.pulls_least


def count_words(timeline: Timeline) -> str:
    """`no pull`, `1 pull`, `3 pulls`, `2 to 3 pulls`."""
    pulls = sure_pulls(timeline)
    if timeline.pulls_sure:
        return counted(pulls, "pull") if pulls else "no pull"
    return f"{timeline.pulls_words} pulls" if timeline.pulls else "no pull"


def pulls_heard(timeline: Timeline) -> str:
    """How fast the starter was pulled, about how many compression strokes were heard in a pull (of two in three
    pulls the count is one off), and of which pulls the speed cannot be told; empty without a pull."""
    pulls = list(enumerate(_pulls(timeline), 1))
    told = [(number, span) for number, span in pulls if span.rpm is not None]
    if not told:
        return "how fast could not be heard" if pulls else ""
    speeds = joined([f"{round(span.rpm or 0.0, -1):z.0f}" for _, span in told])
    said = f"{_named([number for number, _ in told])} at about {speeds} rpm{_strokes([span for _, span in told])}"
    untold = [number for number, span in pulls if span.rpm is None]
    if untold:
        said += f", how fast {_named(untold)} {'were' if len(untold) > 1 else 'was'} could not be heard"
    return said


def _strokes(told: list[Span]) -> str:
    """` with about 3 to 5 compression strokes each`; empty where they were not counted."""
    counts = [span.compressions for span in told if span.compressions is not None]
    if not counts:
        return ""
    least, most = min(counts), max(counts)
    each = " each" if len(told) > 1 else ""
    return f" with about {f'{least} to {most}' if most > least else least} compression strokes{each}"


def _named(numbers: list[int]) -> str:
    """`pull 2`, `pulls 2 and 3`."""
    return f"pull{'s' if len(numbers) > 1 else ''} {joined([str(number) for number in numbers])}"


def _pulls(timeline: Timeline) -> list[Span]:
    """Those of the last start: the last ones before the last run."""
    return list(timeline.start_pulls)
