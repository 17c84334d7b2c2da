"""Tables of the speed of the run and of its 95 % interval, from readings of made-up recordings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from measuring.made import MOVED, Reading
from measuring.scores import is_octave, within
from measuring.tables import number, percent, percent_between, table

SURE = 0.5  # confidence from which a wrong figure counts as confidently wrong
Groups = list[tuple[str, list[Reading]]]

SPEED_HEAD = (
    *("recordings", "n", "within 0.3 %", "within 1 %", "octave errors", "unknown"),
    *(
        "of these engine not heard",
        "of these clip unusable",
        "wrong and sure",
        "median error %",
        "track: 0.3 %",
        "track: 1 %",
    ),
)


def speed_row(name: str, found: Sequence[Reading]) -> list[object]:
    """Shares (per cent) and counts of one group.

    octave errors and "wrong and sure" (more than 1 % off, confidence 0.5 or more) are counts, unknown too. The last two
    columns hold the median of the track against the true one at the same moments.
    """
    ratio = np.array([reading.ratio for reading in found])
    track = np.array([reading.track_ratio for reading in found])
    sure = np.array([reading.confidence >= SURE for reading in found], bool)
    known = np.isfinite(ratio)
    error = np.abs(ratio[known] - 1)
    count = len(found)
    return [
        name,
        count,
        percent(within(ratio, 0.3).sum(), count),
        percent(within(ratio, 1.0).sum(), count),
        int(is_octave(ratio).sum()),
        int((~known).sum()),
        sum(reading.rpm is None and not reading.heard for reading in found),
        sum(reading.rpm is None and not reading.usable for reading in found),
        int((known & ~within(ratio, 1.0) & sure).sum()),
        number(100 * float(np.median(error)) if len(error) else None, 3),
        percent(within(track, 0.3).sum(), count),
        percent(within(track, 1.0).sum(), count),
    ]


def speed_table(readings: Sequence[Reading]) -> str:
    """Rated speed not told, then told, then by kind and by behaviour (not told)."""
    return table(SPEED_HEAD, [speed_row(name, group) for name, group in _all_groups(readings)])


COVERAGE_HEAD = (
    *("recordings", "with an interval", "interval holds %", "95 % range of that"),
    *("of those within 3 %: holds %", "median half width %"),
)


def coverage_row(name: str, found: Sequence[Reading]) -> list[object]:
    """How often rpm_low..rpm_high held the true speed: of all told, and of those whose speed was no gross error."""
    told = [reading for reading in found if reading.low is not None and reading.high is not None]
    near = [reading for reading in told if within(reading.ratio, 3.0)]
    holds = sum(reading.covered for reading in told)
    widths = [100 * (reading.high - reading.low) / 2 / reading.rpm for reading in told]
    return [
        name,
        len(told),
        percent(holds, len(told)),
        percent_between(holds, len(told)),
        percent(sum(reading.covered for reading in near), len(near)),
        number(float(np.median(widths)) if widths else None, 3),
    ]


def coverage_table(readings: Sequence[Reading]) -> str:
    """Each hardness apart, then all kinds and behaviours over both (rated speed not told)."""
    untold = _untold(readings)
    groups: Groups = []
    for hardness in dict.fromkeys(reading.case.hardness for reading in untold):
        mine = [reading for reading in untold if reading.case.hardness == hardness]
        groups += [(f"**{hardness}**", mine), (f"{hardness}, throttle not moved", _settled(mine))]
    groups += [*_by(untold, lambda r: r.case.kind), *_by(untold, lambda r: r.case.behaviour)]
    return table(COVERAGE_HEAD, [coverage_row(name, group) for name, group in groups])


def worst(readings: Sequence[Reading], count: int) -> list[str]:
    """The recordings furthest off among those told, worst first, so that they can be made and heard again."""
    told = [r for r in readings if r.rpm is not None and not r.said_to_run and not within(r.ratio, 1.0)]
    told.sort(key=lambda reading: -abs(np.log(reading.ratio)))
    return [f"- {_named(r)}: {r.rpm:.0f} for {r.true_rpm:.0f} rpm, confidence {r.confidence:.2f}" for r in told[:count]]


def unknown(readings: Sequence[Reading], count: int) -> list[str]:
    """Recordings of which no speed was told, with what can be said of the reason."""
    silent = [reading for reading in _untold(readings) if reading.rpm is None]
    return [f"- {_named(r)}: {_reason(r)}, track over truth {number(r.track_ratio, 3)}" for r in silent[:count]]


def _named(r: Reading) -> str:
    told = ", rated speed told" if r.rated_told else ""
    return f"seed {r.case.seed}, {r.case.kind}, {r.case.hardness}, {r.case.behaviour}{told}"


def _reason(r: Reading) -> str:
    if not r.usable:
        return "clip called unusable"
    return "engine heard, but no frame sure enough" if r.heard else "no engine heard"


def _all_groups(readings: Sequence[Reading]) -> Groups:
    untold = _untold(readings)
    told = [reading for reading in readings if reading.rated_told]
    said = [reading for reading in readings if reading.said_to_run]
    head = [
        ("**rated speed not told**", untold),
        ("of these, throttle not moved", _settled(untold)),
        *_by_disturbance(_settled(untold)),
        ("throttle not moved, said to run", _settled(said)),
        ("**rated speed told** (machines that have one)", told),
        ("of these, throttle not moved", _settled(told)),
    ]
    return [*head, *_by(untold, lambda r: r.case.kind), *_by(untold, lambda r: r.case.behaviour)]


def _untold(readings: Sequence[Reading]) -> list[Reading]:
    """Told neither the rated speed nor that the engine ran."""
    return [reading for reading in readings if not reading.rated_told and not reading.said_to_run]


def _by_disturbance(readings: Sequence[Reading]) -> Groups:
    """Noise, wind, talk and the rest together up to the engine's own level, and above it; none where one is empty."""
    louder = [reading for reading in readings if reading.disturbed_db > 0]
    up_to = [reading for reading in readings if reading.disturbed_db <= 0]
    if not louder or not up_to:
        return []
    return [("of those, all noise together up to the engine's own level", up_to), ("of those, louder noise", louder)]


def _settled(readings: Sequence[Reading]) -> list[Reading]:
    return [reading for reading in readings if reading.case.behaviour != MOVED]


def _by(readings: Sequence[Reading], key: Callable[[Reading], str]) -> Iterator[tuple[str, list[Reading]]]:
    for name in dict.fromkeys(map(key, readings)):
        yield name, [reading for reading in readings if key(reading) == name]
