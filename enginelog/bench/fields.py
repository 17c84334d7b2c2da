"""What the page calls the fields that tell of an engine, in forms and in the errors that come back."""

from enginelog.model import Machine
from enginelog.model.wording import money

FIELDS = {
    "strokes": "Strokes",
    "cylinders": "Cylinders",
    "firing_angles": "How a four-stroke twin fires",
    "machine": "Kind of machine",
    "rated_rpm": "Rated speed, rpm",
    "idle_rpm": "Idle speed, rpm",
    "blade_length_mm": "Blade from tip to tip, mm",
    "poles": "Poles of the alternator",
}


def agreed(machine: Machine) -> str:
    """The cost limit of a machine with its currency; that alone where no limit is agreed."""
    limit = machine.cost_limit_cents
    return machine.currency if limit is None else money(limit, machine.currency)
