"""What may still be said where an engine that turns faster sounds nearly the same."""

from __future__ import annotations

from dataclasses import replace

from enginelog.model import Engine, Finding, Speed

HANG_ON_SPEED = ("speed", "blade_speed", "generator_frequency", "misfire", "cylinder_balance")
NEXT = ("tell its rated speed, or measure with a tachometer",)


def none_good_in_doubt(findings: list[Finding], engine: Engine, speed: Speed) -> list[Finding]:
    """Nothing that hangs on the speed is called good while another speed sounds nearly the same: at that one every
    second firing, or all of a cylinder, would be lost."""
    if speed.or_rpm is None:
        return findings
    single = engine.cylinders == 1
    how = "firing on every second turn only" if single else "with a cylinder that is dead or unlike the others"
    doubt = f"Not sure: {speed.or_rpm:.0f} rpm, {how}, sounds nearly the same."
    return [
        replace(one, verdict="unknown", text=f"{one.text} {doubt}", next=NEXT) if _hangs(one) else one
        for one in findings
    ]


def _hangs(finding: Finding) -> bool:
    """Whether the doubt is said beside it: of the speed itself also where it is held against nothing."""
    told = ("ok", "unknown") if finding.code == "speed" else ("ok",)
    return finding.code in HANG_ON_SPEED and finding.verdict in told
