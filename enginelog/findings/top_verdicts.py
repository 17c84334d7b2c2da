"""Verdicts on the highest speed: against the told rated speed and against what a blade may turn at.

Too fast is what was held. What was only reached, in an overshoot or before the throttle was let go, may be the top
speed or not: that is said, and is no fault, nor good where there is a blade or a chain. Where a limit lies within what
the reading may be off by, neither side of it is claimed.
"""

from __future__ import annotations

from dataclasses import replace

from enginelog.findings.doubt import UNREAD
from enginelog.findings.frequency import WINDOW
from enginelog.findings.gather import Evidence
from enginelog.findings.words import GOVERNOR, deciding, graded, unknown
from enginelog.limits import Limit, LimitSet
from enginelog.limits.trade import formulas
from enginelog.model import RATED, Engine, Finding, Speed

MEASURE = "measure the top speed with a tachometer, as the manual says"


def ran_at(speed: Speed) -> str:
    """The speed of the run, or the speeds it held; "Speed" stands before it as its title."""
    return f"Speed changed: {speed.held_words}" if speed.changed else f"Ran at {speed.rpm:z.0f} rpm"


def against_rated(evidence: Evidence, speed: Speed, rated: float, limits: LimitSet) -> Finding:
    """The highest speed held against the rated speed told; what was only reached is told beside it. Only of an
    overshoot as load was released has the finding its times."""
    top = max(evidence.top.held_rpm or 0.0, speed.top_rpm or 0.0)
    doubt = limits.value("top_doubt_percent") / 100
    watch, fault = _watched_from(evidence.engine, rated, limits), limits["overspeed_fault_percent"]
    verdict = graded(100 * (top * (1 - doubt) / rated - 1), watch.value, fault.value)
    limit = deciding(verdict, watch, fault)
    most = rated * (1 + limit.value / 100)
    held = f"highest held for a second {top:z.0f} rpm" if top else "none held for a second"
    text = f"{ran_at(speed)}, {held}; told rated speed {rated:z.0f} rpm."
    if verdict != "ok":
        text += f" That is {100 * (top / rated - 1):z.1f} % too fast."
        text += " Stop using it until the top speed has been set by the manual."
        return Finding("speed", verdict, text, top, "rpm", most, limit.cited, next=GOVERNOR[:1], of=RATED)
    more = _only_reached(evidence, top, rated, most, limits)
    if more.verdict != "watch" and top * (1 + doubt) > most:
        more = replace(more, verdict="unknown", text=f"{_within_doubt(top, doubt, most)}{more.text}", next=(MEASURE,))
    elif more.verdict == "ok" and not top:
        more = replace(more, verdict="unknown", text=f"{more.text} So its top speed cannot be told.", next=(MEASURE,))
    return replace(more, text=text + more.text, value=top or None, unit="rpm", limit=most, source=limit.cited, of=RATED)


def _watched_from(engine: Engine, rated: float, limits: LimitSet) -> Limit:
    """How far above the rated speed the highest one is to be watched, per cent. A generator stands as far above it
    without load as its frequency may: its speed is not too fast where that is in order."""
    if not engine.has_alternator:
        return limits["overspeed_watch_percent"]
    mains = formulas.mains_hz(engine.alternator_poles or formulas.likely_poles(rated), rated, rated)
    highest = limits[WINDOW[mains][1]]
    return replace(highest, value=100 * (highest.value / mains - 1), unit="%")


def _within_doubt(top: float, doubt: float, most: float, what: str = "that") -> str:
    return (
        f" The limit of {most:z.0f} rpm lies within what {what} may be off by ({top * (1 - doubt):z.0f} to"
        f" {top * (1 + doubt):z.0f} rpm): whether it is kept cannot be told."
    )


def _only_reached(evidence: Evidence, held: float, rated: float, most: float, limits: LimitSet) -> Finding:
    """Verdict, words and next checks for a speed above `most` that was reached and not held: good and without a word of
    one that was not above it. Of a machine that drives no blade or chain the overshoot after a load is no matter, up to
    what is asked of generating sets."""
    reached, released = evidence.top.reached_rpm or 0.0, evidence.top.released_rpm or 0.0
    doubt = limits.value("top_doubt_percent") / 100
    if reached * (1 - doubt) > most:
        over = f"{100 * (reached / rated - 1):z.1f} % above the rated speed"
        said = f" For part of a second it reached {reached:z.0f} rpm, {over}: whether it holds that cannot be told."
        return Finding("speed", "watch", said, next=(MEASURE,))
    if released * (1 - doubt) > max(reached, most):
        over = f"{100 * (released / rated - 1):z.1f} % above the rated speed"
        said = f" As load was released it reached {released:z.0f} rpm, {over}, and came back"
        return _of_release(evidence, said, limits)
    if reached * (1 + doubt) > most >= held * (1 + doubt) and evidence.engine.may_cut:
        said = _within_doubt(reached, doubt, most, f"the highest reached, {reached:z.0f} rpm,")
        return Finding("speed", "unknown", said, next=(MEASURE,))
    return Finding("speed", "ok", "")


def _of_release(evidence: Evidence, said: str, limits: LimitSet) -> Finding:
    """The same of an overshoot as load was released. said: how far it went."""
    rise, limit = max(release.rise_percent for release in evidence.loads.released), limits["rise_watch_percent"]
    start_s, end_s = evidence.top.recovering_s or (None, None)
    found = Finding("speed", "watch", said, start_s=start_s, end_s=end_s, next=(*GOVERNOR[:1], MEASURE))
    if evidence.engine.may_cut:
        return replace(found, text=f"{said}. A blade or a chain can hurt in so short a time, too.")
    said += f": a rise of {rise:z.0f} % over the speed before"
    if rise <= limit.value:
        allowed = f"{said}, which class G1 of ISO 8528-5 ({limit.value:z.0f} %) allows generating sets."
        return replace(found, verdict="ok", text=allowed, next=())
    said += f", where class G1 of ISO 8528-5 allows generating sets {limit.value:z.0f} %"
    if rise - limits.value("rise_doubt_points") > limit.value:
        return replace(found, text=f"{said}; a yardstick only.", next=GOVERNOR[:1])
    return replace(found, verdict="unknown", text=f"{said}: whether it keeps within that cannot be told.")


def judge_blade(evidence: Evidence, speed: Speed, limits: LimitSet) -> Finding:
    """Highest speed against the blade-tip limit and its margin: above the limit without doubt and held it is a fault;
    held or not, what is above the margin is to be watched."""
    length, found = evidence.engine.blade_length_mm, evidence.top
    if length is None:
        return unknown(
            "blade_speed",
            "the blade's length was not told",
            ("measure the blade with the plug lead off, and tell its length",),
        )
    if speed.rpm is None:
        return unknown("blade_speed", UNREAD)
    held, released = found.held_rpm or 0.0, found.released_rpm or 0.0
    reached = max(held, found.reached_rpm or 0.0)
    if not reached:
        return unknown("blade_speed", "no speed was held for a second")
    tip, margin = limits["tip_speed_ft_min"], limits.value("tip_margin_rpm")
    most = formulas.blade_limit_rpm(length, formulas.m_s(tip.value))
    safe, least = most - margin, 1 - limits.value("top_doubt_percent") / 100
    verdict = "fault" if held * least > most else graded(reached, safe)
    over = verdict != "fault" and released * least > max(most, reached)  # for ordinary overshoot there is the margin
    top, lead = held, "Highest speed held"
    if over:
        verdict, top, lead = "watch", released, "Highest speed, for a moment as load was released,"
    elif not held or (verdict == "watch" and (held <= safe or reached * least > most)):
        top, lead = reached, "Highest speed, for part of a second at least,"
    text = (
        f"{lead} {top:z.0f} rpm."
        f" A blade {length:z.0f} mm long reaches {tip.value:z.0f}"
        f" ft/min at {most:z.0f} rpm"
        f" if it turns at crankshaft speed; the top speed should be set at least {margin:z.0f} rpm below."
    )
    if verdict != "ok":
        text += " Do not mow with it until the top speed has been set by the manual."
    advice = GOVERNOR[:1] if verdict != "ok" else ()
    start_s, end_s = found.recovering_s if over and found.recovering_s else (None, None)
    return Finding("blade_speed", verdict, text, top, "rpm", safe, tip.cited, start_s, end_s, advice)
