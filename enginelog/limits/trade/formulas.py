"""The trade's small sums: tip speed, blade limit, alternator frequency, firing and revolutions, noise, balance.

Lengths in millimetres, speeds in revolutions a minute unless the name says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

METRES_PER_FOOT = 0.3048


def tip_speed_m_s(length_mm: float, rpm: float) -> float:
    """Speed of a blade's tip, metres a second: pi * length * revolutions a second."""
    return math.pi * length_mm / 1000 * rpm / 60


def ft_min(speed_m_s: float) -> float:
    """Metres a second as feet a minute: 96.52 m/s are 19000 ft/min (1 ft = 0.3048 m by definition)."""
    return speed_m_s * 60 / METRES_PER_FOOT


def m_s(speed_ft_min: float) -> float:
    """Feet a minute as metres a second: 19000 ft/min are 96.52 m/s."""
    return speed_ft_min * METRES_PER_FOOT / 60


def blade_limit_rpm(length_mm: float, tip_limit_m_s: float) -> float:
    """Speed at which a blade's tip reaches its limit. 18 in at 96.52 m/s: 4032 (US Army TM 5-4240-501-14P p. 143)."""
    return tip_limit_m_s * 60 / (math.pi * length_mm / 1000)


def alternator_hz(poles: int, rpm: float) -> float:
    """Frequency of an alternator that turns at engine speed: poles * rpm / 120."""
    return poles * rpm / 120


def alternator_rpm(poles: int, frequency_hz: float) -> float:
    """Engine speed that gives a frequency: 120 * frequency / poles."""
    return 120 * frequency_hz / poles


def mains_hz(poles: int, rpm: float, rated_rpm: float | None) -> float:
    """The mains a generator is for, 50 or 60 Hz (those of all countries, common practice, no source): what it gives at
    the told rated speed is nearer to one of them; where none was told, what it gives at the speed heard."""
    return 50.0 if alternator_hz(poles, rated_rpm or rpm) < (50 + 60) / 2 else 60.0


def likely_poles(rated_rpm: float) -> int:
    """Poles of an alternator that turns at engine speed and whose number was not told: as many as bring it nearest to
    50 or 60 Hz at this speed, two at 3000 and 3600, four at 1500 and 1800 rpm."""
    return max(2 * round(alternator_rpm(2, 55) / rated_rpm), 2)


def firings_in(revolutions: float, strokes: int, cylinders: int) -> float:
    """Firings due in so many revolutions: revolutions * cylinders / (strokes / 2)."""
    return revolutions * cylinders / (strokes / 2)


def seconds_for(revolutions: float, rpm: float) -> float:
    """How long so many revolutions take."""
    return 60 * revolutions / rpm


def unheard_percent(firings: int) -> float:
    """None lost in n firings: the 95 % upper bound of the true share, 1 - 0.05^(1/n), in per cent."""
    return 100 * (1 - 0.05 ** (1 / firings))


def exposure_h(level_dba: float, base_dba: float, exchange_db: float) -> float:
    """Longest time near a noise in one day, hours: 8 / 2^((level - base) / exchange).

    NIOSH: base 85, exchange 3. OSHA (29 CFR 1910.95 table G-16(a)): base 90, exchange 5.
    """
    return 8 / 2 ** ((level_dba - base_dba) / exchange_db)


def weak_cylinder(both_rpm: float, grounded_rpm: Mapping[int, float], counts_rpm: float) -> int | None:
    """Balance test of a twin: the cylinder whose plug, grounded, costs least speed; None where they are even.

    grounded_rpm: speed with that cylinder's plug grounded. counts_rpm: smallest difference that counts.
    3400 with both, 3300 without 1, 3100 without 2: cylinder 1 is the weak one (twin engine service manuals; 75 rpm).
    """
    drops = {cylinder: both_rpm - rpm for cylinder, rpm in grounded_rpm.items()}
    weakest = min(drops, key=drops.__getitem__)
    return weakest if max(drops.values()) - drops[weakest] > counts_rpm else None
