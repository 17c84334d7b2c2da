"""Numbers, amounts of money and texts from outside as a person reads them.

Whatever number comes, nobody is shown a power of ten ('1e+02'), a minus before nothing ('-0') or 'nan'. The unit is
written by who asks, but for money. Numbers in files for other programs are none of this module's.
"""

from __future__ import annotations

import math
from decimal import Decimal

GAP = "\u00a0"  # between a number and its unit, so that no line ends there
NOT_KNOWN = "not known"  # for a number that is none, which a record does not hold
MOST_DECIMALS = 4


def fixed(value: float, decimals: int) -> str:
    """`value` to so many decimals (0 and more): '12.0', '100', '0.00'."""
    return f"{value:z.{decimals}f}" if math.isfinite(value) else NOT_KNOWN


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def figure(value: float, most: int = 3) -> str:
    """To about `most` significant digits and at most two decimals, without trailing noise: '1234', '57.3', '0.57'."""
    size = abs(value)
    return _trimmed(fixed(value, 0 if size >= 10 ** (most - 1) else 1 if size >= 10 ** (most - 2) else 2))


def significant(value: float, digits: int) -> str:
    """To so many significant digits, whole numbers whole, at most four decimals: '100', '12', '1.2', '0.034'."""
    if not math.isfinite(value) or value == 0:
        return fixed(value, 0)
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    return _trimmed(fixed(value, min(max(decimals, 0), MOST_DECIMALS)))


def percent(value: float) -> str:
    """A share in percent to the two digits that matter, without its sign: '100', '12', '1.2', '0.034'."""
    return significant(value, 2)


def shares(low: float, high: float) -> str:
    """Two percentages, both to as many decimals as the larger asks for, without their sign: '7.2 to 13.1'."""
    decimals = 0 if high >= 20 else 1 if high >= 1 else 2
    return f"{fixed(low, decimals)} to {fixed(high, decimals)}"


def lasted(seconds: float) -> str:
    """How long something lasted, in seconds without their unit: below ten to a tenth, else whole: '2.8', '34'."""
    return fixed(seconds, 1 if seconds < 10 else 0)


def as_told(value: float) -> str:
    """A number somebody told, or a limit, to six decimals (below 1: digits): '3600', '0.7', '1234567.25'."""
    if not math.isfinite(value) or abs(value) >= 1:
        return _trimmed(fixed(value, 6))
    return _trimmed(format(Decimal(f"{value:z.6g}"), "f"))


def money(cents: int, currency: str = "", gap: str = " ", minus: str = "-") -> str:
    """Cents as an amount with two decimals, with its currency where one is given: '12.34 EUR'."""
    sign, size = (minus if cents < 0 else ""), abs(cents)
    return f"{sign}{size // 100}.{size % 100:02d}{gap}{currency}".rstrip()


def is_wide(value: float, low: float, high: float) -> bool:
    """Whether an interval is so wide, two fifths of the value and more, that the value alone would mislead."""
    return high - low >= 0.4 * value


def counted(number: int, thing: str, things: str = "") -> str:
    """A number with its noun: '0 pulls', '1 pull', '2 pulls'. things: the plural, where it is not made with an s."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def joined(parts: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else "".join(parts)


def begun_small(text: str) -> str:
    """With a small letter at the start, to go on within a sentence; an abbreviation keeps its capitals."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def begun_large(text: str) -> str:
    """With a capital at the start, to begin a sentence; a unit or a name written so (`kW`) keeps its small letter."""
    return text if text[1:2].isupper() else text[:1].upper() + text[1:]


def times(ratio: float) -> str:
    """A ratio in words before "as fast": `half`, `twice`, `three times`."""
    plain = {0.5: "half", 2.0: "twice", 3.0: "three times", 4.0: "four times"}
    return plain.get(round(ratio, 2), f"{figure(ratio)} times")


def often(number: int) -> str:
    """How many times, from 1 on: 'once', 'twice', '3 times'."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def one_line(text: str) -> str:
    """A text from anywhere on one line. Whoever shows it makes it safe to be shown."""
    return " ".join(text.split())


# How a finding on steadiness begins that tells of a slow change: by it advice knows which way the speed went.
SANK_SLOWLY, ROSE_SLOWLY = "The speed sank slowly", "The speed rose slowly"
BY_HAND_PERHAPS = "The throttle was moved in this recording, perhaps slowly here, too."  # what it says of such a change
IN_A_BAND = "the speed stays within a band"  # and what one says that tells of a band, alone or after such a change


def printable(name: str) -> str:
    """The name of a recording as it stands in its record and in every message: on one line, in characters that any
    file takes (names may hold line ends or broken UTF-8)."""
    return "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in name) or "(no name)"
