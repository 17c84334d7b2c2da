"""What can hurt and was heard in a job's recordings, until one of them shows it gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from enginelog.advice.signs import idles_near_clutch, regime
from enginelog.compare.dates import oldest_first
from enginelog.model import CLUTCH_KINDS, IDLE, Finding, JobRecord, Run, StoredRun, held_against
from enginelog.report.by_rules import plain_record
from enginelog.report.hurting import Hurt, counts, hurts_in
from enginelog.report.made_when import can_show_it_mended

OF_SPEED = ("speed", "blade_speed")
NEAR_CLUTCH = "idle_near_clutch"


@dataclass(frozen=True)
class Danger:
    """One thing that can hurt, and the recording it was heard in."""

    stored: StoredRun
    hurt: Hurt

    @property
    def code(self) -> str:
        """By which one recording's is known to be another's, too."""
        return self.hurt.code

    @property
    def title(self) -> str:
        """What it is called."""
        return self.hurt.title

    def said(self, full: bool) -> str:
        """What it comes to; full: for the bench."""
        return self.hurt.said(full)


def standing(record: JobRecord) -> tuple[Danger, ...]:
    """What can hurt and stands, each as it was last heard: until a later recording from during or after the work judges
    it and finds it well, which was not made before it nor before that work (`can_show_it_mended`). From after the work
    first.
    """
    every = [stand for _, stand in course(record)]
    return every[-1] if every else ()


def course(record: JobRecord) -> Iterator[tuple[StoredRun, tuple[Danger, ...]]]:
    """Each recording of a job, the oldest first, and what stands with it (`standing`)."""
    found: dict[str, Danger] = {}
    for stored in oldest_first(sorted(record.runs, key=lambda each: each.stage != "before")):
        here = {each.code: Danger(stored, each) for each in hurts_in(stored.run)}
        gone = _well(stored.run, found) if stored.stage != "before" else frozenset()
        left = {
            code: each
            for code, each in found.items()
            if code not in gone or not can_show_it_mended(record, stored, each.stored)
        }
        found = left | here
        yield stored, tuple(sorted(found.values(), key=lambda each: each.stored.stage != "after"))


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
        sources = [(code, stand[code].hurt.source) for code in OF_SPEED if code in stand]
        well -= {code for code, source in sources if isinstance(source, Finding) and source.start_s is not None}
    return frozenset((well - set(OF_SPEED) if idled else well) | ({NEAR_CLUTCH} if _clear_of_clutch(plain) else set()))


def _against_idle(run: Run) -> bool:
    speed = next((each for each in run.measures.findings if each.code == "speed"), None)
    return speed is not None and held_against(run, speed) == IDLE


def _clear_of_clutch(plain: Mapping[str, Any]) -> bool:
    """Whether it idled, surely slower than its clutch takes up."""
    idled = plain["engine"]["machine"] in CLUTCH_KINDS and regime(plain) == "idle"
    return idled and not idles_near_clutch(plain)
