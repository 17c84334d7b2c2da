"""The options that describe the engine, shared by the commands, and the `Engine` they make."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import click

from enginelog import model

MACHINES = ("mower", "mower twin", "generator", "pressure washer", "pump", "tiller", "saw", "trimmer", "other")
ALSO_CALLED = {
    "lawnmower": "mower", "lawn mower": "mower", "chainsaw": "saw", "chain saw": "saw", "brushcutter": "trimmer",
    "brush cutter": "trimmer", "string trimmer": "trimmer", "grass trimmer": "trimmer", "cultivator": "tiller",
    "genset": "generator", "generating set": "generator", "water pump": "pump", "power washer": "pressure washer",
}  # fmt: skip
OFTEN_TWO_STROKE = ("saw", "trimmer")
LEAST_GAP_DEG = 1.0  # cylinders that fire closer together than this are heard as one

Command = TypeVar("Command", bound=Callable[..., Any])


class Number(click.ParamType):
    """A number within a range, both ends included. `step` 2 asks for an even number; infinite and NaN are refused."""

    name = "number"

    def __init__(self, low: float, high: float, unit: str = "", whole: bool = False, step: int = 1) -> None:
        self.low, self.high, self.unit, self.whole, self.step = low, high, unit, whole, step

    @property
    def expected(self) -> str:
        """The range in words, as the help and the errors show it."""
        kind = "an even whole number" if self.step == 2 else "a whole number" if self.whole else "a number"
        return f"{kind} from {self.low:g} to {self.high:g}" + (f" {self.unit}" if self.unit else "")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | int:
        """The number (an int where whole numbers are asked for); fails with the range in words."""
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        inside = self.low <= number <= self.high
        if not inside or (self.whole and number % self.step != 0):
            self.fail(f"'{value}' given, {self.expected} expected", param, ctx)
        return int(number) if self.whole else number


def degrees_from(given: str) -> tuple[float, ...]:
    """Angles in degrees as they are written, separated by commas; UsageError where one is no finite number."""
    try:
        angles = tuple(float(part) for part in given.split(","))
    except ValueError:
        angles = (math.nan,)
    if not all(map(math.isfinite, angles)):
        raise model.UsageError(f"'{given}' given, degrees separated by commas expected, such as 0,270")
    return angles


class Angles(click.ParamType):
    """Crank angles in degrees, separated by commas."""

    name = "degrees"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """The angles in the order given; fails where one is no finite number."""
        if isinstance(value, tuple):
            return value
        try:
            return degrees_from(value)
        except model.UsageError as bad:
            self.fail(str(bad), param, ctx)


class Machine(click.ParamType):
    """A kind of machine, also by an everyday name; capitals, hyphens and underscores do not matter."""

    name = "kind"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The kind as `MACHINES` spells it; fails with the list of kinds."""
        kind = " ".join(value.lower().replace("-", " ").replace("_", " ").split())
        kind = ALSO_CALLED.get(kind, kind)
        if kind not in MACHINES:
            self.fail(f"'{value}' is not among the kinds known: {', '.join(MACHINES)}", param, ctx)
        return kind


TWINS_FIRE = (  # ways a four-stroke twin fires: published firing-order tables
    ("0,360", "360/360 degrees apart (pistons rise together)"),
    ("0,270", "270/450 degrees apart (V of 90 degrees)"),
    ("0,180", "180/540 degrees apart (pistons rise in turn)"),
)

# How errors name what was told: here by option. Another door gives the labels of its own fields.
AS_OPTIONS = {
    "strokes": "--strokes", "cylinders": "--cylinders", "firing_angles": "--firing-angles", "rated_rpm": "--rated-rpm",
    "idle_rpm": "--idle-rpm",
}  # fmt: skip

_RPM = Number(100, 20_000, "rpm")
_OPTIONS = (
    click.option("--strokes", type=click.Choice(["2", "4"]), help="Two-stroke or four-stroke; 4 is assumed."),
    click.option("--cylinders", type=Number(1, 12, whole=True), metavar="N", help="1 to 12; 1 is assumed."),
    click.option(
        "--firing-angles",
        type=Angles(),
        metavar="DEG,DEG",
        help="Crank angle of each cylinder's firing within one cycle, from the first at 0; for example 0,270. "
        "Even firing is assumed, but by its sound for a four-stroke twin.",
    ),
    click.option("--rated-rpm", type=_RPM, metavar="RPM", help="Rated speed from the data plate."),
    click.option("--idle-rpm", type=_RPM, metavar="RPM", help="Idle speed from the data plate or manual."),
    click.option("--machine", type=Machine(), metavar="KIND", help=f"One of: {', '.join(MACHINES)}."),
    click.option(
        "--blade-length-mm",
        type=Number(100, 2000, "mm"),
        metavar="MM",
        help="Length of a mower blade from tip to tip, turning at engine speed.",
    ),
    click.option(
        "--poles",
        type=Number(2, 48, whole=True, step=2),
        metavar="N",
        help="Poles of the generator's alternator, turning at engine speed; even.",
    ),
)


def engine_options(command: Command) -> Command:
    """Add the options that describe the engine to a command; it takes them as keywords for `engine_from`."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def engine_from(
    strokes: str | None,
    cylinders: int | None,
    firing_angles: tuple[float, ...] | None,
    rated_rpm: float | None,
    idle_rpm: float | None,
    machine: str | None,
    blade_length_mm: float | None,
    poles: int | None,
    named: Mapping[str, str] = AS_OPTIONS,
) -> model.Engine:
    """The engine as told, each argument None where not told; UsageError where the options contradict each other.

    Four strokes, one cylinder and even firing are assumed where not told, and named in `Engine.assumed`.
    Firing angles alone tell the number of cylinders too. named: what errors call the arguments, as `AS_OPTIONS`.
    """
    if cylinders is None and firing_angles is not None:
        cylinders = len(firing_angles)
    told = {"strokes": strokes, "cylinders": cylinders, "firing_angles_deg": firing_angles}
    engine_strokes, engine_cylinders = int(strokes or 4), cylinders or 1
    _check_angles(firing_angles, engine_strokes, engine_cylinders, named)
    _check_speeds(rated_rpm, idle_rpm, named)
    return model.Engine(
        strokes=engine_strokes,
        cylinders=engine_cylinders,
        firing_angles_deg=firing_angles or _even_angles(engine_strokes, engine_cylinders),
        rated_rpm=rated_rpm,
        idle_rpm=idle_rpm,
        machine=machine,
        blade_length_mm=blade_length_mm,
        alternator_poles=poles,
        assumed=tuple(name for name, value in told.items() if value is None),
    )


def hints(engine: model.Engine) -> list[str]:
    """What the user should know of the assumptions made, one line each."""
    lines = []
    if "strokes" in engine.assumed and engine.machine in OFTEN_TWO_STROKE:
        lines.append(
            f"four strokes assumed, but many a {engine.machine} has a two-stroke engine, on which the speed shown "
            "would be double the true one: give --strokes 2 or --strokes 4"
        )
    if "cylinders" in engine.assumed and engine.machine == "mower twin":
        lines.append("one cylinder assumed, but a twin has two: give --cylinders 2")
    if engine.firing_open:
        lines.append(
            "how the twin fires is taken from its sound (even, 270/450 or 180/540 degrees apart); give "
            "--firing-angles (0,360 or 0,270 or 0,180) where you know it"
        )
    elif "firing_angles_deg" in engine.assumed and engine.cylinders > 1:
        angles = ",".join(f"{angle:g}" for angle in engine.firing_angles_deg)
        lines.append(f"even firing assumed ({angles}); where it fires unevenly, give --firing-angles")
    return lines


def _even_angles(strokes: int, cylinders: int) -> tuple[float, ...]:
    return tuple(index * 180.0 * strokes / cylinders for index in range(cylinders))


def _check_angles(angles: tuple[float, ...] | None, strokes: int, cylinders: int, named: Mapping[str, str]) -> None:
    if angles is None:
        return
    cycle_deg = 180 * strokes
    given = f"{named['firing_angles']} {','.join(f'{angle:g}' for angle in angles)}"
    if len(angles) != cylinders:
        raise model.UsageError(
            f"{given}: {len(angles)} given, one for each of {cylinders} cylinders expected; put these right or "
            f"{named['cylinders']}"
        )
    if angles[0] != 0:
        raise model.UsageError(f"{given}: angles are counted from the first firing, so the first is 0")
    if max(angles) >= cycle_deg:
        raise model.UsageError(
            f"{given}: each must be below {cycle_deg}, the degrees of one cycle of a {strokes}-stroke; put these right "
            f"or {named['strokes']}"
        )
    if any(later - earlier < LEAST_GAP_DEG for earlier, later in zip(angles, angles[1:], strict=False)):
        raise model.UsageError(
            f"{given}: rising angles at least {LEAST_GAP_DEG:g} degree apart expected; "
            "cylinders that fire together are heard as one and given once"
        )


def _check_speeds(rated_rpm: float | None, idle_rpm: float | None, named: Mapping[str, str]) -> None:
    if rated_rpm is not None and idle_rpm is not None and idle_rpm >= rated_rpm:
        idle, rated = f"{named['idle_rpm']} {idle_rpm:g}", f"{named['rated_rpm']} {rated_rpm:g}"
        raise model.UsageError(f"{idle} given with {rated}: idle must be the lower")
