"""The course of events in a recording: what happened when, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from enginelog.model.wording import counted


@dataclass(frozen=True)
class Span:
    """One entry of the timeline. kind: quiet, pull, run, rundown. compressions: strokes heard in a pull."""

    kind: str
    start_s: float
    end_s: float
    rpm: float | None = None
    compressions: int | None = None


def before_run(spans: tuple[Span, ...]) -> tuple[Span, ...]:
    """The spans before the last run; all where there is none. Pulls after it led to nothing and started nothing."""
    last_s = last_run_s(spans)
    return spans if last_s is None else tuple(span for span in spans if span.start_s < last_s)


def last_run_s(spans: tuple[Span, ...]) -> float | None:
    """When the last run begins; None where there is none."""
    return max((span.start_s for span in spans if span.kind == "run"), default=None)


@dataclass(frozen=True)
class Pop:
    """A loud bang that is no regular firing. where: running, slowing, after_cut."""

    at_s: float
    level_db: float
    where: str


@dataclass(frozen=True)
class RunDown:
    """How a run ended, by the beat of firings and, once nothing fires, of compressions. cut_s: when; where the beat
    does not tell, as the run seems to end. beat_s: when by the beat alone, and cut_chance: that this is right within
    0.3 s; None where too little follows. clear: whether the beat stands out and tells the cut, so that it tells the
    speed, too.

    t_s, rpm, rpm_std, confidence: equal lengths, frames of the track about and after the cut; the speed there, which
    falls, and its standard deviation, NaN where unknown; how likely it is right within 3 %, 0..1.
    """

    cut_s: float
    beat_s: float | None
    cut_chance: float | None
    clear: bool
    t_s: np.ndarray
    rpm: np.ndarray
    rpm_std: np.ndarray
    confidence: np.ndarray

    def of_run_until(self, end_s: float) -> bool:
        """Whether it is of the run that ends about `end_s`."""
        return abs(self.cut_s - end_s) < 1.5


@dataclass(frozen=True)
class Timeline:
    """What happened when. `reason` says in plain words why no engine was heard, where none was, or would have been had
    nobody said that one ran.

    confidence: that `engine_heard` is right, 0..1. pulls: those among the spans that belong to the start of the last
    run (all, where none went on before it); seconds_to_run: from the first of them to that run. How many there were
    lies from pulls_low to pulls_high (None: no upper end can be told), the same where the number is sure; both None in
    records from before it could be doubted. start_s: when the last run began; cut_s: when it ended. What is unknown or
    doubtful is None, with a reason. downs: of each run that ended, how it ran down. pulls_after: the sure ones of the
    pulls after the last run, which did not start it again; where so few are sure that none is told, pulls_after_open
    says how many may have been heard.
    """

    engine_heard: bool
    confidence: float
    spans: tuple[Span, ...]
    pulls: int = 0
    seconds_to_run: float | None = None
    rundown_s: float | None = None
    pops: tuple[Pop, ...] = ()
    reason: str | None = None
    pulls_low: int | None = None
    pulls_high: int | None = None
    pulls_reason: str | None = None
    start_s: float | None = None
    start_reason: str | None = None
    cut_s: float | None = None
    cut_reason: str | None = None
    rundown_reason: str | None = None
    downs: tuple[RunDown, ...] = field(default=(), compare=False)
    pulls_after: int = 0
    pulls_after_open: int = 0

    @property
    def by_word(self) -> bool:
        """Whether an engine is told of only because somebody said that one ran."""
        return self.engine_heard and self.reason is not None

    @property
    def engine_probability(self) -> float | None:
        """Probability that an engine ran by itself, 0.007 to 0.993; at most one half where none is said to be heard.

        None where the recording is too short to judge.
        """
        if not self.spans:
            return None
        return self.confidence if self.engine_heard else 1.0 - self.confidence

    def turning(self, t_s: np.ndarray) -> np.ndarray:
        """Which of the moments `t_s` (seconds, ascending, shape (n,)) lie in a run or a run-down: (n,) bool.

        None where no engine was heard. A pull is no turning by itself.
        """
        out = np.zeros(len(t_s), bool)
        for span in self.spans if self.engine_heard else ():
            if span.kind in ("run", "rundown"):
                first, past = np.searchsorted(t_s, [span.start_s, span.end_s])
                out[first:past] = True
        return out

    @property
    def last_rundown(self) -> Span | None:
        """The run-down after the last run; None where that goes on to the end, or nothing of it was heard."""
        at_end = [span for span in self.spans if span.kind in ("run", "rundown")][-1:]
        return next((span for span in at_end if span.kind == "rundown"), None)

    @property
    def start_pulls(self) -> tuple[Span, ...]:
        """The pulls of the start of the last run."""
        heard = [span for span in before_run(self.spans) if span.kind == "pull"]
        return tuple(heard[max(len(heard) - self.pulls, 0) :])

    @property
    def vain_words(self) -> str:
        """`3 pulls`, or `2 pulls or more`, after the engine stopped, which did not start it again; empty where none is
        sure."""
        if not self.pulls_after:
            return ""
        earlier = before_run(self.spans)
        heard = sum(span.kind == "pull" for span in self.spans) - sum(span.kind == "pull" for span in earlier)
        return counted(self.pulls_after, "pull") + (" or more" if heard > self.pulls_after else "")

    @property
    def pulled_after(self) -> bool:
        """Whether the starter was pulled in vain after the last run, or may have been."""
        return bool(self.pulls_after or self.pulls_after_open)

    @property
    def maybe_in_vain(self) -> str:
        """`what follows may be 3 pulls in vain, or knocks`; empty where none may be, or some surely are."""
        if not self.pulls_after_open:
            return ""
        return f"what follows may be {counted(self.pulls_after_open, 'pull')} in vain, or knocks"

    @property
    def pulls_sure(self) -> bool:
        """Whether the number of pulls is sure."""
        return self.pulls_reason is None

    @property
    def pulls_least(self) -> int:
        """The pulls that are sure."""
        return self.pulls if self.pulls_low is None else self.pulls_low

    @property
    def pulls_words(self) -> str:
        """`3`, `2 to 3`, `up to 3`, or `2 or more`."""
        if self.pulls_sure:
            return str(self.pulls)
        if self.pulls_high is None:
            return f"{self.pulls_least} or more"
        if self.pulls_least or self.pulls_high == 1:
            return f"{self.pulls_least} to {self.pulls_high}"
        return f"up to {self.pulls_high}"

    @property
    def pulls_bounded(self) -> bool:
        """Whether of the pulls heard one is sure, or how many there were at most is told."""
        return self.pulls > 0 and (self.pulls_least > 0 or self.pulls_high is not None)
