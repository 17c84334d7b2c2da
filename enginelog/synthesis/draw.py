"""Scenarios drawn at random: an engine of a kind, how it behaves, where and with what it is recorded.

One figure of each recording, how close and clear it is (0..1), moves most levels together, so that the recordings
of one
hardness reach from close-up and plain to far and buried instead of all lying in the middle.
"""

from __future__ import annotations

from dataclasses import is_dataclass, replace

import numpy as np

from enginelog.model import Engine
from enginelog.synthesis.behaviours import BEHAVE, BEHAVIOURS, log_uniform
from enginelog.synthesis.chance import stream
from enginelog.synthesis.kinds import ALIASES, KINDS, Kind
from enginelog.synthesis.scenario import Body, Colour, Phone, Place, Scenario, Speeds

CLEARNESS = {"clean": (1.2, 1.4), "easy": (0.8, 1.0), "ordinary": (0.0, 1.4), "hard": (0.0, 0.6)}
HARDNESS = tuple(CLEARNESS)
MIX = {"steady": 0.32, "hunting": 0.1, "settling": 0.08, "load_step": 0.1, "misfire": 0.17, "start": 0.08, "cut": 0.08}


def random_scenario(
    seed: int,
    kind: str = "any",
    hardness: str = "ordinary",
    behaviours: str | tuple[str, ...] | None = None,
    rpm: float | None = None,
    **fixed,
) -> Scenario:
    """Draw a scenario; the same arguments give the same one, and only the recording differs between hardnesses.

    kind: a name of KINDS or "any". hardness: clean, easy, ordinary or hard. behaviours: names of BEHAVIOURS (a
    tuple, or
    one string with commas); None draws a usual mix. rpm fixes the speed wanted. fixed: fields of Scenario; a dict given
    for a field that is itself a dataclass changes only the named parts: place={"reverb_s": 0.8}.
    Raises ValueError for unknown names.
    """
    kind = ALIASES.get(kind, kind)
    if kind == "any":
        kind = str(stream(seed, "kind").choice(list(KINDS)))
    if kind not in KINDS or hardness not in CLEARNESS:
        raise ValueError(f"kind {kind!r}, hardness {hardness!r}: expected one of {sorted(KINDS)} and one of {HARDNESS}")
    rng = stream(seed, "behaviour")
    wanted = chosen(rng, behaviours, KINDS[kind])
    if rpm is None and "load_step" in wanted:
        rpm = float(stream(seed, "loaded").uniform(*KINDS[kind].top_rpm))  # nobody loads an idling engine
    scenario = basic(seed, kind, hardness, rpm)
    scenario = replace(scenario, seconds=float(fixed.pop("seconds", scenario.seconds)))
    for name in sorted(wanted, key=BEHAVIOURS.index):
        scenario = BEHAVE[name](rng, scenario)
    return overridden(scenario, fixed)


def chosen(rng, behaviours: str | tuple[str, ...] | None, kind: Kind) -> list[str]:
    """The behaviours asked for, or a usual mix."""
    if behaviours is None:
        mix = {**MIX, "revving" if kind.between else "throttle": 1 - sum(MIX.values())}
        out = [str(rng.choice(list(mix), p=list(mix.values())))]
        more = out[0] in ("steady", "misfire", "hunting") and rng.random() < 0.25
        return out + ([str(rng.choice(["start", "cut"]))] if more else [])
    out = [b.strip() for b in (behaviours.split(",") if isinstance(behaviours, str) else behaviours)]
    unknown = [b for b in out if b not in BEHAVE]
    if unknown:
        raise ValueError(f"behaviours {unknown}: expected some of {BEHAVIOURS}")
    return out


def overridden(scenario: Scenario, fixed: dict) -> Scenario:
    """The scenario with the given fields put in; a dict changes parts of a nested one."""
    for name, value in fixed.items():
        if name not in scenario.__dataclass_fields__:
            raise ValueError(f"{name!r} is no field of Scenario: expected one of {list(scenario.__dataclass_fields__)}")
        old = getattr(scenario, name)
        nested = is_dataclass(old) and isinstance(value, dict)
        scenario = replace(scenario, **{name: replace(old, **value) if nested else value})
    return scenario


def basic(seed: int, kind: str, hardness: str, rpm: float | None) -> Scenario:
    """The machine running steadily, with the place and phone of the hardness asked for."""
    k, rng = KINDS[kind], stream(seed, "machine")
    speed = drawn_speed(rng, k) if rpm is None else float(rpm)
    recording = stream(seed, f"recording {hardness}")
    clear = float(recording.uniform(*CLEARNESS[hardness]))
    place, phone, codec = draw_recording(recording, hardness, clear)
    return Scenario(
        engine_of(k, kind, speed),
        Speeds(speed, wobble_percent=wobble_of(rng, k), drift_percent=float(rng.normal() * 0.5)),
        round(float(rng.uniform(8, 16)), 2),
        seed,
        kind,
        hardness,
        body=draw_body(rng, k, speed),
        colour=draw_colour(rng, k, speed, clear),
        place=place,
        phone=phone,
        codec=codec,
    )


def engine_of(k: Kind, kind: str, speed: float) -> Engine:
    """The engine as its user would tell it."""
    angles = tuple(float(a) for a in k.angles_deg)
    rated = round(speed, -1) if k.governed else None
    return Engine(k.strokes, len(angles), angles, rated_rpm=rated, machine=kind, alternator_poles=k.poles)


def drawn_speed(rng, k: Kind) -> float:
    """Top speed mostly, idle otherwise; machines run anywhere between get any speed between."""
    if k.between and k.idle_rpm is not None and rng.random() < 0.7:
        return log_uniform(rng, k.idle_rpm[0], k.top_rpm[1])
    return float(rng.uniform(*(k.top_rpm if k.idle_rpm is None or rng.random() < 0.65 else k.idle_rpm)))


def wobble_of(rng, k: Kind) -> float:
    """The small lasting wobble of speed that this kind of engine has."""
    return float(rng.uniform(0.1, 0.5) if k.governed else rng.uniform(0.2, 2.5))


def draw_body(rng, k: Kind, speed: float) -> Body:
    """Inertia, friction, compression and governor of one machine."""
    slower = float(np.clip(speed / k.top_rpm[1], 0.25, 1.0)) ** 0.45
    rundown = float(rng.uniform(*k.rundown_s)) * slower
    return Body(
        rundown_s=rundown,
        power=float(rng.uniform(2.3, 4.0)),
        compression=float(rng.uniform(0.15, 0.3)),
        governed=k.governed,
        **governor_of(rng, k, rundown, speed),
        droop=float(rng.uniform(0.02, 0.1)),
    )


def governor_of(rng, k: Kind, rundown_s: float, rpm: float) -> dict[str, float]:
    """How quickly speed errors are made good: heavy machines have slow governors, a fixed throttle hardly any.

    Never much quicker than the firings come, or the governor itself would surge.
    """
    between_s = 30.0 * k.strokes / (len(k.angles_deg) * rpm)
    answer = float(rng.uniform(0.03, 0.08) * rundown_s if k.governed else rng.uniform(0.25, 0.6))
    answer = max(answer, 2.8 * between_s + 0.03)
    lag = answer * float(rng.uniform(0.1, 0.35))
    return {
        "governor_s": answer,
        "governor_lag_s": lag,
        "reset_s": answer * float(rng.uniform(3, 6)) if k.governed else 6.0,
    }


def some(rng, share: float, low: float, high: float) -> float | None:
    """A value of the range in `share` of the draws, None otherwise (always two draws)."""
    value = float(rng.uniform(low, high))
    return value if rng.random() < share else None


def draw_colour(rng, k: Kind, rpm: float, clear: float) -> Colour:
    """The engine's voice; how even and how noisy its firings come across follows `clear`."""
    base = voice(rng, k)
    idle = rpm < 0.6 * k.top_rpm[0]
    foul = 1 - min(clear, 1.0)

    def near(value: float, spread: float) -> float:
        return float(value + spread * rng.standard_normal())

    return replace(
        base,
        strength_spread=float(np.clip(near(0.05 + 0.1 * foul + 0.04 * idle, 0.02), 0.02, 0.25)),
        timing_spread=float(np.clip(near(0.003 + 0.012 * foul, 0.003), 0.001, 0.03)),
        shape_spread=float(np.clip(near(0.12 + 0.45 * foul, 0.08), 0.03, 0.8)),
        hiss_tilt_db=float(rng.uniform(-4, 1)),
        turbulence_db=near(-4 - 17 * clear, 2.5),
        steady_noise_db=near(-8 - 16 * clear, 2.5),
    )


def voice(rng, k: Kind) -> Colour:
    """What tells one engine from another of its kind: pipe, muffler, intake, mechanics, tones."""
    two = k.strokes == 2
    return Colour(
        strength_memory=float(rng.uniform(-0.5, 0.1)),
        alternation=some(rng, 0.4 if two else 0.0, 0.1, 0.5) or 0.0,
        alternation_every=int(rng.choice([2, 2, 2, 3, 4])),
        cylinder_level=tuple(float(x) for x in np.exp(0.08 * rng.standard_normal(len(k.angles_deg)))),
        cylinder_alike=float(rng.uniform(0.5, 0.95)),
        pulse_deg=float(rng.uniform(*k.pulse_deg)),
        pipe_hz=float(rng.uniform(*k.pipe_hz)),
        pipe_q=float(rng.uniform(2, 7)),
        muffler_hz=float(rng.uniform(500, 1300)),
        bright_db=float(rng.uniform(-16, 0)),
        intake_db=float(rng.uniform(-16, -3)),
        intake_hz=float(rng.uniform(120, 400)),
        block_db=float(rng.uniform(-20, -5)),
        ticks_db=float(rng.uniform(-28, -10)),
        slap_db=float(rng.uniform(-28, -12)),
        rev_noise_db=float(rng.uniform(-28, -12)),
        whine_db=some(rng, 0.7, -24, -9) if k.whine else some(rng, 0.1, -26, -14),
        whine_order=float(rng.choice([6, 7, 8, 11, 13, 17, 23])),
        blade_db=some(rng, 1.0, -16, -4) if k.blade else None,
        fan_db=some(rng, 0.7, -26, -9),
        fan_blades=int(rng.integers(16, 25)),
        hum_db=float(rng.uniform(-20, -6)) if k.poles else None,
    )


def draw_recording(rng, hardness: str, clear: float | None = None) -> tuple[Place, Phone, str | None]:
    """Place, phone and codec of a hardness."""
    clear = float(rng.uniform(*CLEARNESS[hardness])) if clear is None else clear
    if hardness == "clean":
        return Place(0.0, 20.0, 0.0, -60.0), Phone(None, None, 0.0, 0.0, limiter=False, bits=24), None
    return {"easy": easy, "ordinary": ordinary, "hard": hard}[hardness](rng, clear)


def easy(rng, clear: float) -> tuple[Place, Phone, str | None]:
    """Close, quiet, a good microphone."""
    place = Place(float(rng.uniform(0.1, 0.3)), float(rng.uniform(6, 12)), 0.5, float(rng.uniform(-35, -22)))
    return place, Phone(float(rng.uniform(60, 120)), agc=0.2, level_dbfs=float(rng.uniform(-26, -18))), "aac"


def ordinary(rng, clear: float) -> tuple[Place, Phone, str | None]:
    """A metre or two away: reverberant, noise 6 to 20 dB down, high-pass, volume control, AAC."""
    place = Place(
        reverb_s=log_uniform(rng, 0.1, 1.2),
        direct_db=float(rng.uniform(-1, 3) + 8 * clear),
        drift_db=float(rng.uniform(0, 2)),
        noise_db=float(np.clip(-5 - 15 * clear + 2 * rng.standard_normal(), -20, -6)),
        noise_tilt_db_per_octave=float(rng.uniform(-6, 0)),
        wind_db=some(rng, 0.3, -22, -8),
        talk_db=some(rng, 0.2, -25, -12),
        hum_db=some(rng, 0.2, -30, -14),
        hum_hz=float(rng.choice([50, 60])),
        birds_db=some(rng, 0.2, -30, -14),
    )
    phone = Phone(
        high_pass_hz=float(rng.uniform(60, 250)),
        low_pass_hz=float(rng.uniform(12_000, 19_000)),
        resonance_db=4.0,
        agc=float(rng.uniform(0.2, 0.9)),
        agc_release_s=float(rng.uniform(0.3, 2.0)),
        suppression=some(rng, 0.25, 0.1, 0.5) or 0.0,
        level_dbfs=float(rng.uniform(-30, -14)),
    )
    return place, phone, str(rng.choice(["aac", "opus"], p=[0.85, 0.15]))


def hard(rng, clear: float) -> tuple[Place, Phone, str | None]:
    """Noise at the engine's own level, talk over it, suppression, clipping, gaps."""
    place = Place(
        reverb_s=log_uniform(rng, 0.2, 1.2),
        direct_db=float(rng.uniform(-6, 0) + 8 * clear),
        drift_db=float(rng.uniform(1, 3)),
        noise_db=float(rng.uniform(-8, 0)),
        noise_tilt_db_per_octave=float(rng.uniform(-6, 0)),
        wind_db=some(rng, 0.4, -10, 4),
        talk_db=some(rng, 0.5, -10, 2),
        hum_db=some(rng, 0.3, -20, -4),
        hum_hz=float(rng.choice([50, 60])),
        birds_db=some(rng, 0.3, -20, -6),
        knocks_db=some(rng, 0.2, -12, 0),
    )
    phone = Phone(
        high_pass_hz=float(rng.uniform(100, 250)),
        low_pass_hz=float(rng.uniform(8000, 17_000)),
        resonance_db=6.0,
        agc=float(rng.uniform(0.4, 1.0)),
        agc_release_s=float(rng.uniform(0.2, 1.5)),
        suppression=some(rng, 0.5, 0.3, 0.9) or 0.0,
        clip_db=some(rng, 0.35, 3, 14),
        gaps=int(some(rng, 0.25, 1, 5) or 0),
        bits=int(rng.choice([16, 16, 10])),
        level_dbfs=float(rng.uniform(-38, -12)),
    )
    return place, phone, str(rng.choice(["aac", "opus", "amr"], p=[0.7, 0.2, 0.1]))
