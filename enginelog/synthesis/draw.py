"""Scenarios drawn at random: an engine of a kind, how it behaves, where and with what it is recorded.

Speeds are the usual ones of each kind of machine (makers' data and common practice); they are ranges to draw from, no limits.
"""

from __future__ import annotations

from dataclasses import dataclass, is_dataclass, replace
from math import inf

import numpy as np

from enginelog.model import Engine
from enginelog.synthesis.chance import stream
from enginelog.synthesis.scenario import (
    Body, Colour, Load, Misfires, Move, Phone, Place, Pull, Rough, Scenario, Speeds, Wave,
)  # fmt: skip

HARDNESS = ("clean", "easy", "ordinary", "hard")
BEHAVIOURS = (
    "steady", "hunting", "settling", "load_step", "misfire", "misfire_random", "misfire_burst", "misfire_cylinder",
    "misfire_every_second", "start", "cut", "pulls_only", "throttle", "afterfire", "stall",
)  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """What is usual for a kind of machine: ranges to draw from."""

    strokes: int
    angles_deg: tuple[float, ...]
    idle_rpm: tuple[float, float] | None
    top_rpm: tuple[float, float]
    rundown_s: tuple[float, float]
    governed: bool = True
    pull_rpm: tuple[float, float] = (450, 900)
    electric: bool = False
    blade: bool = False
    poles: int | None = None
    whine: bool = False
    between: bool = False
    pipe_hz: tuple[float, float] = (110, 260)


KINDS = {
    "mower": Kind(4, (0,), (1700, 2000), (2800, 3250), (1.2, 3.0), blade=True),
    "generator": Kind(4, (0,), None, (3000, 3180), (2.0, 4.0), poles=2),
    "generator_60": Kind(4, (0,), None, (3570, 3780), (2.0, 4.0), poles=2),
    "pump": Kind(4, (0,), (1400, 1900), (3200, 3850), (0.8, 1.8)),
    "tiller": Kind(4, (0,), (1400, 1800), (3200, 3600), (0.9, 2.0), whine=True),
    "saw": Kind(2, (0,), (2500, 2800), (9500, 13_800), (0.5, 1.3), False, (600, 1300), whine=True, between=True, pipe_hz=(250, 600)),
    "trimmer": Kind(2, (0,), (2600, 3200), (7000, 11_000), (0.5, 1.2), False, (600, 1200), whine=True, between=True, pipe_hz=(220, 550)),
    "twin_270": Kind(4, (0, 270), (1500, 1800), (3000, 3900), (1.5, 3.5), electric=True, pull_rpm=(350, 600)),
    "twin_180": Kind(4, (0, 180), (1200, 1700), (3000, 3900), (1.5, 3.5), electric=True, pull_rpm=(350, 600)),
    "twin_360": Kind(4, (0, 360), (1200, 1700), (3000, 3900), (1.5, 3.5), electric=True, pull_rpm=(350, 600)),
    "two_stroke_twin": Kind(2, (0, 180), (900, 1400), (4000, 5800), (0.8, 2.0), between=True),
    "triple": Kind(4, (0, 240, 480), (850, 1200), (2200, 3200), (1.0, 2.5), electric=True, pull_rpm=(250, 400)),
    "four": Kind(4, (0, 180, 360, 540), (700, 1000), (1800, 3400), (0.8, 2.0), electric=True, pull_rpm=(220, 350), between=True),
}  # fmt: skip
ALIASES = {"brushcutter": "trimmer", "chainsaw": "saw", "generator_50": "generator"}


def random_scenario(
    seed: int,
    kind: str = "any",
    hardness: str = "ordinary",
    behaviours: str | tuple[str, ...] | None = None,
    rpm: float | None = None,
    **fixed,
) -> Scenario:
    """Draw a scenario.

    kind: a name of KINDS or "any". hardness: clean, easy, ordinary or hard. behaviours: names of BEHAVIOURS (one string with
    commas or a tuple); None draws a usual mix. rpm fixes the speed wanted. fixed: fields of Scenario; a dict given for a field
    that is itself a dataclass changes only the named parts: place={"reverb_s": 0.8}. Raises ValueError for unknown names.
    """
    rng = stream(seed, "draw")
    kind = ALIASES.get(kind, kind)
    if kind == "any":
        kind = str(rng.choice(list(KINDS)))
    if kind not in KINDS or hardness not in HARDNESS:
        raise ValueError(f"kind {kind!r}, hardness {hardness!r}: expected one of {sorted(KINDS)} and of {HARDNESS}")
    wanted = chosen(rng, behaviours, KINDS[kind])
    scenario = basic(rng, seed, kind, hardness, wanted, rpm)
    seconds = fixed.pop("seconds", None)
    scenario = replace(scenario, seconds=float(seconds)) if seconds else scenario
    for name in wanted:
        scenario = BEHAVE.get(name, unchanged)(rng, scenario)
    return overridden(scenario, fixed)


def chosen(rng, behaviours, kind: Kind) -> tuple[str, ...]:
    if behaviours is None:
        mix = ["steady", "hunting", "settling", "load_step", "misfire", "start", "cut", "throttle"]
        out = [str(rng.choice(mix, p=[0.34, 0.1, 0.08, 0.1, 0.16, 0.08, 0.08, 0.06]))]
        if out[0] in ("steady", "misfire", "hunting") and rng.random() < 0.25:
            out.append(str(rng.choice(["start", "cut"])))
    else:
        out = behaviours.split(",") if isinstance(behaviours, str) else list(behaviours)
    unknown = [b for b in out if b.strip() not in BEHAVIOURS]
    if unknown:
        raise ValueError(f"behaviours {unknown}: expected some of {BEHAVIOURS}")
    return tuple(b.strip() for b in out)


def overridden(scenario: Scenario, fixed: dict) -> Scenario:
    """The scenario with the given fields put in; a dict changes parts of a nested one."""
    for name, value in fixed.items():
        if not hasattr(scenario, name):
            raise ValueError(f"{name!r} is no field of Scenario: expected one of {list(scenario.__dataclass_fields__)}")
        old = getattr(scenario, name)
        scenario = replace(
            scenario, **{name: replace(old, **value) if is_dataclass(old) and isinstance(value, dict) else value}
        )
    return scenario


def basic(rng, seed: int, kind: str, hardness: str, wanted: tuple[str, ...], rpm: float | None) -> Scenario:
    """The machine running steadily, with the place and phone of the hardness asked for."""
    k = KINDS[kind]
    speed = rpm or drawn_speed(rng, k)
    top = k.top_rpm[1]
    engine = Engine(
        strokes=k.strokes, cylinders=len(k.angles_deg), firing_angles_deg=tuple(float(a) for a in k.angles_deg),
        rated_rpm=round(speed, -1) if k.governed else None, machine=kind, alternator_poles=k.poles,
    )  # fmt: skip
    rundown = rng.uniform(*k.rundown_s) * np.clip(speed / top, 0.25, 1.0) ** 0.7
    body = Body(
        rundown_s=rundown, power=rng.uniform(2.3, 4.0), compression=rng.uniform(0.15, 0.3), governed=k.governed,
        governor_s=rng.uniform(0.2, 0.6) if k.governed else rng.uniform(0.5, 1.2), droop=rng.uniform(0.02, 0.1),
    )  # fmt: skip
    wobble = rng.uniform(0.1, 0.5) if k.governed else rng.uniform(0.3, 1.5)
    colour = draw_colour(rng, k, speed, hardness)
    place, phone, codec = draw_recording(rng, hardness)
    seconds = round(rng.uniform(8, 16), 2)
    speeds = Speeds(speed, wobble_percent=wobble, drift_percent=rng.normal() * 0.5)
    return Scenario(
        engine, speeds, seconds, seed, kind, hardness, body=body, colour=colour, place=place, phone=phone, codec=codec
    )


def drawn_speed(rng, k: Kind) -> float:
    if k.idle_rpm is None or (rng.random() < 0.65 and not k.between):
        return float(rng.uniform(*k.top_rpm))
    if k.between and rng.random() < 0.7:
        return float(np.exp(rng.uniform(np.log(k.idle_rpm[0]), np.log(k.top_rpm[1]))))
    return float(rng.uniform(*k.idle_rpm))


def draw_colour(rng, k: Kind, rpm: float, hardness: str) -> Colour:
    """The engine's voice: every level within what is heard on real machines, duller and noisier when hard."""
    two, worse = k.strokes == 2, {"clean": -10, "easy": -4, "ordinary": 0, "hard": 3}[hardness]
    idle = rpm < 0.6 * k.top_rpm[0]
    maybe = lambda share, low, high: float(rng.uniform(low, high)) if rng.random() < share else None  # noqa: E731
    return Colour(
        strength_spread=float(rng.uniform(0.06, 0.18) + (0.05 if idle else 0)),
        strength_memory=float(rng.uniform(-0.5, 0.1)),
        alternation=float(rng.uniform(0.1, 0.5)) if two and rng.random() < 0.4 else 0.0,
        timing_spread=float(rng.uniform(0.003, 0.02)), shape_spread=float(rng.uniform(0.15, 0.6)),
        cylinder_level=tuple(float(x) for x in np.exp(0.08 * rng.standard_normal(len(k.angles_deg)))),
        cylinder_alike=float(rng.uniform(0.5, 0.95)),
        pulse_deg=float(rng.uniform(30, 75)), pipe_hz=float(rng.uniform(*k.pipe_hz)), pipe_q=float(rng.uniform(2, 7)),
        muffler_hz=float(rng.uniform(500, 1300)), bright_db=float(rng.uniform(-14, 0)),
        turbulence_db=float(rng.uniform(-14, 0) + worse), steady_noise_db=float(rng.uniform(-20, -6) + worse),
        intake_db=float(rng.uniform(-16, -2)), intake_hz=float(rng.uniform(120, 400)), block_db=float(rng.uniform(-18, -4)),
        ticks_db=float(rng.uniform(-24, -8)), slap_db=float(rng.uniform(-26, -10)), rev_noise_db=float(rng.uniform(-26, -10)),
        whine_db=maybe(0.7, -22, -8) if k.whine else maybe(0.1, -26, -14), whine_order=float(rng.choice([6, 7, 8, 11, 13, 17, 23])),
        blade_db=maybe(1.0, -16, -3) if k.blade else None, fan_db=maybe(0.7, -24, -8),
        fan_blades=int(rng.integers(16, 25)), hum_db=float(rng.uniform(-20, -6)) if k.poles else None,
    )  # fmt: skip


def draw_recording(rng, hardness: str) -> tuple[Place, Phone, str | None]:
    """Place, phone and codec of each hardness."""
    if hardness == "clean":
        return Place(0.0, 20.0, 0.0, -60.0), Phone(None, None, 0.0, 0.0, limiter=False, bits=24), None
    if hardness == "easy":
        place = Place(rng.uniform(0.1, 0.3), rng.uniform(6, 12), 0.5, rng.uniform(-35, -22))
        return place, Phone(rng.uniform(60, 120), agc=0.2, level_dbfs=rng.uniform(-26, -18)), "aac"
    return ordinary(rng) if hardness == "ordinary" else hard(rng)


def some(rng, share: float, low: float, high: float) -> float | None:
    """A value of the range in `share` of the draws, None otherwise."""
    value = float(rng.uniform(low, high))
    return value if rng.random() < share else None


def ordinary(rng) -> tuple[Place, Phone, str | None]:
    """A metre or two away: reverberant, noise 6 to 20 dB down, high-pass, volume control, AAC."""
    place = Place(
        float(np.exp(rng.uniform(np.log(0.1), np.log(1.2)))), float(rng.uniform(0, 9)), float(rng.uniform(0, 2)),
        float(rng.uniform(-20, -6)), float(rng.uniform(-7, -2)), wind_db=some(rng, 0.3, -22, -8), talk_db=some(rng, 0.2, -25, -12),
        hum_db=some(rng, 0.2, -30, -14), hum_hz=float(rng.choice([50, 60])), birds_db=some(rng, 0.2, -30, -14),
    )  # fmt: skip
    phone = Phone(
        float(rng.uniform(60, 250)), float(rng.uniform(12_000, 19_000)), 4.0, float(rng.uniform(0.2, 0.9)),
        agc_release_s=float(rng.uniform(0.3, 2.0)), suppression=float(rng.uniform(0.1, 0.5)) if rng.random() < 0.3 else 0.0,
        level_dbfs=float(rng.uniform(-30, -14)),
    )  # fmt: skip
    return place, phone, str(rng.choice(["aac", "opus"], p=[0.85, 0.15]))


def hard(rng) -> tuple[Place, Phone, str | None]:
    """Noise at the engine's own level, talk over it, suppression, clipping, gaps."""
    place = Place(
        float(np.exp(rng.uniform(np.log(0.2), np.log(1.2)))), float(rng.uniform(-6, 5)), float(rng.uniform(1, 3)),
        float(rng.uniform(-8, 0)), float(rng.uniform(-7, -1)), wind_db=some(rng, 0.4, -10, 4), talk_db=some(rng, 0.5, -10, 2),
        hum_db=some(rng, 0.3, -20, -4), hum_hz=float(rng.choice([50, 60])), birds_db=some(rng, 0.3, -20, -6),
        knocks_db=some(rng, 0.2, -12, 0),
    )  # fmt: skip
    phone = Phone(
        float(rng.uniform(100, 250)), float(rng.uniform(8000, 17_000)), 6.0, float(rng.uniform(0.4, 1.0)),
        agc_release_s=float(rng.uniform(0.2, 1.5)), suppression=float(rng.uniform(0.3, 0.9)) if rng.random() < 0.5 else 0.0,
        clip_db=some(rng, 0.35, 3, 14), gaps=int(rng.integers(1, 5)) if rng.random() < 0.25 else 0,
        bits=int(rng.choice([16, 16, 10])), level_dbfs=float(rng.uniform(-38, -12)),
    )  # fmt: skip
    return place, phone, str(rng.choice(["aac", "opus", "amr"], p=[0.7, 0.2, 0.1]))


# ---------------------------------------------------------------- behaviours


def unchanged(rng, s: Scenario) -> Scenario:
    return s


def span_of(s: Scenario) -> tuple[float, float]:
    """From when to when it runs, about."""
    first = s.pulls[-1].at_s + 2.0 if s.pulls else 0.0
    return first, s.cut_s if s.cut_s is not None else s.seconds


def hunting(rng, s: Scenario) -> Scenario:
    rate = float(np.exp(rng.uniform(np.log(0.3), np.log(2.5))))
    swing = s.speeds.rpm * float(np.exp(rng.uniform(np.log(0.015), np.log(0.15))))
    wave = Wave(rate, swing, skew=float(rng.uniform(0, 0.5)), jitter=float(rng.uniform(0, 0.05)))
    body = replace(s.body, governor_s=min(s.body.governor_s, 0.15), governor_lag_s=0.03)
    return replace(s, speeds=replace(s.speeds, waves=(wave,)), body=body, seconds=float(max(s.seconds, 5 / rate)))


def settling(rng, s: Scenario) -> Scenario:
    s = replace(s, seconds=max(s.seconds, 14.0))
    begin, end = span_of(s)
    rough = Rough(
        float(rng.uniform(0.25, 0.6) * (end - begin)), float(rng.uniform(0.08, 0.35)), float(rng.uniform(0.5, 4)),
        str(rng.choice(["step", "fade"])),
    )  # fmt: skip
    return replace(s, speeds=replace(s.speeds, rough=rough))


def load_step(rng, s: Scenario) -> Scenario:
    s = replace(s, seconds=max(s.seconds, 12.0))
    begin, end = span_of(s)
    at = begin + rng.uniform(0.25, 0.4) * (end - begin)
    off = at + rng.uniform(0.35, 0.45) * (end - begin) if rng.random() < 0.7 else s.seconds + 9
    load = Load(float(at), float(off), float(rng.uniform(0.25, 0.6)))
    return replace(s, speeds=replace(s.speeds, loads=(load,)))


def misfire(rng, s: Scenario, how: str | None = None) -> Scenario:
    kinds = (
        ["random", "burst"]
        + (["cylinder"] if s.engine.cylinders > 1 else [])
        + (["every_second"] if s.engine.strokes == 2 else [])
    )
    how = how or str(rng.choice(kinds))
    share = {"random": (0.01, 0.25), "burst": (0.03, 0.2), "cylinder": (0.3, 1.0), "every_second": (0.42, 0.5)}[how]
    found = Misfires(
        how,
        float(rng.uniform(*share)),
        burst_length=float(rng.uniform(3, 12)),
        cylinder=int(rng.integers(s.engine.cylinders)),
    )
    return replace(s, misfires=found)


def start(rng, s: Scenario) -> Scenario:
    """One to four pulls (or one or two goes of an electric starter); the last one catches."""
    count = int(rng.integers(1, 3)) if KINDS[s.kind].electric else int(rng.integers(1, 5))
    pulls = draw_pulls(rng, s, count)
    first_run = pulls[-1].at_s
    pulls = (*pulls[:-1], replace(pulls[-1], runs_s=inf))
    return replace(s, pulls=pulls, seconds=float(max(s.seconds, round(first_run + rng.uniform(6, 9), 2))))


def draw_pulls(rng, s: Scenario, count: int) -> tuple[Pull, ...]:
    k, at, out = KINDS[s.kind], float(rng.uniform(0.6, 1.5)), []
    for _ in range(count):
        long = float(rng.uniform(1.0, 2.5)) if k.electric else float(rng.uniform(0.4, 0.75))
        stray = int(rng.random() < 0.2)
        out.append(
            Pull(
                round(at, 3),
                long,
                float(rng.uniform(*k.pull_rpm)),
                None,
                int(rng.integers(2, 6)),
                stray,
                electric=k.electric,
            )
        )
        at += long + float(rng.uniform(1.5, 3.0))
    return tuple(out)


def cut(rng, s: Scenario) -> Scenario:
    begin, _ = span_of(s)
    seconds = max(s.seconds, begin + 6.0) + s.body.rundown_s
    return replace(
        s, seconds=float(round(seconds + 1.5, 2)), cut_s=float(seconds - s.body.rundown_s - rng.uniform(0, 0.5))
    )


def pulls_only(rng, s: Scenario) -> Scenario:
    pulls = draw_pulls(rng, s, int(rng.integers(2, 7)))
    return replace(s, pulls=pulls, cut_s=None, seconds=float(round(pulls[-1].at_s + 3.0, 2)))


def throttle(rng, s: Scenario) -> Scenario:
    """From idle to full and back; hesitates in a third of the draws."""
    k = KINDS[s.kind]
    idle = float(rng.uniform(*(k.idle_rpm or (0.55 * k.top_rpm[0], 0.6 * k.top_rpm[0]))))
    top = float(rng.uniform(*k.top_rpm))
    s = replace(s, seconds=max(s.seconds, 12.0))
    begin, end = span_of(s)
    up, down = begin + 0.3 * (end - begin), begin + 0.7 * (end - begin)
    bog = float(rng.uniform(0.3, 0.8)) if rng.random() < 0.33 else 0.0
    moves = (Move(up, top, float(rng.uniform(0.2, 0.8)), bog), Move(down, idle, float(rng.uniform(0.2, 0.8))))
    return replace(s, speeds=replace(s.speeds, rpm=idle, moves=moves))


def afterfire(rng, s: Scenario) -> Scenario:
    """Bangs: after the ignition goes off where it does, else here and there while running."""
    begin, end = span_of(s)
    count = int(rng.integers(1, 4))
    at = end + rng.uniform(0.1, 0.8, count) if s.cut_s is not None else rng.uniform(begin + 1, end - 0.5, count)
    return replace(
        s, colour=replace(s.colour, pops=tuple(float(x) for x in np.sort(at)), pop_db=float(rng.uniform(8, 16)))
    )


def stall(rng, s: Scenario) -> Scenario:
    """It catches, dies by itself after a second or three, and is started again."""
    first = Pull(1.0, 0.6, 700.0, float(rng.uniform(1.5, 3.5)), 3)
    again = first.at_s + first.runs_s + s.body.rundown_s + float(rng.uniform(1.5, 2.5))
    return replace(s, pulls=(first, Pull(again, 0.6, 700.0, inf, 3)), seconds=float(max(s.seconds, again + 7)))


BEHAVE = {
    "hunting": hunting, "settling": settling, "load_step": load_step, "misfire": misfire, "start": start, "cut": cut,
    "pulls_only": pulls_only, "throttle": throttle, "afterfire": afterfire, "stall": stall,
    **{f"misfire_{h}": (lambda rng, s, h=h: misfire(rng, s, h)) for h in ("random", "burst", "cylinder", "every_second")},
}  # fmt: skip
