"""What can hurt and was heard in a job's recordings, until one of them shows it gone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from enginelog.advice.signs import CLUTCH_KINDS, idles_near_clutch, regime
from enginelog.compare.dates import oldest_first
from enginelog.limits.trade.knowledge import Rule
from enginelog.model import Finding, JobRecord, Run, StoredRun, is_over_rated
from enginelog.report import words
from enginelog.report.made_when import can_show_it_mended
from enginelog.report.next_steps import advice_of, plain_record
from enginelog.report.owner_words import for_owner

OF_SPEED = ("speed", "blade_speed")
BY_FINDINGS = ("too_fast", "slow_stop")  # rules that say again what a finding says with its figures
NEAR_CLUTCH = "idle_near_clutch"


@dataclass(frozen=True)
class Danger:
    """One thing that can hurt, and the recording it was heard in. source: the finding, or the rule that speaks."""

    stored: StoredRun
    source: Finding | Rule

    @property
    def code(self) -> str:
        """By which one recording's is known to be another's, too."""
        return self.source.code if isinstance(self.source, Finding) else self.source.name

    @property
    def title(self) -> str:
        """What it is called."""
        return words.title(self.source.code) if isinstance(self.source, Finding) else self.source.title

    def said(self, full: bool) -> str:
        """What it comes to; full: for the bench."""
        if isinstance(self.source, Rule):
            return f"{self.source.title}: {self.source.means}"
        assert self.stored.run is not None  # it was heard in one
        if full:
            return f"{self.title}: {words.sentence(self.source.text)}"
        return for_owner(self.stored.run, self.source)


def counts(run: Run | None) -> bool:
    """Whether a recording is usable and an engine was heard in it."""
    return run is not None and run.quality.usable and run.timeline.engine_heard


def is_danger(run: Run, finding: Finding) -> bool:
    """Whether it can hurt whoever uses it: too fast for the engine or its blade, a blade slow to stand still."""
    of_blade = finding.code in ("blade_speed", "stop") and finding.limit is not None
    return is_over_rated(run, finding) or (of_blade and finding.verdict in ("fault", "watch"))


def heard_in(stored: StoredRun) -> tuple[Danger, ...]:
    """What can hurt of one recording: what its findings say, the worst first, then what the rules say besides."""
    run = stored.run
    if run is None or not counts(run):
        return ()
    found = [Danger(stored, each) for each in words.ranked(run.measures.findings) if is_danger(run, each)]
    rules = [each.rule for each in advice_of(run).matched if each.rule.danger and each.rule.name not in BY_FINDINGS]
    return (*found, *(Danger(stored, rule) for rule in rules))


def standing(record: JobRecord) -> tuple[Danger, ...]:
    """What can hurt and stands, each as it was last heard: until a later recording from during or after the work judges
    it and finds it well, which was not made before it nor before that work (`can_show_it_mended`). From after the work
    first.
    """
    found: dict[str, Danger] = {}
    for stored in oldest_first(sorted(record.runs, key=lambda each: each.stage != "before")):
        here = {each.code: each for each in heard_in(stored)}
        gone = _well(stored.run, found) if stored.stage != "before" else frozenset()
        left = {
            code: each
            for code, each in found.items()
            if code not in gone or not can_show_it_mended(record, stored, each.stored)
        }
        found = left | here
    return tuple(sorted(found.values(), key=lambda each: each.stored.stage != "after"))


def _well(run: Run | None, stand: Mapping[str, Danger]) -> frozenset[str]:
    """What a recording has judged and found well. A run that only idled shows nothing of the highest speed, and one in
    which no load was released nothing of an overshoot as it is. stand: what stands so far; only such an overshoot has a
    finding on the speed with its times."""
    if run is None or not counts(run):
        return frozenset()
    plain = plain_record(run)
    idled = not run.measures.speed.changed and (regime(plain) == "idle" or _against_idle(run))
    well = {each.code for each in run.measures.findings if each.verdict == "ok"}
    if not run.measures.releases:
        sources = [(code, stand[code].source) for code in OF_SPEED if code in stand]
        well -= {code for code, source in sources if isinstance(source, Finding) and source.start_s is not None}
    return frozenset((well - set(OF_SPEED) if idled else well) | ({NEAR_CLUTCH} if _clear_of_clutch(plain) else set()))


def _against_idle(run: Run) -> bool:
    speed = next((each for each in run.measures.findings if each.code == "speed"), None)
    return speed is not None and speed.limit is not None and speed.limit == run.engine.idle_rpm


def _clear_of_clutch(plain: Mapping[str, Any]) -> bool:
    """Whether it idled, surely slower than its clutch takes up."""
    idled = plain["engine"]["machine"] in CLUTCH_KINDS and regime(plain) == "idle"
    return idled and not idles_near_clutch(plain)
