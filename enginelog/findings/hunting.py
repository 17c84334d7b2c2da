"""Hunting: a sustained, regular oscillation of speed between 0.1 and 5 Hz.

At each rate a slowly changing swing is fitted to the speed (`swing_fit`); the strongest is measured (`swings`).
Three things must agree before hunting is said:
  - the swing stands out of the movement at neighbouring rates (F-test, corrected for the number of rates looked at);
  - it is regular: one slowly changing swing explains most of the movement round its rate. A governor's random wobble,
    however strongly it prefers one rate, loses its phase within a few cycles;
  - it is larger than the dead band (small continuing wobble is normal for a mechanical governor).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.findings.series import Series
from enginelog.findings.swings import Swing, strongest_swing
from enginelog.limits import LimitSet

FOUND = "a regular, sustained swing"


@dataclass(frozen=True)
class HuntingStudy:
    """The answer over a run: `found` None = cannot tell (`reason` says why); `swing` the evidence, also when
    not found.
    """

    found: bool | None
    swing: Swing | None
    reason: str

    @property
    def hunts(self) -> Swing | None:
        """The swing by which the engine hunts; None where it does not, or that cannot be told."""
        return self.swing if self.found else None


def track_rate_limit(window_s: float, gain: float) -> float:
    """Highest rate, Hz, that averaging over `window_s` passes with at least `gain`."""
    rates = np.arange(0.01, 1 / window_s, 0.01)
    return float(rates[np.sinc(rates * window_s) >= gain][-1])


def study_hunting(stretches: list[Series], fine: list[Series], limits: LimitSet, of_parts: int = 1) -> HuntingStudy:
    """Look for hunting in the stretches free of load steps; `fine` the same stretches from the firings' own moments.

    The track answers up to the rate its smoothing lets through; the firings' moments, where they are clear, from where
    that smoothing is felt: how much the track takes of a quick swing depends on the sound. of_parts: of how many parts
    of the run these are one.
    """
    low, high = limits.value("hunting_low_hz"), limits.value("hunting_high_hz")
    answers, fast = [], []
    cycles = limits.value("hunting_cycles" if len(stretches) == of_parts == 1 else "hunting_cycles_cut")
    for series, tries in pieces(stretches, limits):
        middle = track_rate_limit(series.window_s, limits.value("hunting_track_gain"))
        swing = _tried(strongest_swing(series, low, min(middle, high), limits, cycles), tries * of_parts)
        answers.append(_judge_swing(swing, limits.value("hunting_share"), limits))
    shared_hz = track_rate_limit(limits.value("track_window_s"), limits.value("hunting_track_gain"))
    for series, tries in pieces(fine, limits):
        swing = _tried(strongest_swing(series, limits.value("hunting_fine_from_hz"), high, limits), tries * of_parts)
        if swing is not None:
            needed = limits.value("hunting_share" if swing.rate_hz <= shared_hz else "hunting_event_share")
            fast.append(_judge_swing(swing, needed, limits))
    return _most_telling(answers, fast)


def study_slow(part: Series, high_hz: float, limits: LimitSet, of_parts: int) -> HuntingStudy:
    """Look in the track of one part of the run for hunting so slow that shorter parts hold too little of it."""
    swing = strongest_swing(part, limits.value("hunting_low_hz"), high_hz, limits)
    return _judge_swing(_tried(swing, of_parts), limits.value("hunting_share"), limits)


def pieces(stretches: list[Series], limits: LimitSet) -> list[tuple[Series, int]]:
    """The stretches, long ones in equal pieces (hours would not fit in memory), each with how many its stretch has."""
    longest = limits.value("hunting_longest_s")
    out = []
    for series in stretches:
        count = max(1, int(np.ceil(series.seconds / longest)))
        for rows in np.array_split(np.arange(len(series.t_s)), count):
            out.append((replace(series, t_s=series.t_s[rows], rpm=series.rpm[rows]), count))
    return out


def _tried(swing: Swing | None, tries: int) -> Swing | None:
    """`swing` found at the best of so many tries (Bonferroni)."""
    return None if swing is None else replace(swing, chance=min(swing.chance * tries, 1.0))


def _judge_swing(swing: Swing | None, needed_share: float, limits: LimitSet) -> HuntingStudy:
    if swing is None:
        return HuntingStudy(None, None, "too little steady running to hold two and a half swings")
    dead_band = limits.value("hunting_dead_band_percent")
    if swing.overall_percent < dead_band:
        return HuntingStudy(False, swing, "any regular swing is too small to count")
    if swing.chance > limits.value("hunting_false_alarm") and swing.share >= needed_share:
        return HuntingStudy(None, swing, "the speed swings regularly, but too few times to tell from chance")
    if swing.chance > limits.value("hunting_false_alarm"):
        return HuntingStudy(False, swing, "no swing stands out of the movement at other rates")
    if swing.time_share < limits.value("hunting_time_share"):
        return HuntingStudy(False, swing, "the swing is not sustained")
    if swing.share >= needed_share:
        return HuntingStudy(True, swing, FOUND)
    if swing.share >= needed_share - limits.value("hunting_share") + limits.value("hunting_doubt_share"):
        return HuntingStudy(
            None, swing, "the speed swings, but not regularly enough in this length to tell from wobble"
        )
    return HuntingStudy(False, swing, "the speed wobbles without a steady rate")


def _most_telling(slow: list[HuntingStudy], fast: list[HuntingStudy]) -> HuntingStudy:
    """A found swing before a doubtful one before none; of several found the largest. None needs the track's word."""
    answers = slow + fast
    found = _found_swings(answers)
    if found:
        most = max(found, key=lambda swing: swing.swing_percent)
        same = [swing for swing in _found_swings(fast) if abs(swing.rate_hz / most.rate_hz - 1) < 0.1]
        return HuntingStudy(True, max(same or [most], key=lambda swing: swing.swing_percent), FOUND)
    doubtful = [answer for answer in answers if answer.found is None and answer.swing is not None]
    if doubtful:
        return doubtful[0]
    denied = [answer for answer in slow if answer.found is False]
    if denied and not fast:
        return HuntingStudy(None, None, "no slow swing was found, but fast ones cannot be searched in this noise")
    if denied:
        return denied[0]
    return slow[0] if slow else HuntingStudy(None, None, "no steady running long enough")


def _found_swings(answers: list[HuntingStudy]) -> list[Swing]:
    return [answer.hunts for answer in answers if answer.hunts is not None]
