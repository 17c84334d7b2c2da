"""What an answer page shows of a run, in the words of the report."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from enginelog.advice import Advice, NextCheck
from enginelog.model import Finding, Problem, Run
from enginelog.plots.thin import envelope
from enginelog.report import words
from enginelog.report.by_rules import advice_of
from enginelog.report.facts import Fact, facts, why_unknown
from enginelog.report.headline import headline
from enginelog.report.hurting import said_first
from enginelog.report.next_steps import next_steps

MOST_POINTS = 6000
BINS = 2000
LEAD_S = 0.5
CHECKS_OPEN = 2  # checks whose how and what follows lies open; that of the next ones unfolds


@dataclass(frozen=True)
class Told:
    """One finding as it is shown: its title, sentence, and the stretch to hear (None where it has none)."""

    finding: Finding
    title: str
    text: str
    start_s: float | None
    end_s: float | None


@dataclass(frozen=True)
class Answer:
    """The answer first, then what can hurt, the findings from the worst on, the measures, what ails the recording,
    advice.

    checks, folded: those of the advice, the first ones open, the others to unfold. next: in a few words what else.
    """

    run: Run
    top: words.Headline
    first: tuple[str, ...]
    told: tuple[Told, ...]
    known: tuple[Fact, ...]
    unknown: tuple[tuple[str, str], ...]
    problems: tuple[Problem, ...]
    checks: tuple[NextCheck, ...]
    folded: tuple[NextCheck, ...]
    next: tuple[str, ...]
    advice: Advice


def answer(run: Run) -> Answer:
    """The parts of a run for the page."""
    found = facts(run) if run.quality.usable else []
    ranked = words.ranked(run.measures.findings)
    steps = next_steps(run)
    return Answer(
        run=run,
        top=headline(run),
        first=said_first(run),
        told=tuple(_told(finding) for finding in ranked if finding.verdict in ("fault", "watch")),
        known=tuple(fact for fact in found if fact.known),
        unknown=tuple((fact.label, why_unknown(run, fact)) for fact in found if not fact.known),
        problems=run.quality.problems,
        checks=steps.checks[:CHECKS_OPEN],
        folded=steps.checks[CHECKS_OPEN:],
        next=steps.others,
        advice=advice_of(run),
    )


def _told(finding: Finding) -> Told:
    start_s, end_s = finding.start_s, finding.end_s
    if start_s is not None and (end_s is None or end_s - start_s < LEAD_S):
        start_s, end_s = max(0.0, start_s - LEAD_S), start_s + 2 * LEAD_S
    return Told(
        finding, words.title(finding.code, finding.of), words.glued(words.sentence(finding.text)), start_s, end_s
    )


def track(run: Run) -> dict[str, Any]:
    """The speed over time for the page's own plot: plain lists, unknown None, thinned where very long."""
    told = run.track_told
    t_s, rpm, sure = told.t_s, told.rpm, told.confidence
    if len(t_s) > MOST_POINTS:
        thin, how_sure = envelope(t_s, rpm, BINS), envelope(t_s, sure, BINS)
        t_s, rpm, sure = thin.x, thin.mean, how_sure.mean
    spans = [{"kind": s.kind, "start": round(s.start_s, 2), "end": round(s.end_s, 2)} for s in run.timeline.spans]
    amiss = [each for each in map(_told, run.measures.findings) if each.finding.verdict in ("fault", "watch")]
    marks = [
        {"title": each.title, "start": each.start_s, "end": each.end_s} for each in amiss if each.start_s is not None
    ]
    return {
        "seconds": round(run.clip.seconds, 3),
        "t": _plain(t_s, 3),
        "rpm": _plain(rpm, 1),
        "sure": _plain(sure, 2),
        "spans": spans,
        "marks": marks,
        "rated": run.engine.rated_rpm,
        "idle": run.engine.idle_rpm,
    }


def _plain(values: np.ndarray, digits: int) -> list[float | None]:
    return [round(float(value), digits) if math.isfinite(value) else None for value in values]
