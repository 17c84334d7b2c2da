"""What is told of a machine's engine on top of what is remembered of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from enginelog.model import Machine
from enginelog.model.telling import engine_told

_LAYOUT = ("strokes", "cylinders", "firing_angles_deg")


def engine_fields(known: Machine | None, told: dict[str, Any], named: Mapping[str, str]) -> dict[str, Any]:
    """The fields of the machine that are changed: what is told, on top of what is known.

    told: the keywords of `engine_told`, None where nothing is told. named: what its errors call them.
    """
    if known is not None:
        told = {name: _before(known, told, name) if value is None else value for name, value in told.items()}
    engine = engine_told(**told, named=named)
    fields = {name: getattr(engine, name) for name in (*_LAYOUT, "rated_rpm", "idle_rpm", "blade_length_mm")}
    return fields | {
        "kind": engine.machine,
        "alternator_poles": engine.alternator_poles,
        "assumed": engine.assumed,
    }


def _before(known: Machine, told: dict[str, Any], name: str) -> Any:
    """What was told of the machine earlier under this name; None where it was only assumed, or no longer fits."""
    renamed = {"firing_angles": "firing_angles_deg", "machine": "kind", "poles": "alternator_poles"}
    field = renamed.get(name, name)
    # Angles belong to a number of strokes and cylinders: a new layout asks for new ones, new ones tell their number.
    new_layout = told.get("strokes") is not None or told.get("cylinders") is not None
    if field in known.assumed or (name == "firing_angles" and new_layout):
        return None
    if name == "cylinders" and told.get("firing_angles") is not None:
        return None
    value = getattr(known, field)
    return str(value) if name == "strokes" else value
