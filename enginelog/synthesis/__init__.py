"""Makes recordings of invented engines together with their truth, from a seed.

    scenario = random_scenario(7, kind="pump", hardness="ordinary", behaviours="hunting")
    clip, truth = make(scenario)

`make` is deterministic: the same scenario gives the same samples. `make_other` makes sounds that are no engine;
`at_the_bench` puts any sound where engines are recorded.
"""

from __future__ import annotations

import numpy as np

from enginelog.model import Clip, Engine
from enginelog.synthesis.behaviours import BEHAVIOURS
from enginelog.synthesis.chance import stream
from enginelog.synthesis.codec import round_trip
from enginelog.synthesis.crank import Motion, turn_over
from enginelog.synthesis.draw import HARDNESS, draw_recording, random_scenario
from enginelog.synthesis.firings import Chances
from enginelog.synthesis.kinds import KINDS
from enginelog.synthesis.phone import high_pass, through_phone
from enginelog.synthesis.programme import grid, plan
from enginelog.synthesis.room import heard_there, mixed, surroundings
from enginelog.synthesis.scenario import (
    Body,
    Colour,
    Load,
    Misfires,
    Move,
    Phone,
    Place,
    Pull,
    Rough,
    Scenario,
    Speeds,
    Wave,
)
from enginelog.synthesis.sound import engine_sound
from enginelog.synthesis.truth import LoadTruth, PullTruth, Truth, nothing, tell

__all__ = [
    "BEHAVIOURS", "HARDNESS", "KINDS", "OTHER_KINDS", "TRILL_KINDS", "Body", "Colour", "Load", "LoadTruth", "Misfires",
    "Move", "Phone", "Place", "Pull", "PullTruth", "Rough", "Scenario", "Speeds", "Truth", "Wave", "at_the_bench",
    "make", "make_other", "nothing", "random_scenario", "simulate",
]  # fmt: skip
OTHER_KINDS = (
    "talk", "music", "talk_over_music", "wind", "rain", "waves", "clock", "dripping", "electric_motor", "hum",
    "silence", "birds",
    "dog", "knocks", "power_drill", "footsteps",
)  # fmt: skip
TRILL_KINDS = ("crickets", "bush_crickets", "frogs", "churr", "cicadas", "sprinkler", "freewheel")


def simulate(scenario: Scenario) -> tuple[Motion, Truth]:
    """The crank's motion and the truth, without any sound (quick)."""
    programme = plan(scenario)
    motion = turn_over(scenario, programme, Chances(scenario))
    return motion, tell(scenario, motion, programme.target_rps * 60, grid(scenario.seconds))


def make(scenario: Scenario) -> tuple[Clip, Truth]:
    """The recording of `scenario` (mono float32 at `scenario.rate_hz`) and its truth."""
    motion, truth = simulate(scenario)
    engine = heard_there(scenario, engine_sound(scenario, motion))
    return Clip(recorded(scenario, engine, running_mask(truth, len(engine), scenario.rate_hz)), scenario.rate_hz), truth


def running_mask(truth: Truth, n: int, rate_hz: float) -> np.ndarray:
    """Samples in which the engine runs; where it never does, those in which it is pulled."""
    kind = "run" if truth.engine_heard else "pull"
    mask = np.zeros(n, bool)
    for span in truth.spans:
        if span.kind == kind:
            mask[int(span.start_s * rate_hz) : int(span.end_s * rate_hz)] = True
    return mask


def recorded(scenario: Scenario, sound: np.ndarray, active: np.ndarray) -> np.ndarray:
    """`sound` with its surroundings through phone and codec."""
    rate = scenario.rate_hz

    def through(x: np.ndarray) -> np.ndarray:
        return high_pass(x, scenario.phone.high_pass_hz, rate)

    heard = mixed(sound, surroundings(scenario, len(sound)), active, through)
    return round_trip(through_phone(scenario, heard, active), rate, scenario.codec)


def make_other(seed: int, kind: str, seconds: float = 8.0, hardness: str = "ordinary") -> Clip:
    """A recording without an engine: `kind` is one of OTHER_KINDS or TRILL_KINDS, recorded as engines
    are."""
    from enginelog.synthesis import other, trills

    makers = other.OTHER | trills.TRILLS
    if kind not in makers:
        raise ValueError(f"kind {kind!r}: expected one of {OTHER_KINDS + TRILL_KINDS}")
    scenario = _of_no_engine(seed, kind, seconds, hardness)
    sound = makers[kind](stream(seed, kind), int(seconds * scenario.rate_hz), scenario.rate_hz)
    if kind == "silence":
        return Clip((sound * 10 ** (scenario.phone.level_dbfs / 20)).astype(np.float32), scenario.rate_hz)
    return _recorded_alone(scenario, sound)


def at_the_bench(sound: Clip, seed: int, hardness: str = "ordinary") -> Clip:
    """Any sound as it is recorded where engines are: in a room or yard, among other noises, by a phone."""
    from enginelog.dsp.signals import resample
    from enginelog.synthesis import other

    scenario = _of_no_engine(seed, "found", sound.seconds, hardness)
    samples = resample(sound.samples, sound.rate_hz, scenario.rate_hz).astype(float)
    return _recorded_alone(scenario, other.normal(samples))


def _of_no_engine(seed: int, kind: str, seconds: float, hardness: str) -> Scenario:
    place, phone, codec = draw_recording(stream(seed, "recording"), hardness)
    return Scenario(Engine(), Speeds(3000.0), seconds, seed, kind, hardness, place=place, phone=phone, codec=codec)


def _recorded_alone(scenario: Scenario, sound: np.ndarray) -> Clip:
    active = np.ones(len(sound), bool)
    return Clip(recorded(scenario, heard_there(scenario, sound), active), scenario.rate_hz)
