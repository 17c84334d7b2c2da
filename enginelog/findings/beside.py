"""What another engine that runs beside can forge, and what may still be said of the one under test.

Two sounds that come again f and g times a second beat |f - g| times a second (two tones: textbook acoustics), and so do
the k-th and the m-th line of two engines. At that rate the firings seem to come earlier and later, which is how hunting
sounds, and to be weak, which is how lost ones do. A swing at another rate, and firings lost without that order, stay.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.findings import misfire, words
from enginelog.findings.gather import Evidence
from enginelog.findings.loads import LoadStudy
from enginelog.limits import LimitSet
from enginelog.model import Beside, Engine, Finding, Speed

ALONE = ("stop the other machine, or go closer to the one under test (about 1 m), and record again",)
UNEVEN = ("steadiness", "timing", "settling")  # of the speed and of the firings, which two sounds together make uneven


def beats_hz(other: Beside, limits: LimitSet) -> np.ndarray:
    """At which rates the first lines of both engines beat, each with each."""
    line = np.arange(1, round(limits.value("beside_lines")) + 1)
    return np.abs(line[:, None] * other.own_hz - line * other.beats_hz).ravel()


def doubted(speed: Speed, other: Beside | None, limits: LimitSet) -> Speed:
    """`speed` no surer than "perhaps" where the other engine is as loud: it may as well be its own."""
    if other is None or not other.alike or speed.rpm is None:
        return speed
    return speed.no_surer(limits.value("twice_confidence"))


def why_doubted(engine: Engine, other: Beside | None) -> str | None:
    """Why the speed is doubted, with the one it would be if the other engine is the one under test; else None."""
    if other is None or not other.alike:
        return None
    rpm = 60 * engine.revs_per_cycle * other.beats_hz / engine.cylinders
    return (
        f"another engine runs beside it, about as loud; if that is the one under test, it ran at about {rpm:z.0f} rpm"
    )


def withheld(evidence: Evidence, other: Beside | None, limits: LimitSet) -> Evidence:
    """The evidence without what the other engine can have forged: a swing at a rate at which both beat, firings lost in
    that order, and, where it is loud, loads."""
    if other is None:
        return evidence
    hunting = evidence.hunting
    if hunting.hunts is not None and _at_a_beat(hunting.hunts.rate_hz, other, limits):
        evidence = replace(evidence, hunting=replace(hunting, found=None, reason=other.words))
    if not _is_loud(other, limits):
        return evidence
    if evidence.lost_s is not None and _in_order(evidence.lost_s, other, limits):
        evidence = replace(evidence, misfire=misfire.without_lost(evidence.misfire, other.words))
    return replace(evidence, loads=LoadStudy((), (), evidence.loads.moves, evidence.loads.told), surges=None)


def told(
    findings: list[Finding], before: Evidence, after: Evidence, other: Beside | None, limits: LimitSet
) -> list[Finding]:
    """The findings, those that the other engine can have forged as "cannot tell". before, after: the evidence as
    measured, and as `withheld`."""
    if other is None:
        return findings
    found = [_alone(one, other) if one.verdict == "unknown" and other.words in one.text else one for one in findings]
    if other.alike:
        found = [replace(one, next=(*ALONE, *one.next)) if one.code == "speed" else one for one in found]
    if not _is_loud(other, limits):
        return found
    uneven = UNEVEN[1:] if after.hunting.hunts is not None else UNEVEN
    found = [_alone(one, other) if one.code in uneven and one.verdict in ("watch", "fault") else one for one in found]
    loads = before.loads.taken or before.loads.released
    return [*found, words.unknown("load", other.words, ALONE)] if loads else found


def _alone(finding: Finding, other: Beside) -> Finding:
    return words.unknown(finding.code, other.words, ALONE)


def _is_loud(other: Beside, limits: LimitSet) -> bool:
    return other.over_db > limits.value("beside_loud_db")


def _at_a_beat(rate_hz: float, other: Beside, limits: LimitSet) -> bool:
    """Whether a swing goes at a rate at which the two engines beat."""
    apart = np.abs(beats_hz(other, limits) - rate_hz)
    return bool((apart < max(limits.value("beside_beat_share") * rate_hz, limits.value("beside_beat_hz"))).any())


def _in_order(lost_s: np.ndarray, other: Beside, limits: LimitSet) -> bool:
    """Whether firings are lost at one phase of a beat of the two engines (Rayleigh's test of each beat slower than the
    firings, with its number of tries)."""
    beats = beats_hz(other, limits)
    beats = beats[(beats > limits.value("beside_beat_hz")) & (beats < 0.45 * other.own_hz)]
    if len(lost_s) < limits.value("beside_fewest_lost") or not len(beats):
        return False
    span_s = max(float(np.ptp(lost_s)), 1.0)
    tried = (beats[:, None] + np.arange(-4, 5) / (4 * span_s)).ravel()  # the beat is known to a part of 1 / span
    order = len(lost_s) * np.abs(np.exp(2j * np.pi * tried[:, None] * lost_s).mean(axis=1)) ** 2
    return bool(order.max() > np.log(len(tried) / limits.value("beside_order_chance")))
