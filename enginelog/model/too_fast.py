"""The one answer to whether an engine turned faster than it is rated for: that of the finding on its speed."""

from __future__ import annotations

from enginelog.model.held_against import RATED, held_against
from enginelog.model.run import Finding, Run


def over_rated(run: Run) -> Finding | None:
    """The finding that the engine turned faster than the rated speed told, whose value is the highest speed held for a
    second, in rpm; None where there is none (one that it idles off its idle speed is another)."""
    return next((found for found in run.measures.findings if is_over_rated(run, found)), None)


def is_over_rated(run: Run, finding: Finding) -> bool:
    """Whether it is that finding."""
    amiss = finding.code == "speed" and finding.verdict in ("fault", "watch")
    beyond = bool(finding.value and finding.limit and finding.value > finding.limit)
    return amiss and beyond and held_against(run, finding) == RATED
