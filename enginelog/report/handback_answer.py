"""The answer of a hand-back: how it runs now against before, from what was recorded and what failed at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from enginelog.compare import BeforeAfter
from enginelog.compare.dates import made, newest
from enginelog.compare.left_open import said_open
from enginelog.compare.stopping import START_AGAIN
from enginelog.model import Compared, Comparison, Job, JobRecord, Run, StoredRun
from enginelog.model.wording import begun_small, joined, one_line
from enginelog.report import words
from enginelog.report.comparison import CHANGE_SIGNS, CHANGE_WORDS, faults_of
from enginelog.report.headline import headline
from enginelog.report.made_when import before_the_last_work
from enginelog.report.shown_mended import Mended

ANSWERS = {
    "better": "It runs better than before",
    "worse": "It runs worse than before",
    "same": "It runs as before",
    "mixed": "Some things are better, some worse",
    "changed": "It runs differently, neither better nor worse",
    "cannot_tell": "Whether it runs better cannot be told",
}
NO_WORK = "Recorded, but no work was written down"
NOT_SINCE = "Not recorded since the last work"
NOT_REOPENED = "Not recorded since the job was reopened"
NOT_MENDED = "Do not use it until this is put right, which failed at the bench: {}."
MENDED_SIGN = "Put right"
NOTHING_ELSE = "Whether it runs better otherwise cannot be told."
SEE_WATCH = "What was heard and can hurt stands first among what to watch."
TONES = {"better": "ok", "worse": "fault", "mixed": "watch"}  # others are neutral


@dataclass(frozen=True)
class Top:
    """The answer: tone (ok, watch, fault, unknown) of the banner, a character and a word that say the same, the answer
    itself and a sentence or two."""

    tone: str
    mark: str
    sign: str
    answer: str
    text: str


def top_of(record: JobRecord, pair: BeforeAfter, full: bool) -> Top:
    """The answer from what was recorded. full: for the bench, which is told what to record instead, too."""
    after = pair.after.run if pair.after else None
    before = pair.before.run if pair.before else None
    if pair.newer is not None:
        return _overtaken(record, pair.newer, full)
    if pair.comparison is not None and before is not None and after is not None:
        return _since_reopened(_compared(pair.comparison, before, after, full), pair)
    if after is not None:
        head = headline(after)
        text = f"{_told(head, full)} There is no recording from before the work to hold it against."
        return _since_reopened(Top(head.verdict, words.SIGNS[head.verdict], head.word, head.title, text), pair)
    during = newest(record.of_stage("during"))
    the_work = " the work" if record.work else ""
    sides = (("Before", before), ("During", during.run if during else None))
    heard = [_by_itself(f"{stage}{the_work}", run, full) for stage, run in sides if run is not None]
    if heard and not record.work:
        return Top("unknown", "?", "Not compared", NO_WORK, " ".join(heard))
    answer = "Not recorded after the work" if heard else "No recording was made"
    text = " ".join(("So there is no measurement of how it runs now.", *heard))
    return Top("unknown", "?", "Not measured", answer, text)


def _overtaken(record: JobRecord, newer: StoredRun, full: bool) -> Top:
    """The answer where the newest recording is none from after the work: what that shows, and no word of mended."""
    assert newer.run is not None  # it shows something
    date, side = made(newer).at.local_date, "during" if newer.stage == "during" else "before"
    if before_the_last_work(record, newer):
        last = _by_itself(f"Last recorded, {date}, {side} the last work", newer.run, full)
        return Top("unknown", "?", "Not measured", NOT_SINCE, f"So there is no measurement of how it runs now. {last}")
    head = headline(newer.run)
    tone = "unknown" if head.verdict == "ok" else head.verdict  # well, but not from after the work: no reason for green
    text = f"{_told(head, full)} Recorded {date}; all that was recorded after the work is older.".strip()
    return Top(tone, words.SIGNS[tone], "Not compared" if tone == "unknown" else head.word, head.title, text)


def _since_reopened(top: Top, pair: BeforeAfter) -> Top:
    """What was recorded before the job was opened again is told as of its date, and not as how it runs now."""
    if not pair.reopened or pair.after is None:
        return top
    date = made(pair.after).at.local_date
    text = f"As recorded {date}: {begun_small(top.answer.rstrip('.'))}. {top.text}"
    return Top("unknown", "?", "Not measured", NOT_REOPENED, text)


def _by_itself(when: str, run: Run, full: bool) -> str:
    """What one recording says, without another beside it."""
    head = headline(run)
    return f"{when}: {begun_small(head.title)}. {_told(head, full)}".strip()


def _told(head: words.Headline, full: bool) -> str:
    """The text of a headline; its advice on recording is for the bench."""
    text = head.text if full else head.text.replace(words.RECORD_AGAIN, "").strip()
    return words.sentence(text)


def not_mended(job: Job, top: Top) -> Top:
    """Of a machine that was given up or goes back as it came, that is the answer; what was heard stands behind it."""
    if job.not_mended is None:
        return top
    why = f": {one_line(job.not_mended)}" if job.not_mended else ""
    tone = "fault" if top.tone == "fault" else "watch"
    return Top(tone, words.SIGNS[tone], "Not mended", f"Not mended{why}", f"{top.answer}. {top.text}")


def with_mended(top: Top, mended: Sequence[Mended], after: Run | None, stands: bool) -> Top:
    """With what could hurt and is shown to be put right; that is the answer where nothing else decides one, and nothing
    else that can hurt stands. after: the run that shows how it is now; None where there is none."""
    if not mended:
        return top
    said = " ".join(each.said for each in mended)
    if after is None or stands or top.sign != CHANGE_WORDS["cannot_tell"] or top.answer != ANSWERS["cannot_tell"]:
        return replace(top, text=f"{top.text} {said}".strip())
    tone = "ok" if headline(after).verdict == "ok" else "watch"
    answer = f"{MENDED_SIGN}: {joined([begun_small(each.title) for each in mended])}"
    return Top(tone, words.SIGNS[tone], MENDED_SIGN, answer, f"{said} {NOTHING_ELSE} {top.text}")


def with_unsafe(top: Top, unsafe: str, heard: bool) -> Top:
    """How it runs is no reason for green where something that can hurt failed at the bench and has not passed since, or
    was heard and is not shown to be gone (heard)."""
    said = ([NOT_MENDED.format(unsafe)] if unsafe else []) + ([SEE_WATCH] if heard else [])
    if not said:
        return top
    return replace(top, tone="watch" if top.tone == "ok" else top.tone, text=" ".join((top.text, *said)))


def _compared(comparison: Comparison, before: Run, after: Run, full: bool) -> Top:
    verdict, text, answer = comparison.verdict, comparison.summary, ANSWERS[comparison.verdict]
    start = next((one for one in comparison.measures if one.code == "start"), None)
    left = _left(comparison.before, comparison.after)
    turn = _turn(comparison)
    if start:
        answer, text = comparison.lead, start.text if full else start.text.replace(START_AGAIN, "")
    elif not comparison.comparable:
        sides = (("Before the work", before), ("After the work", after))
        alone = (comparison.advice,) if full else (_by_itself(when, run, full) for when, run in sides)
        text = " ".join(filter(None, (comparison.summary, *alone)))
    else:
        text = text if full or verdict == "cannot_tell" else comparison.short or text
        answer, text = turn or answer, text.removeprefix(f"{turn}. ") if turn else text
    if left and (start or comparison.comparable or full):
        text += f" {left}"
    faults = tuple(code for code in comparison.left_open if code in comparison.before.faults)
    if faults:
        answer = f"{answer}; {begun_small(said_open(faults).rstrip('.'))}"
    tone = TONES.get(verdict, "unknown")
    if tone == "ok" and (left or faults or after.timeline.pulled_after or comparison.stopped):
        tone = "watch"  # better is no reason for green where a fault is left or may be, or where it stopped
    return Top(tone, CHANGE_SIGNS[verdict], CHANGE_WORDS[verdict], answer, text)


def _turn(comparison: Comparison) -> str:
    """That it no longer runs too fast, or does now, where the speed is all that is better or worse."""
    moved = [one.code for one in comparison.measures if one.verdict in ("better", "worse")]
    return comparison.lead if comparison.turn and moved == ["speed"] else ""


def _left(before: Compared, after: Compared) -> str:
    """Which faults are heard after the work: still, where they were heard before; empty where there are none."""
    kept = [code for code in after.faults if code in before.faults]
    new = [code for code in after.faults if code not in before.faults]
    said = [("still ", kept)] if kept else []
    said += [("", new)] if new else []
    return " ".join(
        f"After the work a fault can {still}be heard: {faults_of(replace(after, faults=tuple(codes)))}."
        for still, codes in said
    )
