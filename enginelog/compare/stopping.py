"""Whether an engine stopped and was started again in one of two recordings, and whether it runs on at all."""

from __future__ import annotations

from enginelog.compare import words
from enginelog.compare.running_on import ended, lengths, ran_on, stood_on
from enginelog.limits import LimitSet
from enginelog.model import Difference, Run
from enginelog.model.wording import begun_large, begun_small, often

CODE, LABEL = "stops", "Stopping and starting again"
WHO = "Whether somebody stopped it cannot be told."
START_AGAIN = ": record a start again, and let it run"
NOT_SHOWN = f"Whether it goes on running is not shown{START_AGAIN}."
IN_BETWEEN = f"It stopped in between and was started again. {WHO}"


def stops(before: Run, after: Run, cleaning: LimitSet) -> tuple[Difference, ...]:
    """How often each stopped and was started again; nothing where neither did.

    It is never called better or worse, since whoever recorded may have stopped it. Changed is said where one ran on in
    one go for longer than the other ever did until it stopped; else it may only have been recorded for too short.
    """
    over = ended(before, cleaning), ended(after, cleaning)
    if not any(over):
        return ()
    one_go = [run for run, stopped in zip((before, after), over, strict=True) if not stopped]
    longest = max(max(each, default=0.0) for each in over)
    verdict = "changed" if one_go and max(lengths(one_go[0]), default=0.0) > longest else "cannot_tell"
    first, second = (_course(run, stopped) for run, stopped in zip((before, after), over, strict=True))
    short = f"{first.format('before')}, {second.format('after')}"
    brief = "it may only have been recorded for too short; " if verdict == "cannot_tell" and one_go else ""
    text = f"{begun_large(short)}; {brief}{begun_small(WHO)}"
    return (Difference(CODE, LABEL, "times", verdict, text, float(len(over[0])), float(len(over[1])), short=short),)


def _course(run: Run, over: list[float]) -> str:
    """`once {} (ran 4.2 s and 3.9 s)`, or `not {} (ran 23 s in one go)`; in the gap stands which of the two it is."""
    every = lengths(run)
    if not over:
        return f"not {{}} (ran {words.seconds(max(every, default=0.0))} in one go)"
    vain = ", and did not start again" if run.timeline.pulls_after else ""
    return f"{often(len(over))} {{}} (ran {words.each_run(every)}{vain})"


def hardly_ran(after: Run, limits: LimitSet) -> str:
    """That it died and was or may have been pulled in vain, or was not heard to run on; empty where it does run."""
    if after.timeline.pulls_after:
        return f"It started, {words.ran(after)} and stopped; then it was {words.in_vain(after.timeline)}"
    if after.timeline.maybe_in_vain:
        return f"It started, {words.ran(after)} and stopped; {after.timeline.maybe_in_vain}"
    least = limits.value("stopped_least_s" if stood_on(after, limits) else "run_least_s")
    if ran_on(after, least):
        return ""
    every = lengths(after)
    only = "only " if max(every, default=0.0) < least else ""
    if len(every) < 2:
        return f"It started, and ran {only}{words.seconds(words.ran_s(after))}"
    return f"It started {often(len(every))}, and ran {only}{words.each_run(every)}"
