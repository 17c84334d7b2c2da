"""What the store hands out as plain dicts and lists, for JSON."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from enginelog.model import JobRecord, Machine, Moment, Run


def plain(value: Any) -> Any:
    """A value of the store as JSON takes it: dataclasses as objects, moments as {utc, zone}, paths as texts.

    The record of a run is left out (null): its figures stand in its analysis. Numbers that are not finite are null.
    """
    if isinstance(value, Run):
        return None
    if isinstance(value, Moment):
        return {"utc": value.utc, "zone": value.zone}
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)} | _sums(value)
    if isinstance(value, dict):
        return {str(name): plain(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value) if isinstance(value, Path) else value


def _sums(value: Any) -> dict[str, Any]:
    if isinstance(value, JobRecord):
        return {"cost_cents": value.cost_cents, "minutes": value.minutes, "left_cents": value.left_cents}
    return {} if not isinstance(value, Machine) else {"firing_angles_deg": list(value.firing_angles_deg)}
