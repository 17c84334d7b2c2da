"""What a finding held against its limit: the one answer for everyone who asks.

`Finding.of` says it. Run records as JSON and records kept before that field do not: there it is read from the limit,
which is safe of a speed (an idle speed is never told as high as the rated one) and of cylinders (a share of lost
firings is limited by the very limits on misfires that the run was judged by).
"""

from __future__ import annotations

from collections.abc import Mapping

from enginelog.model.run import Finding, Run

RATED, IDLE = "rated", "idle"  # of the finding on the speed
BAND, DRIFT = "band", "drift"  # of the finding on steadiness
LOSSES, STRENGTH = "losses", "strength"  # of the finding on the balance of the cylinders


def held_against(run: Run, finding: Finding) -> str:
    """One of these, or what the finding on a load names (`findings.load_verdict`); empty where it holds one thing only,
    or nothing, against a limit."""
    return finding.of or by_limit(finding.code, finding.limit, run.engine.idle_rpm, run.limits_used)


def by_limit(code: str, limit: float | None, idle_rpm: float | None, limits_used: Mapping[str, float]) -> str:
    """The same of a record that does not say it."""
    if limit is None:
        return ""
    if code == "speed":
        return IDLE if limit == idle_rpm else RATED
    if code == "cylinder_balance":
        on_lost = [limits_used.get(f"findings.misfire_{name}_percent") for name in ("watch", "fault")]
        return LOSSES if limit in on_lost else STRENGTH
    return ""
