"""Verdicts on starting and stopping."""

from __future__ import annotations

from enginelog.findings.gather import Evidence
from enginelog.findings.startstop import StartStudy, count_words, pulls_heard, sure_pulls
from enginelog.findings.words import GOVERNOR, IGNITION, graded, unknown, worst
from enginelog.limits import LimitSet
from enginelog.model import Finding, Timeline
from enginelog.model.wording import begun_large, counted, often

FROM_THE_PULL = ("begin the recording before the first pull",)
STOP_AGAIN = "record the switching off again, with nothing else sounding, until the engine stands still"
NO_CERTIFICATE = "A recording cannot certify the blade-stop time; the way it is to be measured is not by ear."


def judge_start(evidence: Evidence, limits: LimitSet) -> Finding:
    """Pulls, time to run, false starts, stalls."""
    start, line = evidence.start, evidence.timeline
    eventful = bool(start.false_starts or start.restarts or start.vain_count)
    untold = _why_untold(start, line, eventful)
    if untold is not None:
        why, advice = untold
        return unknown(
            "start", f"{why}; then it stopped, and {line.maybe_in_vain}" if line.maybe_in_vain else why, advice
        )
    limit = limits["pulls_watch"]
    by_number = graded(start.pulls, limit.value)
    verdict = worst(by_number, "watch" if eventful else "ok")
    text = f"{begun_large(', '.join(_parts(start, limits)))}."
    if verdict == "ok" and not _no_more_pulls_than(line, limit.value):
        verdict, text = "unknown", f"{text} How many in all cannot be told."
    if line.maybe_in_vain:
        verdict, text = worst(verdict, "unknown"), f"{text} Then it stopped; {line.maybe_in_vain}."
    pulls = float(start.pulls) if line.pulls_sure else None
    advice = IGNITION[:1] + GOVERNOR[1:2] if verdict in ("watch", "fault") else ()
    beside = limit.value if by_number != "ok" or not eventful else None  # it is not their number that is to be watched
    return Finding("start", verdict, text, pulls, "pulls", beside, limit.cited, None, start.first_run_s, advice)


def _why_untold(start: StartStudy, line: Timeline, eventful: bool) -> tuple[str, tuple[str, ...]] | None:
    """Why nothing is told of the start, and what to do about it; None where something is."""
    if start.already_running and not eventful:
        return "the recording begins with the engine running", FROM_THE_PULL
    if not (start.pulls or line.pulls or eventful):
        return "no pull of the starter stands out", FROM_THE_PULL
    if not (eventful or line.pulls_bounded):
        return line.pulls_reason or "no pull of the starter surely stands out", ()
    return None


def _parts(start: StartStudy, limits: LimitSet) -> list[str]:
    """What is told of a start, in order."""
    parts = [f"{start.pull_count} of the starter heard{' before the last start' if start.restarts else ''}"]
    if start.already_running and start.vain_count and not start.restarts:
        parts = ["the recording begins with the engine running"]
    if start.pull_words:
        parts[0] += f" ({start.pull_words})"
    if start.seconds_to_run is not None:
        parts.append(f"{start.seconds_to_run:z.1f} s from the first pull to running by itself")
    if start.false_starts:
        parts.append(
            f"{counted(start.false_starts, 'false start')} (ran for less than {limits.value('false_start_s'):z.0f} s)"
        )
    if start.restarts:
        parts.append(f"stopped and was started again {often(start.restarts)}")
    if start.vain_count:
        parts.append(f"then it stopped; {start.vain_count}, and it did not start again")
    return parts


def _no_more_pulls_than(timeline: Timeline, most: float) -> bool:
    """Whether the starter was surely pulled no more often than `most`: the upper end counts where one is told."""
    return timeline.pulls_sure or (timeline.pulls_high is not None and timeline.pulls_high <= most)


def failed_start(timeline: Timeline, why: str, limits: LimitSet) -> Finding:
    """Start where no engine ran: pulls without a start are a fault, silence is unknown."""
    pulls = sure_pulls(timeline)
    if pulls == 0 or timeline.engine_heard:
        return unknown("start", why)
    limit = limits["pulls_watch"]
    words = pulls_heard(timeline)
    text = f"{count_words(timeline)} heard{f' ({words})' if words else ''}, and the engine did not start."
    verdict = "fault" if pulls > limit.value else "watch"
    value = float(pulls) if timeline.pulls_sure else None
    return Finding("start", verdict, text, value, "pulls", limit.value, limit.cited, next=IGNITION[:1] + GOVERNOR[1:2])


def judge_stop(evidence: Evidence, limits: LimitSet) -> Finding:
    """Run-down time; for a blade against the 3.0 s rule, without ever certifying it."""
    seconds = evidence.timeline.rundown_s
    if seconds is None:
        return _stop_unknown(evidence.timeline)
    engine, died = evidence.engine, bool(evidence.start.vain_count or evidence.timeline.pulls_after_open)
    if not engine.has_blade:
        begin = "the last firing" if died else "ignition off"
        return Finding("stop", "ok", f"From {begin} to standstill {seconds:z.1f} s.", seconds, "s")
    if died:  # a blade brake acts once it is switched off
        why = f"it stood still {seconds:z.1f} s after the last firing, but may have stopped by itself"
        return unknown("stop", why, (STOP_AGAIN,))
    limit, doubt = limits["blade_stop_s"], limits.value("blade_stop_doubt")
    verdict = graded(seconds, limit.value * (1 - doubt), limit.value * (1 + doubt))
    by_ear = f" By ear that may be {100 * doubt:z.0f} % off, so it may be too long or in time."
    near = by_ear if verdict == "watch" else ""
    text = (
        f"From ignition off to standstill {seconds:z.1f} s; a mower's blade must stand within"
        f" {limit.value:z.1f} s.{near} {NO_CERTIFICATE}"
    )
    advice = ("blade brake, by the manual, with the plug lead off",) if verdict != "ok" else ()
    return Finding("stop", verdict, text, seconds, "s", limit.value, limit.cited, next=advice)


def _stop_unknown(timeline: Timeline) -> Finding:
    """Why no run-down is timed; one that was heard is not denied, and nobody is sent to record what is there."""
    why = timeline.rundown_reason or "ignition off and standstill were not both heard"
    down = timeline.last_rundown
    if down is None:
        return unknown("stop", why, ("keep recording until the engine stands still",))
    heard = f"a run-down is heard from about {down.start_s:z.1f} to {down.end_s:z.1f} s"
    return unknown("stop", f"{heard}, but {why}", (STOP_AGAIN,))
