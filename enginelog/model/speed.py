"""The speed of a run: the one figure, and what it held where it was not at one speed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from enginelog.model.wording import times

MOST_HELD = 5  # speeds held that are named one by one
AGAIN = 0.03  # share by which speeds differ that are one, held again


def in_turn(held_rpm: Sequence[float]) -> list[float]:
    """Speeds held, in order of time, each once for as long as it comes again and again (an idle between blips of the
    throttle, a run after a standstill)."""
    levels: list[float] = []
    for rpm in held_rpm:
        if not levels or abs(rpm / levels[-1] - 1) > AGAIN:
            levels.append(rpm)
    return levels


@dataclass(frozen=True)
class HeldSpeed:
    """A speed held for a second or more by a run that was not at one speed. confidence: 0..1, mean of its frames, as
    far as the recording is trusted, and no more than that there was an engine."""

    rpm: float
    start_s: float
    end_s: float
    confidence: float


@dataclass(frozen=True)
class Beside:
    """Another engine that seems to run beside the one under test.

    beats_hz: how often a second its sound comes again. over_db: how loud its lines are over those of the engine told
    of. own_hz: how often a second the working cycle of that one comes again. alike: both are about as loud, so that
    which of them is under test is not sure. seconds: for how long it was heard.
    """

    beats_hz: float
    over_db: float
    own_hz: float
    alike: bool
    seconds: float

    @property
    def words(self) -> str:
        """`another engine seems to run beside it (about 24 firings a second)`."""
        return f"another engine seems to run beside it (about {self.beats_hz:z.0f} firings a second)"


@dataclass(frozen=True)
class Speed:
    """One figure for the whole run: the median over running (run-up left out) and its 95 % interval.

    or_rpm: another speed that sounds nearly the same (two or three times as fast, firing on every second turn or in one
        cylinder only, or a four-stroke single losing every second firing; half as fast, a twin firing evenly whose
        firing angles nobody told); None where none.
    range_low_rpm, range_high_rpm: between which it ran where it was not at one speed (throttle moved, pulled far
        down by a load, or slowly sunk or risen): the median says little then. None where it was at one speed, hunting
        included.
    band_percent: of the longest stretch at constant load; None where the finding on steadiness withholds it, as of a
        speed that was moved throughout.
    band_low_percent, band_high_percent: 95 % interval of band_percent; None where that is, and in older records.
    held: the speeds it held then, in order of time; the same one may come again. Empty where it held none.
    confidence: of a run that was not at one speed that of the least sure one held.
    told: False of a median too unsure to be told, before it is known whether the run held several speeds, which may be
        sure all the same; in no record.
    """

    rpm: float | None
    rpm_low: float | None
    rpm_high: float | None
    band_percent: float | None
    confidence: float
    or_rpm: float | None = None
    range_low_rpm: float | None = None
    range_high_rpm: float | None = None
    held: tuple[HeldSpeed, ...] = ()
    band_low_percent: float | None = None
    band_high_percent: float | None = None
    told: bool = True

    @staticmethod
    def unknown() -> Speed:
        """No speed at all."""
        return Speed(None, None, None, None, 0.0)

    @property
    def changed(self) -> bool:
        """Whether the run was not at one speed."""
        return self.range_high_rpm is not None

    def sure(self, least: float) -> bool:
        """Whether the speed, or each one held where it was not at one, is told with a confidence of `least` or more."""
        told = [one.confidence for one in self.held] if self.changed else [self.confidence]
        return all(confidence >= least for confidence in told)

    def no_surer(self, most: float, doubtful: Callable[[HeldSpeed], bool] = lambda one: True) -> Speed:
        """The same, told with a confidence of `most` at most, and so the speeds held that are `doubtful`."""
        held = tuple(replace(one, confidence=min(one.confidence, most)) if doubtful(one) else one for one in self.held)
        return replace(self, confidence=min(self.confidence, most), held=held)

    @property
    def or_times(self) -> str:
        """The other speed beside the one read, in words before "as fast": `twice`; empty where there is none."""
        return "" if self.or_rpm is None or self.rpm is None else times(self.or_rpm / self.rpm)

    @property
    def top_rpm(self) -> float | None:
        """The highest speed held; the one speed of a run at one; None where none was held."""
        return max((one.rpm for one in self.held), default=None) if self.changed else self.rpm

    @property
    def held_words(self) -> str:
        """`held about 1760, then 3030, then 1750 rpm` of a run that was not at one speed; empty for others."""
        if self.range_low_rpm is None or self.range_high_rpm is None:
            return ""
        between = f"between {self.range_low_rpm:z.0f} and {self.range_high_rpm:z.0f} rpm"
        if len(in_turn([one.rpm for one in self.held])) > MOST_HELD:
            return f"held {len(self.held)} speeds {between}"
        levels = in_turn([one.rpm for one in self.held])
        held = f"held about {', then '.join(f'{round(rpm, -1):z.0f}' for rpm in levels)} rpm"
        return held if len(levels) > 1 else f"{held}, else {between}"


def nearer_rated(rpm: float, idle_rpm: float, rated_rpm: float) -> bool:
    """Whether a speed is nearer to the rated one than to the idle one, as a share of each."""
    return abs(rpm / idle_rpm - 1) >= abs(rpm / rated_rpm - 1)
