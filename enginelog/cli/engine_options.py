"""The options that describe the engine, shared by the commands, and the `Engine` they make."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import click

from enginelog import model
from enginelog.model.telling import MACHINES, OFTEN_TWO_STROKE, degrees_from, engine_told
from enginelog.model.wording import as_told

ALSO_CALLED = {
    "lawnmower": "mower", "lawn mower": "mower", "chainsaw": "saw", "chain saw": "saw", "brushcutter": "trimmer",
    "brush cutter": "trimmer", "string trimmer": "trimmer", "grass trimmer": "trimmer", "cultivator": "tiller",
    "genset": "generator", "generating set": "generator", "water pump": "pump", "power washer": "pressure washer",
}  # fmt: skip

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
        return f"{kind} from {as_told(self.low)} to {as_told(self.high)}" + (f" {self.unit}" if self.unit else "")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | int:
        """The number (an int where whole numbers are asked for); fails with the range in words."""
        try:
            # Python's own way to part digits: '3_0' is a slip of the finger here, not 30.
            number = math.nan if "_" in str(value) else float(value)
        except ValueError:
            number = math.nan
        inside = self.low <= number <= self.high
        if not inside or (self.whole and number % self.step != 0):
            self.fail(f"'{value}' given, {self.expected} expected", param, ctx)
        return int(number) if self.whole else number


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


# How errors name what was told: by option.
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


engine_from = partial(engine_told, named=AS_OPTIONS)


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
        angles = ",".join(map(as_told, engine.firing_angles_deg))
        lines.append(f"even firing assumed ({angles}); where it fires unevenly, give --firing-angles")
    return lines
