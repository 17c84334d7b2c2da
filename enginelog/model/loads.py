"""Loads taken and let go, throttle movements, and the surges after them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LoadStep:
    """One load taken on. droop_within_points: half of the droop's 95 % interval."""

    at_s: float
    dip_percent: float
    droop_percent: float | None
    recovery_s: float | None
    droop_within_points: float | None = None


@dataclass(frozen=True)
class LoadRelease:
    """A load dropped: how far speed shoots over its new level (per cent of that), its rise over the speed before, and
    when it is within the band."""

    at_s: float
    overshoot_percent: float
    rise_percent: float
    recovery_s: float | None


@dataclass(frozen=True)
class ThrottleMove:
    """A throttle movement. pick_up_s: from 10 to 90 % of the change; hesitation_s: longest pause in it; bog_percent:
    fall below the earlier speed before the climb (0 where none)."""

    at_s: float
    end_s: float
    from_rpm: float
    to_rpm: float
    pick_up_s: float | None
    hesitation_s: float
    bog_percent: float

    @property
    def opens(self) -> bool:
        return self.to_rpm > self.from_rpm


@dataclass(frozen=True)
class Surges:
    """Swings after a disturbance: `count` of excursions above the floor, `decrement` the logarithmic decrement a full
    cycle. damping_ratio = d / sqrt(4 pi^2 + d^2), d the decrement (textbook, free damped vibration)."""

    count: int
    decrement: float | None
    damping_ratio: float | None
