"""Verdicts on the course of a run: hunting, throttle, pops; those with files of their own are asked here."""

from __future__ import annotations

from dataclasses import replace

from enginelog.findings import load_verdict, startstop_verdicts
from enginelog.findings.gather import Evidence
from enginelog.findings.loads import LoadStudy
from enginelog.findings.settling_verdict import judge_settling
from enginelog.findings.swings import Swing
from enginelog.findings.words import (
    IGNITION,
    SOUND_ALONE,
    UNTOUCHED,
    deciding,
    graded,
    unknown,
    unsteady_advice,
    worst,
)
from enginelog.limits import LimitSet
from enginelog.model import Finding
from enginelog.model.wording import as_told, counted, is_wide, lasted


def all_findings(evidence: Evidence, limits: LimitSet) -> list[Finding]:
    """load and throttle only where one was heard, the others always."""
    found = [
        judge_hunting(evidence, limits),
        judge_settling(evidence, limits),
        startstop_verdicts.judge_start(evidence, limits),
        startstop_verdicts.judge_stop(evidence, limits),
        judge_pops(evidence),
    ]
    if evidence.loads.taken or evidence.loads.released:
        found.append(load_verdict.judge_load(evidence, limits))
    if evidence.loads.moves:
        found.append(judge_throttle(evidence.loads, limits))
    return found


def judge_hunting(evidence: Evidence, limits: LimitSet) -> Finding:
    """A sustained swing of speed beyond the dead band."""
    study, band = evidence.hunting, limits["hunting_dead_band_percent"]
    swing = study.swing
    if study.found is None or swing is None:
        return unknown("hunting", study.reason, UNTOUCHED)
    if not study.found:
        text = (
            f"No hunting: {study.reason} (dead band {as_told(band.value)} %, peak to peak; looked for up to"
            f" {as_told(limits.value('hunting_high_hz'))} swings a second). A small wobble is normal for a mechanical"
            f" governor.{_too_slow_for_it(evidence, limits)}"
        )
        return Finding("hunting", "ok", text, None, "%", band.value, band.cited, swing.start_s, swing.end_s)
    verdict = graded(swing.swing_percent, band.value, limits.value("hunting_fault_percent"))
    band = deciding(verdict, band, limits["hunting_fault_percent"])
    course = "grows" if swing.growth > 0.4 else ("fades" if swing.growth < -0.4 else "keeps its size")
    low, high = swing.between_percent
    between = f", {low:z.1f} to {high:z.1f} %" if is_wide(swing.swing_percent, low, high) else ""
    text = (
        f"Hunts: speed swings by {swing.swing_rpm:z.0f} rpm ({swing.swing_percent:z.1f} %{between}) peak to"
        f" peak, {swing.rate_hz:z.2f} times"
        f" a second, {_for_how_long(swing, evidence)}; the swing {course}. {SOUND_ALONE}"
    )
    return Finding(
        "hunting",
        verdict,
        text,
        swing.swing_percent,
        "%",
        band.value,
        band.cited,
        swing.start_s,
        swing.end_s,
        unsteady_advice(evidence.engine),
    )


def _too_slow_for_it(evidence: Evidence, limits: LimitSet) -> str:
    """Which swings the longest steady stretch is too short to show; empty where it holds the slowest looked for."""
    cycles = limits.value("hunting_cycles" if len(evidence.calm) == 1 else "hunting_cycles_cut")
    slowest_s = max((part.seconds for part in evidence.calm), default=0.0) / cycles
    if slowest_s * limits.value("hunting_low_hz") >= 1:
        return ""
    return f" A swing slower than one in {lasted(slowest_s)} s needs a longer recording."


def _for_how_long(swing: Swing, evidence: Evidence) -> str:
    """How much of the run, or of the part of it in which it was found: the finding's own times."""
    share = "" if swing.time_share >= 0.995 else f"{100 * swing.time_share:z.0f} % of the time"
    if not evidence.in_a_part(swing):
        return share or "all the time"
    return f"{share} in a part of the run" if share else "in a part of the run"


def judge_throttle(loads: LoadStudy, limits: LimitSet) -> Finding:
    """How the engine picks up when the throttle is opened."""
    if not loads.told:
        return unknown("throttle", "throttle or load was moved, but between which speeds is not sure")
    pause, bog = limits["hesitation_s"], limits["bog_percent"]
    opened = [move for move in loads.told if move.opens]
    parts, verdicts = [], ["ok"]
    for move in loads.told:
        said = f"at {move.at_s:z.1f} s from {move.from_rpm:z.0f} to {move.to_rpm:z.0f} rpm"
        said += f" in {move.pick_up_s:z.1f} s" if move.pick_up_s is not None else ""
        if move.opens and move.hesitation_s > pause.value:
            said += f" with a pause of {move.hesitation_s:z.1f} s"
        if move.opens and move.bog_percent > bog.value:
            said += f", first falling by {move.bog_percent:z.0f} %"
        parts.append(said)
    for move in opened:
        verdicts += [graded(move.hesitation_s, pause.value), graded(move.bog_percent, bog.value)]
    verdict = worst(*verdicts)
    longest = max((move.hesitation_s for move in opened), default=None)
    advice = ("fuel supply and carburettor, by the manual", "air filter") if verdict != "ok" else ()
    ends = (min(move.at_s for move in loads.told), max(move.end_s for move in loads.told))
    return Finding(
        "throttle",
        verdict,
        "Throttle or load moved: " + "; ".join(parts) + ".",
        longest,
        "s",
        pause.value,
        pause.cited,
        *ends,
        advice,
    )


def judge_pops(evidence: Evidence) -> Finding:
    """Bangs that are no regular firing. One alone while it runs may as well be something that fell over beside it."""
    pops = evidence.timeline.pops
    if not pops:
        return Finding("pops", "ok", "No bangs beside the regular firing were heard.", 0.0, "pops")
    if [pop.where for pop in pops] == ["running"]:
        at_s = pops[0].at_s
        one = unknown(
            "pops", f"one bang was heard while it ran, at {at_s:z.1f} s, and a knock beside the machine sounds alike"
        )
        return replace(one, start_s=at_s, end_s=at_s)
    places = {"running": "while running", "slowing": "while slowing", "after_cut": "after ignition off"}
    told = {said: sum(pop.where == key for pop in pops) for key, said in places.items()}
    told = {said: number for said, number in told.items() if number}
    counts = [f"{number} {said}" if len(told) > 1 else said for said, number in told.items()]
    alike = "Knocks beside the machine sound alike. " if any(pop.where == "running" for pop in pops) else ""
    text = f"{counted(len(pops), 'bang')} beside the regular firing, {', '.join(counts)}. {alike}{SOUND_ALONE}"
    at = [pop.at_s for pop in pops]
    advice = (
        "let the engine idle a moment before stopping it",
        "exhaust joints for leaks, with the engine cold",
        *IGNITION[:1],
    )
    return Finding(
        "pops",
        "watch",
        text,
        float(len(pops)),
        "pops",
        0.0,
        "chosen: any bang is worth a look",
        min(at),
        max(at),
        advice,
    )
