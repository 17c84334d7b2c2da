"""The verdict on loads taken and released. The worst of what was held against a limit stands beside that limit."""

from __future__ import annotations

from dataclasses import dataclass

from enginelog.findings.gather import Evidence
from enginelog.findings.words import unsteady_advice, worst
from enginelog.limits import Limit, LimitSet
from enginelog.model import Finding, LoadStep
from enginelog.model.wording import as_told, counted

YARDSTICK = "class G1 of ISO 8528-5 allows generating sets; a yardstick only"
# What is said of the worst one: where it is surely beyond its limit, and what else it is called.
BEYOND = {
    "dip": ("The dip is deeper than the {limit} %", "the dip"),
    "droop": ("It stays farther below than the {limit} %", "the droop"),
    "recovery": ("It needs longer than the {limit} s", "the time until it is back"),
}


@dataclass(frozen=True)
class _Held:
    """One figure held against its limit. doubt: by how much it may be off, either side."""

    of: str
    value: float
    unit: str
    limit: Limit
    doubt: float = 0.0

    @property
    def verdict(self) -> str:
        """Neither side of a limit that lies within what the figure may be off by is claimed."""
        if self.value - self.doubt > self.limit.value:
            return "watch"
        return "unknown" if self.value + self.doubt > self.limit.value else "ok"

    @property
    def words(self) -> str:
        """What its limit is, where it is not surely kept."""
        if self.of not in BEYOND or self.verdict == "ok":
            return ""
        (lead, name), limit = BEYOND[self.of], as_told(self.limit.value)
        if self.verdict == "watch":
            return f" {lead.format(limit=limit)} that {YARDSTICK}."
        return f" Whether {name} keeps within the {limit} {self.unit} that class G1 allows cannot be told."


def judge_load(evidence: Evidence, limits: LimitSet) -> Finding:
    """The hardest load step, and what was heard at release. Value and limit are those of what is worst."""
    loads = evidence.loads
    parts = [_said(step) for step in loads.taken]
    for drop in loads.released:
        parts.append(f"at {drop.at_s:z.1f} s load was released, overshoot {drop.overshoot_percent:z.1f} %")
    held = [one for step in loads.taken for one in _held(step, limits)]
    if evidence.surges is not None:
        held.append(_Held("surges", evidence.surges.count, "surges", limits["surges_many"]))
    verdict = worst("ok", *(one.verdict for one in held))
    amiss = [one for one in held if one.verdict == verdict != "ok"]
    droops = [one for one in held if one.of == "droop"]  # told of a load that is well
    most = max(amiss or droops, key=lambda one: one.value / one.limit.value, default=None)
    beyond = most.words if most and amiss else ""
    at, droop = loads.loads_at_s, limits["droop_watch_percent"]
    return Finding(
        "load",
        verdict,
        "Load steps: " + "; ".join(parts) + "." + beyond + _surge_text(evidence, limits),
        most.value if most else None,
        most.unit if most else "%",
        (most.limit if most else droop).value,
        (most.limit if most else droop).cited,
        min(at),
        max(at),
        unsteady_advice(evidence.engine) if verdict == "watch" else (),
        most.of if most else "",
    )


def _said(step: LoadStep) -> str:
    said = f"at {step.at_s:z.1f} s speed dipped {step.dip_percent:z.1f} %"
    if step.droop_percent is not None:
        said += f", droop {step.droop_percent:z.1f} ± {step.droop_within_points:z.1f} % (of the loaded speed)"
    if step.recovery_s is None:
        return f"{said}, when it was back in the band could not be told"
    return f"{said}, back in the band after {step.recovery_s:z.1f} s"


def _held(step: LoadStep, limits: LimitSet) -> list[_Held]:
    found = [_Held("dip", step.dip_percent, "%", limits["dip_watch_percent"], limits.value("dip_doubt_points"))]
    if step.droop_percent is not None:
        droop = limits["droop_watch_percent"]
        found.append(_Held("droop", step.droop_percent, "%", droop, step.droop_within_points or 0.0))
    if step.recovery_s is not None:
        doubt = max(limits.value("recovery_doubt_s"), limits.value("recovery_doubt_share") * step.recovery_s)
        found.append(_Held("recovery", step.recovery_s, "s", limits["recovery_watch_s"], doubt))
    return found


def _surge_text(evidence: Evidence, limits: LimitSet) -> str:
    """How many surges followed; the manual's number only where there were more. Few are none to look at: what they may
    stand for, too much droop, is measured."""
    surges = evidence.surges
    if surges is None or surges.count == 0:
        return ""
    text = f" {counted(surges.count, 'surge')} followed"
    if surges.damping_ratio is not None and surges.damping_ratio > 0:
        text += f" (damping ratio {surges.damping_ratio:z.2f})"
    many = limits["surges_many"]
    if surges.count > many.value:
        text += f"; one machine's manual takes more than {many.value:z.0f} as a reason to look at the governor"
    return text + "."
