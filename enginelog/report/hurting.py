"""What can hurt in one run: the one answer to it for headline, summary, report, bench page, job and hand-back.

hurts_in(run) -> what was heard in it that can hurt, the worst first
said_first(run) -> what is said of it before all else, as `advise` says it
"""

from __future__ import annotations

from dataclasses import dataclass

from enginelog.limits.trade.knowledge import Rule
from enginelog.model import Finding, Run, is_over_rated
from enginelog.model.wording import begun_small
from enginelog.report import words
from enginelog.report.by_rules import advice_of
from enginelog.report.owner_words import for_owner

SAYS_AGAIN = ("too_fast", "slow_stop")  # signs by which a rule says again what a finding says with its figures
NAMES = {"speed": "too fast", "blade_speed": "too fast for its blade", "stop": "slow to stand still"}


@dataclass(frozen=True)
class Hurt:
    """One thing that can hurt, as it was heard in a run. source: the finding, or the rule that speaks."""

    run: Run
    source: Finding | Rule

    @property
    def code(self) -> str:
        """By which one recording's is known to be another's, too."""
        return self.source.code if isinstance(self.source, Finding) else self.source.name

    @property
    def title(self) -> str:
        """What it is called among findings."""
        return words.title(self.source.code) if isinstance(self.source, Finding) else self.source.title

    @property
    def name(self) -> str:
        """What it is, within a sentence, no surer than it is known: "perhaps too fast"."""
        if isinstance(self.source, Rule):
            return begun_small(self.source.title)
        sure = self.verdict == "fault" if self.code == "stop" else self.run.measures.speed.sure(words.SURE_SPEED)
        return f"{'' if sure else 'perhaps '}{NAMES[self.code]}"

    @property
    def verdict(self) -> str:
        """That of the finding; what a rule alone says is to be watched."""
        return self.source.verdict if isinstance(self.source, Finding) else "watch"

    def said(self, full: bool) -> str:
        """What it comes to; full: for the bench."""
        if isinstance(self.source, Rule):
            return f"{self.source.title}: {self.source.means}"
        if full:
            return f"{self.title}: {words.sentence(self.source.text)}"
        return for_owner(self.run, self.source)


def counts(run: Run | None) -> bool:
    """Whether a recording is usable and an engine was heard in it."""
    return run is not None and run.quality.usable and run.timeline.engine_heard


def is_danger(run: Run, finding: Finding) -> bool:
    """Whether it can hurt whoever uses it: too fast for the engine or its blade, a blade slow to stand still."""
    of_blade = finding.code in ("blade_speed", "stop") and finding.limit is not None
    return is_over_rated(run, finding) or (of_blade and finding.verdict in ("fault", "watch"))


def hurts_in(run: Run | None) -> tuple[Hurt, ...]:
    """What can hurt in a run: what its findings say, the worst first, then what the rules say besides."""
    if run is None or not counts(run):
        return ()
    found = [Hurt(run, each) for each in words.ranked(run.measures.findings) if is_danger(run, each)]
    rules = [each.rule for each in advice_of(run).matched if each.rule.danger]
    return (*found, *(Hurt(run, rule) for rule in rules if not set(SAYS_AGAIN) & set(rule.all)))


def said_first(run: Run) -> tuple[str, ...]:
    """What not to do until it is looked at; empty where nothing that can hurt was heard."""
    hurts = hurts_in(run)
    return (advice_of(run).first or tuple(each.said(False) for each in hurts)) if hurts else ()
