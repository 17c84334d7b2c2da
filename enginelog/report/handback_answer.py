"""The answer of a hand-back: how it runs now against before, from what was recorded and what failed at the bench."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from enginelog.compare import BeforeAfter
from enginelog.model import Comparison
from enginelog.model.wording import begun_small
from enginelog.report import words
from enginelog.report.comparison import CHANGE_SIGNS, CHANGE_WORDS, faults_of

ANSWERS = {
    "better": "It runs better than before",
    "worse": "It runs worse than before",
    "same": "It runs as before",
    "mixed": "Some things are better, some worse",
    "changed": "It runs differently, neither better nor worse",
    "cannot_tell": "Whether it runs better cannot be told",
}
NOT_MENDED = "Do not use it until this is put right, which failed at the bench: {}."
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


def top_of(pair: BeforeAfter, full: bool) -> Top:
    """The answer from what was recorded."""
    after = pair.after.run if pair.after else None
    if pair.comparison is not None:
        return _compared(pair.comparison, full)
    if after is not None:
        head = words.headline(after)
        text = f"{words.sentence(head.text)} There is no recording from before the work to hold it against."
        return Top(head.verdict, words.SIGNS[head.verdict], head.word, head.title, text)
    text = "So there is no measurement of how it runs now."
    if pair.before is None or pair.before.run is None:
        return Top("unknown", "?", "Not measured", "No recording was made", text)
    head = words.headline(pair.before.run)
    text += f" Before the work: {begun_small(head.title)}. {words.sentence(head.text)}"
    return Top("unknown", "?", "Not measured", "Not recorded after the work", text)


def with_unsafe(top: Top, unsafe: str) -> Top:
    """How it runs is no reason for green where something that can hurt failed at the bench and has not passed since."""
    if not unsafe:
        return top
    return replace(top, tone="watch" if top.tone == "ok" else top.tone, text=f"{top.text} {NOT_MENDED.format(unsafe)}")


def _compared(comparison: Comparison, full: bool) -> Top:
    verdict, text, answer = comparison.verdict, comparison.summary, ANSWERS[comparison.verdict]
    start = next((one for one in comparison.measures if one.code == "start"), None)
    if start:
        answer, text = comparison.summary.split(".")[0], start.text
    elif not comparison.comparable:
        text = f"{comparison.summary} {comparison.advice or ''}".strip()
    elif not full and verdict != "cannot_tell":
        text = _without_doubts(text)
    left = faults_of(comparison.after)
    if left:
        text += f" After the work a fault can still be heard: {left}."
    tone = TONES.get(verdict, "unknown")
    tone = "watch" if left and tone == "ok" else tone  # better is no reason for green where a fault is left
    return Top(tone, CHANGE_SIGNS[verdict], CHANGE_WORDS[verdict], answer, text)


def _without_doubts(text: str) -> str:
    """The answer without the lists of what cannot be told and of what stayed the same, which are for the bench."""
    shorter = re.sub(r" ?(Cannot tell|Not sure|The same): [^.]*\.", "", text).strip()
    return shorter or text
