"""Two runs in, one comparison out."""

from __future__ import annotations

from enginelog import limits as limit_files
from enginelog.compare import firing, steady, stopping, under_load, words
from enginelog.compare.comparable import Obstacle, obstacle, pulls_only
from enginelog.compare.dates import swapped_note
from enginelog.compare.estimate import Estimate, unknown
from enginelog.compare.events import never_cleared, starts_heard
from enginelog.compare.judging import judge
from enginelog.compare.left_open import left_open, said_open
from enginelog.compare.measures import RUNNING, SPEED, START, Measure, applies
from enginelog.compare.put_right import AS_IT_STOOD, NO_LONGER_TOO_FAST, REST, speed_turn
from enginelog.compare.running_on import ended
from enginelog.compare.sample import Sample, take_both
from enginelog.limits import LimitSet
from enginelog.model import Compared, Comparison, Difference, Run
from enginelog.model.wording import begun_small

ALL = (*START, SPEED, *RUNNING)
ONE_START = "Starting was heard once in each recording; an engine takes a pull more or less from time to time."
AFTER_ROUGH = "Misfires, steadiness and evenness are those after the rough start, in both runs."
OWN_BAND = (
    "Steadiness is compared without slow drift and the noise of measuring: its bands are mostly narrower than those of"
    " the recordings' own reports."
)
FOR_THE_BENCH = (OWN_BAND, AFTER_ROUGH, under_load.RECORD_ALIKE)  # notes on measuring, which say nothing of the machine
STILL_ROUGH = (
    "it never got past its rough start, and the other recording begins with the engine running; record that one from"
    " its start, too, or this one until it clears"
)
SAME_LOAD = "Dip, droop and recovery can be held against each other only under the same load."


def compare(
    before: Run,
    after: Run,
    limits: LimitSet | None = None,
    cleaning: LimitSet | None = None,
    notes: tuple[str, ...] = (),
    warm: tuple[bool, bool] = (False, False),
    loaded: tuple[bool | None, bool | None] = (None, None),
) -> Comparison:
    """Hold the run after against the run before: each measure with its difference, its interval and verdict.

    The intervals are joint: those of all measures together hold the true differences in 95 % (limit joint_level).

    limits: topic compare; cleaning: topic findings, by which speed and firings are cleaned as for the run's own
    findings (None: the project's own files). notes: what is known to differ besides, handed through, behind
    the note on files whose own dates put the two in the other order. warm: of which it was told that it was warm.
    loaded: of each, whether it was told to be under load (None: nothing was told).
    The same two recordings always give the same answer.
    """
    limits = limits or limit_files.load("compare")
    cleaning = cleaning or limit_files.load("findings")
    notes = swapped_note(before, after) + notes + _in_vain_notes(before, after)
    against = obstacle(before, after, limits)
    if against is not None and not against.start_stands:
        return refused(before, after, against, limits, notes)
    if pulls_only(before) or pulls_only(after):
        return _with_failed_start(before, after, limits, cleaning, notes)
    samples = firing.alike(*steady.alike(*take_both(before, after, limits, cleaning)))
    wanted = [one for one in ALL if applies(one, *samples) and (against is None or not one.needs_speed)]
    unlike = under_load.unlike(before, after, loaded, limits)
    measures = stopping.stops(before, after, cleaning) + _judged(wanted, samples, limits, warm, bool(unlike))
    speed = next((one.verdict for one in measures if one.code == SPEED.code), "")
    turn = speed_turn(before, after, speed, limits) if against is None or against.of_speed else ""
    if against is not None and not turn:
        return refused(before, after, against, limits, notes, measures)
    verdict, summary, short = words.overall(measures)
    sides = _both(before, after, limits)
    open_ = left_open(*sides, after, measures, bool(unlike))
    rest = (REST if against else "", said_open(open_))
    answer, short = (" ".join(filter(None, (f"{turn}." if turn else "", each, *rest))) for each in (summary, short))
    said = ((unlike, under_load.RECORD_ALIKE) if unlike else ()) + notes + _own_notes(measures)
    said += (AS_IT_STOOD,) if turn == NO_LONGER_TOO_FAST else ()
    return Comparison(
        True, verdict, answer, *sides, measures, notes=said, limits_used=_used(limits), left_open=open_,
        short=short, lead=turn, turn=bool(turn), stopped=_stopped(measures),
    )  # fmt: skip


def _stopped(measures: tuple[Difference, ...]) -> bool:
    """Whether it stopped after the work, and was started again or pulled in vain."""
    return any(one.code == stopping.CODE and one.after for one in measures)


def _judged(
    wanted: list[Measure],
    samples: tuple[Sample, Sample],
    limits: LimitSet,
    warm: tuple[bool, bool] = (False, False),
    loads_unlike: bool = False,
) -> tuple[Difference, ...]:
    """All measures, each with so wide an interval that together they hold `joint_level` (Sidak 1967).

    What neither recording holds cannot differ, and is not counted.
    """
    runs = samples[0].run, samples[1].run
    rough = tuple(
        _still_rough(one, other, told, limits) for one, other, told in zip(runs, runs[::-1], warm, strict=True)
    )
    values = {one.code: (_taken(one, samples[0], rough[0]), _taken(one, samples[1], rough[1])) for one in wanted}
    counted = sum(first.known and second.known and (first.heard or second.heard) for first, second in values.values())
    level = limits.value("joint_level") ** (1 / max(counted, 1))
    return tuple(judge(one, *samples, values[one.code], level, limits, loads_unlike) for one in wanted)


def _still_rough(run: Run, other: Run, warm: bool, limits: LimitSet) -> bool:
    """Whether a run may be all cold start, and the other begins when its own start was over."""
    return not warm and not starts_heard(other.timeline) and never_cleared(run, limits)


def _taken(measure: Measure, sample: Sample, rough: bool) -> Estimate:
    """A run's value; none of what is taken from where a rough start is over, where that was not heard to be (rough)."""
    return unknown(STILL_ROUGH) if rough and measure.of_smooth else measure.take(sample)


def _in_vain_notes(before: Run, after: Run) -> tuple[str, ...]:
    """That a run which can be held against the other stopped, and did not start again."""
    if pulls_only(before) or pulls_only(after):
        return ()
    said = (("Before", before.timeline), ("After", after.timeline))
    found = (
        (when, f"was then {words.in_vain(line)}" if line.pulls_after else line.maybe_in_vain) for when, line in said
    )
    return tuple(f"{when}: it stopped, and {what}." for when, what in found if what)


def _own_notes(measures: tuple[Difference, ...]) -> tuple[str, ...]:
    told = {one.code for one in measures if one.verdict != "cannot_tell"}
    notes = [ONE_START] if told & {"pulls", "seconds_to_run"} else []
    notes += [OWN_BAND] if any(one.code == "steadiness" and one.before is not None for one in measures) else []
    notes += [AFTER_ROUGH] if any(one.code == "settling" for one in measures) else []
    return tuple(notes + ([SAME_LOAD] if told & {"dip", "droop", "recovery"} else []))


def _both(before: Run, after: Run, limits: LimitSet) -> tuple[Compared, Compared]:
    return _side(before, limits), _side(after, limits)


def _side(run: Run, limits: LimitSet) -> Compared:
    told = run.measures.findings if run.quality.usable and run.timeline.engine_heard else ()
    faults, watches = (
        tuple(dict.fromkeys(finding.code for finding in told if finding.verdict == verdict))
        for verdict in ("fault", "watch")
    )
    return Compared(run.clip.name, run.clip.sha256, words.heard(run, limits), faults, watches)


def _used(limits: LimitSet) -> tuple[tuple[str, float], ...]:
    return tuple((f"compare.{limit.name}", limit.value) for limit in limits.values())


def refused(
    before: Run,
    after: Run,
    against: Obstacle,
    limits: LimitSet,
    notes: tuple[str, ...] = (),
    measures: tuple[Difference, ...] = (),
) -> Comparison:
    """Two runs that are not held against each other. measures: those that stand all the same."""
    measures = tuple(one for one in measures if one.verdict != "cannot_tell" or one.code == stopping.CODE)
    summary = f"The two runs cannot be compared: {against.reason}."
    if measures:
        summary += " What stands by itself all the same is given."
    return Comparison(
        False, "cannot_tell", summary, *_both(before, after, limits), measures, against.reason, against.advice, notes,
        _used(limits), stopped=_stopped(measures),
    )  # fmt: skip


def _with_failed_start(
    before: Run, after: Run, limits: LimitSet, cleaning: LimitSet, notes: tuple[str, ...]
) -> Comparison:
    """Where one run, or both, holds only pulls: it starts now, or no longer, or still does not."""
    runs = tuple(
        f"did not start ({words.pulls(run.timeline)})" if pulls_only(run) else _started(run, limits)
        for run in (before, after)
    )
    verdict, lead, doubts = _start_verdict(before, after, limits, cleaning)
    text = " ".join((f"Before: {runs[0]}. After: {runs[1]}.", *doubts))
    start = Difference("start", "Starting", "pulls", verdict, text, *_counts(before, after))
    return Comparison(
        True,
        verdict,
        f"{lead}. {text}",
        *_both(before, after, limits),
        (start,),
        notes=notes,
        limits_used=_used(limits),
        short=text,
        lead=lead,
        stopped=stopping.IN_BETWEEN in doubts,
    )


def _start_verdict(before: Run, after: Run, limits: LimitSet, cleaning: LimitSet) -> tuple[str, str, tuple[str, ...]]:
    """Verdict, answer, and what is in doubt, where not both ran."""
    if pulls_only(before) and pulls_only(after):
        doubt = "Whether anything changed cannot be told from pulls alone."
        return "cannot_tell", "It still does not start", (doubt,)
    verdict, lead, ran = (
        ("better", "It runs now", after) if pulls_only(before) else ("worse", "It no longer starts", before)
    )
    doubts = []
    if ran is before and before.timeline.pulled_after:
        verdict, lead = "cannot_tell", "It does not start"
        not_again = "may not have started" if before.timeline.maybe_in_vain else "did not start"
        doubts.append(f"Before, too, it {not_again} again once it had stopped.")
    elif ran is after and (short := stopping.hardly_ran(after, limits)):
        verdict, lead = "cannot_tell", short
        doubts.append(stopping.NOT_SHOWN)
        doubts += [stopping.WHO] if ended(after, cleaning) and not after.timeline.pulls_after else []
    elif ran is after and ended(after, cleaning):
        doubts.append(stopping.IN_BETWEEN)
    if not words.sure_engine(ran, limits):
        verdict, lead = "cannot_tell", f"Perhaps {begun_small(lead)}"
        doubts.append("Whether what was heard is an engine that runs by itself is not sure: record it again, nearer.")
    return verdict, lead, tuple(doubts)


def _counts(before: Run, after: Run) -> tuple[float | None, float | None]:
    """The pulls it took to start each run, or all where it did not; None where their number is not sure."""
    lines = before.timeline, after.timeline
    first, second = (
        float(line.pulls) if line.pulls and line.pulls_sure and not line.pulled_after else None for line in lines
    )
    return first, second


def _started(run: Run, limits: LimitSet) -> str:
    if run.timeline.pulls_after:
        return f"{words.heard(run, limits)}, then {words.in_vain(run.timeline)}"
    after = f" after {words.pulls(run.timeline)}" if run.timeline.pulls_bounded else ""
    return f"{words.heard(run, limits)}{after}"
