"""The engine as its user tells it, and what it drives: what a kind of machine carries is decided here, for everyone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# What a kind of machine carries: common practice, no source.
CLUTCH_KINDS = ("saw", "trimmer")  # a clutch that takes up above idle, and nothing but the throttle holds their speed
BLADELESS = ("generator", "pressure washer", "pump", "tiller")  # neither blade nor chain, unless a blade is told


def has_blade(machine: str | None, blade_length_mm: float | None) -> bool:
    """Whether it carries a rotary blade: a mower, or what was told a blade's length."""
    return blade_length_mm is not None or "mower" in (machine or "").lower()


def has_alternator(machine: str | None, poles: int | None) -> bool:
    """Whether it makes current: a generator, or what was told its alternator's poles."""
    return poles is not None or "generator" in (machine or "").lower()


@dataclass(frozen=True)
class Engine:
    """The engine as told by its user. `assumed` names the fields that were not told but taken as usual."""

    strokes: int = 4
    cylinders: int = 1
    firing_angles_deg: tuple[float, ...] = (0.0,)
    rated_rpm: float | None = None
    idle_rpm: float | None = None
    machine: str | None = None
    blade_length_mm: float | None = None
    alternator_poles: int | None = None
    assumed: tuple[str, ...] = ()

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of one working cycle: 720 for a four-stroke, 360 for a two-stroke."""
        return 360.0 * self.revs_per_cycle

    @property
    def revs_per_cycle(self) -> float:
        return self.strokes / 2

    @property
    def firing_hz_per_rpm(self) -> float:
        """Firings a second for each rpm: cylinders / (60 * revolutions per cycle)."""
        return self.cylinders / (60.0 * self.revs_per_cycle)

    @property
    def firing_open(self) -> bool:
        """Whether it is open how it fires: a four-stroke twin whose firing angles nobody told."""
        return self.strokes == 4 and self.cylinders == 2 and "firing_angles_deg" in self.assumed

    @property
    def firing_places(self) -> np.ndarray:
        """Where in the cycle each cylinder fires, as a part of it, shape (cylinders,)."""
        return np.asarray(self.firing_angles_deg, float) / self.cycle_deg

    @property
    def even_firing(self) -> bool:
        """True where the firing angles divide the cycle evenly."""
        angles = np.sort(np.mod(np.asarray(self.firing_angles_deg, float), self.cycle_deg))
        gaps = np.diff(np.append(angles, angles[0] + self.cycle_deg))
        return bool(np.ptp(gaps) < 1.0)

    @property
    def has_blade(self) -> bool:
        return has_blade(self.machine, self.blade_length_mm)

    @property
    def may_cut(self) -> bool:
        """Whether it drives a blade or a chain, or may: what it is was not told, or is of no kind that never does."""
        return self.has_blade or self.machine not in BLADELESS

    @property
    def has_alternator(self) -> bool:
        return has_alternator(self.machine, self.alternator_poles)

    @property
    def governed(self) -> bool:
        """Whether a governor holds its speed: so of all but those whose throttle alone does."""
        return self.machine not in CLUTCH_KINDS
