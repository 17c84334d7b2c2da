"""The answer of one run, which stands first wherever the run is shown."""

from __future__ import annotations

from collections.abc import Sequence

from enginelog.model import Run
from enginelog.report.hurting import Hurt, hurts_in, is_danger
from enginelog.report.words import (
    RECORD_AGAIN,
    TAKEN_AT_WORD,
    WORST_FIRST,
    Headline,
    group,
    ran_words,
    ranked,
    sentence,
    sure_engine,
    title,
)


def headline(run: Run) -> Headline:
    """The answer first. What was found is said, above all what can hurt; a clean run is 'no fault that could be heard',
    never a certificate."""
    if not run.quality.usable:
        why = sentence(run.quality.problems[0].text) if run.quality.problems else "Its sound is too poor."
        return Headline("unknown", "This recording cannot be judged", f"{why} {RECORD_AGAIN}")
    hurts = hurts_in(run)
    verdicts = [*(finding.verdict for finding in run.measures.findings), *(each.verdict for each in hurts)]
    worst = next((verdict for verdict in WORST_FIRST if verdict in verdicts), "unknown")
    if not run.timeline.engine_heard:
        return _not_heard(run, worst)
    text = ran_words(run) + _with_care(run, again=not hurts)
    if worst in ("ok", "unknown"):
        return Headline(*_nothing_found(run), text, measured=run.measures.speed.rpm is not None)
    others = [one for one in ranked(run.measures.findings) if one.verdict == worst and not is_danger(run, one)]
    names = ", ".join(dict.fromkeys(title(one.code, one.of).lower() for one in others))
    return Headline(worst, _can_hurt(run, hurts, worst, names) if hurts else f"{_begun(run, worst)}: {names}", text)


def _begun(run: Run, verdict: str, hurts: bool = False) -> str:
    """How a title begins that names what is amiss. hurts: what can hurt."""
    can = " that can hurt" if hurts else ""
    if verdict == "fault":
        return f"A fault{can} can be heard" if sure_engine(run) else f"Perhaps a fault{can}, if this was an engine"
    return f"{'It ran' if sure_engine(run) else 'Perhaps an engine'}, with something to watch{can}"


def _can_hurt(run: Run, hurts: Sequence[Hurt], worst: str, others: str) -> str:
    """What can hurt first, then what else is as bad or worse."""
    gravest = next(verdict for verdict in WORST_FIRST if any(each.verdict == verdict for each in hurts))
    named = f"{_begun(run, gravest, True)}: {', '.join(dict.fromkeys(each.name for each in hurts))}"
    also = "also" if gravest == worst else "a fault can be heard:" if sure_engine(run) else "perhaps a fault:"
    return f"{named}; {also} {others}" if others else named


def _nothing_found(run: Run) -> tuple[str, str]:
    """Verdict and title where no fault was found: good only if lost firings would have been heard."""
    if not sure_engine(run):
        return "unknown", "An engine was perhaps heard, but not clearly enough to judge"
    groups = {group(finding.code) for finding in run.measures.findings if finding.verdict == "ok"}
    if not groups:
        return "unknown", "It ran, but little more can be told"
    if run.timeline.maybe_in_vain:
        return "unknown", "It ran and stopped; whether it was then pulled in vain cannot be told"
    if "misfire" not in groups:
        return "unknown", "It ran, but whether firings were lost cannot be told"
    return "ok", "It ran, and no fault could be heard"


def _not_heard(run: Run, worst: str) -> Headline:
    reason = sentence(run.timeline.reason or "Nothing with the steady beat of an engine was heard.")
    if run.timeline.pulls:
        verdict = worst if worst in ("fault", "watch") else "unknown"
        return Headline(verdict, "The starter was pulled, but the engine did not run", reason)
    return Headline("unknown", "No running engine was heard", reason)


def _with_care(run: Run, again: bool) -> str:
    """How far to trust it. again: whether it may be asked to be recorded again as it is."""
    poor = "" if run.quality.trust >= 0.5 else " The recording is poor: take all figures with care."
    if sure_engine(run):
        return poor
    why = TAKEN_AT_WORD if run.timeline.by_word else "Other sounds can be like this one."
    return f"{poor} {why} {RECORD_AGAIN if again else ''}".rstrip()
